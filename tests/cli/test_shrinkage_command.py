"""The command shrinkage on the demo's washes: numbers against their truth, words, JSON, chart, and refusals."""

import json
from pathlib import Path
from typing import Any

import pytest

from pickglass.calibration.errors import SampleError
from pickglass.cli import pipeline
from pickglass.cli.main import main
from pickglass.cli.pipeline import Request, measure_photo

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
WASHES = ("wash_before", "wash_after_first")
OTHER = "band_striped"


@pytest.fixture(scope="module")
def measured() -> dict[str, Any]:
    names = (*WASHES, "wash_after_second", "wash_after_third", OTHER)
    return {name: measure_photo(SAMPLES / f"{name}.jpg", Request()) for name in names}


@pytest.fixture
def run(measured: dict[str, Any], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """Run the command; each photo is measured once for all tests."""

    def measure(path: Path, request: Request, **_: object) -> Any:
        return measured[path.stem]

    monkeypatch.setattr(pipeline, "measure_photo", measure)

    def go(*words: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as end:
            main(["shrinkage", *(str(w) for w in words)])
        out = capsys.readouterr()
        return int(end.value.code or 0), out.out, out.err

    return go


def paths(*names: str) -> list[Path]:
    return [SAMPLES / f"{name}.jpg" for name in names]


def test_a_wash_is_measured_within_its_doubt(run: Any) -> None:
    code, out, _ = run(*paths(*WASHES), "--json")
    found = json.loads(out)
    truth = json.loads((SAMPLES / "wash_after_first.json").read_text())["pair"]["shrinkage"]
    assert code == (0 if found["verdict"] == "measured" else 3)
    assert found["schema"] == "pickglass.shrinkage/1"
    for way, key in (("warpwise", "warp_percent"), ("weftwise", "weft_percent")):
        miss = abs(found[way]["change_percent"] + truth[key])
        assert miss < 0.6
        assert miss < found[way]["u95_percent"] < 2.0
    outline = found["by_method"]["outline"]["warpwise"]
    assert abs(outline["change_percent"] + truth["length_outer_percent"]) < outline["u95_percent"]
    assert found["by_method"]["thread_count"]
    assert found["by_method"]["marks"] == {}
    assert found["common_threads"] == {"ends": 45, "picks": 56}
    assert not found["other_face"]
    assert found["base"] == "off-loom"


def test_words_name_base_care_and_the_limits(run: Any) -> None:
    _, out, _ = run(*paths(*WASHES))
    flat = " ".join(out.split())
    for words in (
        "(off-loom)",
        "shorter",
        "narrower",
        "ISO 3759",
        "bleeding dye",
        "area",
        "yarn gets fuller",
    ):
        assert words in flat


def test_what_was_not_washed_gets_no_advice_on_washing(run: Any) -> None:
    _, out, _ = run(*paths(*WASHES), "--stage", "on-loom,off-loom")
    for words in ("bleeding", "gets fuller", "ISO 5077"):
        assert words not in out
    assert "threads are conserved" in out


def test_notes_stand_apart_from_what_always_stands_there(run: Any) -> None:
    _, out, _ = run(*paths(WASHES[1], WASHES[0]))
    assert "\n\nLength and width stand for" in out


def test_one_photo_named_twice_is_not_measured_as_no_change(run: Any) -> None:
    code, out, _ = run(*paths(WASHES[0], WASHES[0]))
    assert code == 3
    assert "wash_before.jpg was named twice" in out
    code, out, _ = run(*paths(*WASHES))
    assert code == 0


def test_a_photo_that_fails_is_named(run: Any, monkeypatch: pytest.MonkeyPatch, measured: Any) -> None:
    def measure(path: Path, request: Request, **_: object) -> Any:
        if path.stem == OTHER:
            raise SampleError("no-cloth", "Nothing stands out from the table.", "Lay it flat.")
        return measured[path.stem]

    monkeypatch.setattr(pipeline, "measure_photo", measure)
    code, _, err = run(*paths(WASHES[0], OTHER))
    assert code == 4
    assert err.startswith(f"{OTHER}.jpg: Nothing stands out")


def test_take_up_is_named_apart_from_shrinkage(run: Any) -> None:
    _, out, _ = run(*paths("wash_before", *WASHES), "--stage", "on-loom,off-loom,washed")
    assert "take-up (tension let off)" in out
    assert "take-up and shrinkage together" in out


def test_photos_the_wrong_way_round_are_noticed(run: Any) -> None:
    code, out, _ = run(*paths(WASHES[1], WASHES[0]))
    assert code == 3
    assert out.splitlines()[0].endswith("unsure")
    assert "warpwise (length)  +6.2 ± " in out
    assert "Look whether the photo before the wash was named first." in " ".join(out.split())


def test_the_same_photo_twice_has_settled(run: Any) -> None:
    _, out, _ = run(*paths(*WASHES, WASHES[1]), "--json")
    assert [step["settled"] for step in json.loads(out)["steps"]] == [False, True]


def test_three_washes_until_it_has_settled(run: Any) -> None:
    photos = paths("wash_before", "wash_after_first", "wash_after_second", "wash_after_third")
    _, out, _ = run(*photos, "--json")
    found = json.loads(out)
    truth = json.loads((SAMPLES / "wash_after_third.json").read_text())["pair"]["shrinkage"]
    assert [step["settled"] for step in found["steps"]] == [False, False, True]
    for way, key in (("warpwise", "warp_percent"), ("weftwise", "weft_percent")):
        assert abs(found[way]["change_percent"] + truth[key]) < min(0.6, found[way]["u95_percent"])
    _, out, _ = run(*photos)
    assert "Settled: the last change is smaller than its uncertainty" in " ".join(out.split())
    assert "45 ends and 56 picks were recognised" in " ".join(out.split())
    assert "-0.0 " not in out


def test_two_samples_are_refused_unless_forced(run: Any) -> None:
    code, _, err = run(*paths(WASHES[0], OTHER))
    assert code == 4
    assert "two different samples" in err
    code, out, _ = run(*paths(WASHES[0], OTHER), "--force")
    assert code == 3
    assert "--force" in out


@pytest.mark.parametrize("suffix", ["png", "svg"])
def test_the_chart_is_written_and_not_overwritten(run: Any, tmp_path: Path, suffix: str) -> None:
    pytest.importorskip("matplotlib")
    target = tmp_path / f"washes.{suffix}"
    run(*paths(*WASHES), "--picture", target)
    start = target.read_bytes()[:200]
    assert start.startswith(b"\x89PNG") if suffix == "png" else b"<svg" in target.read_bytes()[:2000]
    code, _, err = run(*paths(*WASHES), "--picture", target)
    assert code == 2
    assert "already there" in err


def test_marks_by_hand_join_the_methods(run: Any, measured: dict[str, Any]) -> None:
    words = []
    for name in WASHES:
        m = measured[name][1]
        # The same crossings of the same threads: what a sewn mark would keep.
        ends, picks = m.tracks.ends, m.tracks.picks
        patch = m.patch
        points = [
            (
                patch.u0_mm + ends.positions_px[e] / patch.px_per_mm,
                patch.v0_mm + picks.positions_px[p] / patch.px_per_mm,
            )
            for e in (3, -4)
            for p in (3, -4)
        ]
        photo_px = m.plane.to_px(patch.frame.to_plane(points))
        words.append(",".join(f"{value:.1f}" for value in photo_px.ravel()))
    _, out, _ = run(*paths(*WASHES), "--json", "--marks-before", words[0], "--marks-after", words[1])
    marks = json.loads(out)["by_method"]["marks"]
    assert abs(marks["warpwise"]["change_percent"] + 6.04) < marks["warpwise"]["u95_percent"]
    assert abs(marks["weftwise"]["change_percent"] + 4.49) < marks["weftwise"]["u95_percent"]


@pytest.mark.parametrize(
    "words",
    [
        ["--stage", "washed"],
        ["--stage", "washed,off-loom"],
        ["--stage", "off-loom,dyed"],
        ["--marks-before", "1,2,3,4"],
        ["--marks-before", "1,2,3", "--marks-after", "1,2,3"],
        ["--picture", "chart.bmp"],
    ],
)
def test_wrong_use_gets_a_sentence(run: Any, words: list[str]) -> None:
    code, _, err = run(*paths(*WASHES), *words)
    assert code == 2
    assert "What to do" in err


def test_one_photo_is_no_change(run: Any) -> None:
    code, _, err = run(*paths(WASHES[0]))
    assert code == 2
    assert "two photos" in err


def test_each_photo_is_asked_in_its_own_way(
    monkeypatch: pytest.MonkeyPatch, measured: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    asked: list[Request] = []

    def measure(path: Path, request: Request, **_: object) -> Any:
        asked.append(request)
        return measured[path.stem]

    monkeypatch.setattr(pipeline, "measure_photo", measure)
    words = [
        "--dpi",
        "auto,300",
        "--area",
        "whole",
        "--area",
        "10,20,300,400",
        "--cloth-thickness",
        "1.5,auto",
    ]
    with pytest.raises(SystemExit):
        main(["shrinkage", *map(str, paths(*WASHES)), *words, "--json"])
    capsys.readouterr()
    first, second = asked
    assert (first.scan, first.dpi, first.area_px, first.cloth_thickness_mm) == (False, None, None, 1.5)
    assert (second.scan, second.dpi, second.area_px, second.cloth_thickness_mm) == (
        True,
        300,
        (10, 20, 300, 400),
        None,
    )


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--no-scale",), "Without a scale"),
        (("--px-per-mm", "20,20,20"), "one for each of the 2 photos, and has 3"),
        (("--px-per-mm", "20,much"), "cannot be used"),
        (("--dpi", "600", "--px-per-mm", "20"), "contradict each other"),
        (("--points", "1,1,900,1=90"), "--points was given 1 times for 2 photos"),
        (("--points", "1,1=90"), "cannot be used"),
        (("--scan", "--card-on-cloth"), "contradict each other"),
        (("--dpi", "600", "--card", "printed"), "contradict each other"),
        (("--area", "0,0,500,400"), "given 1 times for 2 photos"),
        (("--area", "whole", "--area", "0,0,5,4"), "cannot be used"),
        (("--cloth-thickness", "1,2,3"), "one for each of the 2 photos, and has 3"),
        (("--cloth-thickness", "nan"), "cannot be used"),
        (("--dpi", "-300"), "cannot be used"),
    ],
)
def test_ways_to_the_scale_are_checked_first(run: Any, words: tuple[str, ...], told: str) -> None:
    code, _, said = run("before.jpg", "after.jpg", *words)
    assert code == 2
    assert told in said
