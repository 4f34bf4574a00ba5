"""Samples of the book named in shrinkage and plan: ``book:NAME``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from book_samples import measurement, record, sample
from plan_files import run_plan

from pickglass.calibration.errors import UsageError
from pickglass.cli.book_file import open_book, transaction
from pickglass.cli.book_record import Record, figures_of
from pickglass.cli.book_reference import book_name, kept_record, kept_stages
from pickglass.cli.book_store import keep_sample
from pickglass.cli.kept import is_kept, kept_measurement
from pickglass.measure.shrinkage import compare_sizes

from .command import run
from .small_photo import ENDS_PER_INCH, OPTIONS, PICKS_PER_INCH, draw

BUDGET = [{"name": "scatter of the spacing", "standard_percent": 0.5, "kind": "A", "origin": "made up"}]


def document(
    ends: float, picks: float, *, verdict: str = "measured", width_mm: float = 50.8
) -> dict[str, Any]:
    whole = measurement(ends, picks, verdict=verdict)
    for part in ("ends", "picks"):
        whole[part] |= {"budget": BUDGET, "probability": 0.99}
        whole[part].pop("positions_mm", None)
    whole["sample"] |= {"width_mm": width_mm, "length_mm": None}
    return whole


def kept(stage: str, whole: dict[str, Any], *, date: str = "2024-05-31") -> Record:
    return Record(stage=stage, date=date, figures=figures_of(whole, "test"), document=whole)


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A book with a sample of every kind of life."""
    path = tmp_path / "samples.book"
    monkeypatch.setenv("PICKGLASS_BOOK", str(path))
    lives = {
        "Garden band": (
            kept("on-loom", document(23.0, 11.0)),
            kept("off-loom", document(24.0, 12.0)),
            kept("washed-1", document(25.0, 12.8, width_mm=50.8 * 0.96), date="2024-06-01"),
            kept("washed-2", document(25.0, 12.9, width_mm=50.8 * 0.96), date="2024-06-02"),
        ),
        "Fresh band": (kept("off-loom", document(24.0, 12.0)),),
        "Loom band": (kept("on-loom", document(24.0, 12.0)),),
        "Doubtful band": (
            kept("off-loom", document(24.0, 12.0)),
            kept("washed-1", document(25.0, 12.5, verdict="unsure")),
        ),
        "Drawn cloth": (kept("off-loom", document(ENDS_PER_INCH, PICKS_PER_INCH)),),
        "No scale": (
            record("off-loom", scale={"source": None}),
            record("washed-1", scale={"source": None}),
        ),
        "Unmeasured": (),
    }
    with open_book(path, write=True) as connection, transaction(connection):
        for name, records in lives.items():
            keep_sample(connection, sample(name, *records), newer_facts_win=True)
    return path


def test_a_name_is_told_from_a_file():
    assert book_name("book:garden band") == "garden band"
    assert book_name("BOOK: garden band") == "garden band"
    assert book_name("./book:garden") is None
    assert book_name("band.jpg") is None


def test_newest_of_each_stage_in_the_order_of_life(book):
    assert [r.stage for r in kept_stages("garden BAND", None)] == [
        "on-loom",
        "off-loom",
        "washed-1",
        "washed-2",
    ]
    assert kept_record("garden band", None, ("washed",)).stage == "washed-2"
    with pytest.raises(UsageError, match="measured off-loom"):
        kept_record("fresh band", None, ("washed",))
    with pytest.raises(UsageError, match="no measurement"):
        kept_stages("unmeasured", None)


def test_kept_figures_give_the_change_of_iso_5077():
    """100 · (after − before) / before on the spacing: 24 to 25 ends is 24/25 − 1 = −4 %, 12 to 12.8 picks −6.25 %."""
    before = kept_measurement(document(24.0, 12.0), "before")
    after = kept_measurement(document(25.0, 12.8, width_mm=50.8 * 0.96), "after")
    assert is_kept(before)
    size = compare_sizes(before, after)
    threads = size.by_method["thread_count"]
    assert threads["weftwise"].change_percent == pytest.approx(-4.0)
    assert threads["warpwise"].change_percent == pytest.approx(-6.25)
    assert size.by_method["outline"]["weftwise"].change_percent == pytest.approx(-4.0)
    # two scales of 0.2 % (95 %) are at least in it
    assert threads["weftwise"].u95_percent > 0.2 * 2**0.5 * 0.96


def test_height_left_in_doubt_counts_twice():
    """Of kept measurements it is not known whether their heights were wrong alike, so they add as independent."""
    line = {"name": "height of the cloth over the card", "standard_percent": 1.0, "kind": "B", "origin": "x"}
    lifted = document(24.0, 12.0)
    lifted["ends"]["budget"] = [*BUDGET, line]
    flat, high = (
        compare_sizes(kept_measurement(d, "a"), kept_measurement(d, "b"))
        for d in (document(24.0, 12.0), lifted)
    )
    more = high.weftwise.shared_u_percent**2 - flat.weftwise.shared_u_percent**2
    assert more == pytest.approx(2.0, rel=0.01)


def test_shrinkage_of_a_sample_through_its_life(book, capsys):
    code, out, _ = run(capsys, "shrinkage", "book:garden band", "--json")
    found = json.loads(out)
    assert code == (0 if found["verdict"] == "measured" else 3)
    assert [step["means"] for step in found["steps"]] == [
        "take-up (tension let off)",
        "shrinkage",
        "shrinkage",
    ]
    washed = found["steps"][1]["against_previous"]["by_method"]["thread_count"]
    assert washed["weftwise"]["change_percent"] == pytest.approx(-4.0)
    code, out, _ = run(capsys, "shrinkage", "book:garden band")
    assert "take-up and shrinkage together" in out


def test_kept_measurement_against_a_new_photo(book, capsys, tmp_path):
    """The drawn cloth at 8.4 instead of 8 px per mm is 8 / 8.4 − 1 = 4.8 % smaller."""
    photo, report = draw(tmp_path / "washed.png"), tmp_path / "wash.html"
    code, out, _ = run(
        capsys, "shrinkage", "book:drawn cloth", str(photo), *OPTIONS[:1], "--px-per-mm", "8.4", "--json",
        "--report", str(report),
    )  # fmt: skip
    found = json.loads(out)
    assert code in (0, 3)
    assert [p["stage"] for p in found["photos"]] == ["off-loom", "washed"]
    for way in ("warpwise", "weftwise"):
        change = found[way]
        assert abs(change["change_percent"] - 100.0 * (8.0 / 8.4 - 1.0)) < change["u95_percent"]
    html = report.read_text("utf-8")
    assert "1 photo and 1 kept measurement" in html
    assert "kept figures" in html


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("book:gardn band",), "Did you mean “Garden band”"),
        (("book:fresh band",), "only one"),
        (("book:unmeasured",), "no measurement"),
        (("book:no scale",), "has no scale"),
        (("band.jpg",), "only one was named"),
        (("book:garden band", "--stage", "washed"), "--stage is about photos"),
        (("book:garden band", "--book", "none.book"), "none.book"),
        (
            ("book:fresh band", "PHOTO", "--marks-before", "1,1,9,9", "--marks-after", "1,1,8,8", *OPTIONS),
            "on photos",
        ),
    ],
)
def test_shrinkage_says_what_is_wrong(book, capsys, tmp_path, words, told):
    photo = str(draw(tmp_path / "a.png"))
    code, out, err = run(capsys, "shrinkage", *(word.replace("PHOTO", photo) for word in words))
    assert (code, out) == (2, "")
    assert told in err


WISH = ("--width", "25mm", "--length", "2m", "--json")


def planned(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, dict[str, Any]]:
    run_plan(*WISH, *words)
    return {factor["name"]: factor for factor in json.loads(capsys.readouterr().out)["factors"]}


def test_plan_takes_the_last_stage_and_knows_what_it_is(book, capsys):
    factors = planned(capsys, "--sample", "book:garden band")
    assert factors["picks per inch"]["value"] == pytest.approx(12.9)
    assert factors["picks per inch"]["base"] == "finished"
    assert factors["picks per inch"]["origin"] == "measured"
    assert "washed-2" in factors["picks per inch"]["note"]
    loose = planned(capsys, "--sample", "book:garden band", "--sample-is", "off-loom")["picks per inch"]
    assert (loose["value"], loose["base"]) == (pytest.approx(12.0), "off the loom")
    fresh = planned(capsys, "--sample", "book:fresh band")["picks per inch"]
    assert fresh["base"] == "off the loom"


def test_plan_works_the_shrinkage_out_of_the_book(book, capsys):
    """Off the loom 12 picks, after the last wash 12.9: the length lost is 1 − 12 / 12.9 = 6.98 %."""
    factors = planned(capsys, "--sample", "book:garden band", "--shrinkage", "book:garden band")
    length = factors["shrinkage of the length"]
    assert length["origin"] == "measured"
    assert length["value"] == pytest.approx(100.0 * (1.0 - 12.0 / 12.9), abs=0.01)
    assert "off-loom to washed-2" in length["note"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--sample", "book:gardn band"), "Did you mean “Garden band”"),
        (("--sample", "book:loom band"), "measured on-loom"),
        (("--sample", "book:doubtful band"), "says “unsure”"),
        (("--sample", "book:fresh band", "--sample-is", "finished"), "no measurement"),
        (("--sample", "book:garden band", "--shrinkage", "book:fresh band"), "no measurement"),
        (("--sample", "book:garden band", "--shrinkage", "book:doubtful band"), "says “unsure”"),
        (("--sample", "missing.json"), "book:NAME"),
    ],
)
def test_plan_says_what_is_wrong(book, words, told):
    with pytest.raises(UsageError) as caught:
        run_plan(*WISH, *words)
    assert told in f"{caught.value.problem} {caught.value.next_step}"
