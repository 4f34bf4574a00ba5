"""`pickglass plan` from the command line: what goes in, what is refused, what comes out."""

import csv
import io
import json
import math
import re
import sys

import pytest
from plan_files import SETT, SHRINKAGE, run_plan, save

from pickglass.calibration.errors import UsageError
from pickglass.cli import plan_command, plan_text
from pickglass.cli.plan_csv import safe_cell
from pickglass.measure.priors import FIBRES, LOOMS

WISH = ("--width", "20in", "--length", "72in")
BY_HAND = (*WISH, "--sett", "20/in", "--picks", "18/in")
# The whole plan worked by hand from the formulas: see tests/measure/test_plan.py.
WHOLE = (
    *BY_HAND,
    *("--shrink-width", "10%", "--shrink-length", "10%", "--draw-in", "8%", "--take-up", "10%"),
    *("--waste", "24in", "--sampling", "0in", "--count", "even"),
)


@pytest.fixture(autouse=True)
def memory(tmp_path, monkeypatch):
    monkeypatch.setenv("PICKGLASS_MEMORY", str(tmp_path / "kept" / "memory.json"))
    return tmp_path / "kept" / "looms.json"


def planned(capsys, *words):
    run_plan(*words, "--json")
    return json.loads(capsys.readouterr().out)


def test_whole_plan_as_json(capsys):
    got = planned(capsys, *WHOLE)
    assert got["schema"] == "pickglass.plan/1"
    assert got["ends"]["count"] == 484
    assert got["warp"]["length_mm"] / 25.4 == pytest.approx(112.889, abs=1e-3)
    assert sum(line["length_mm"] for line in got["yarn"] if line["role"] == "weft") / 914.4 == pytest.approx(
        966.18, abs=0.01
    )
    assert got["heddle"]["per_cm"] == pytest.approx(20 / 2.54)


def test_text_is_short_and_names_what_is_general(capsys):
    run_plan(*BY_HAND)
    out = capsys.readouterr().out
    assert "The next warp" in out
    assert "general" in out
    assert "tensile test" in out
    assert max(map(len, out.splitlines())) <= 110


@pytest.mark.parametrize(
    ("width", "length", "told"),
    [
        ("50cm", "1.8m", ("50.0 cm (19.7 in)", " picks/cm (", "ends per cm", "g (", "m (")),
        ("508 mm", "72in", ("50.8 cm (20.0 in)", "7.9/cm (20.0/in)", "picks per cm", "39/10cm", "g (")),
        (
            "20in",
            "1.8m",
            ("20.0 in (50.8 cm)", "20.0/in (7.9/cm)", "picks per inch", "10.0/in (39/10cm)", "oz ("),
        ),
    ],
)
def test_the_unit_of_the_wish_comes_first(capsys, tmp_path, width, length, told):
    # On the screen, on the sheet and in the report; the document keeps its units in the names of its figures.
    words = ("--width", width, "--length", length, "--sett", "20/in", "--picks", "18/in", "--heddle", "10/in")
    words = (*words, "--warp-yarn", "cotton 8/2", "--draw-in", "8%", "--shrink-width", "10%")
    pages = [tmp_path / "sheet.html", tmp_path / "report.html"]
    run_plan(*words, "--sheet", pages[0], "--report", pages[1])
    out = capsys.readouterr().out + pages[1].read_text(encoding="utf-8").replace("\u00a0", " ")
    for part in told:
        assert part in out
    other = " in (" if width != "20in" else " cm ("
    for text in (out, pages[0].read_text(encoding="utf-8")):
        assert other not in text
    document = planned(capsys, *words)
    assert document["heddle"]["per_inch"] == pytest.approx(20.0)
    assert any(factor["unit"] == "per inch" for factor in document["factors"])


def test_band_from_a_finished_sample_keeps_its_threads(capsys, tmp_path):
    sample = save(tmp_path / "s.json", SETT)
    wash = save(tmp_path / "w.json", SHRINKAGE)
    got = planned(capsys, "--sample", sample, "--shrinkage", wash, "--width", "2in", "--length", "1m")
    # 49 ends gave 23 mm; every end more adds the spacing of the middle, 25.4 / 52 mm; threads do not shrink away.
    assert got["ends"]["exact"] == pytest.approx(49 + (50.8 - 23.0) * 52 / 25.4)
    assert got["heddle"]["width_mm"] is None
    assert got["off_loom"]["length_mm"] == pytest.approx(1000 / 0.92)
    assert got["off_loom"]["width_mm"] == pytest.approx(50.8 / 0.96)
    assert {f["name"]: f["origin"] for f in got["factors"]}["shrinkage of the width"] == "measured"
    # U95 of the finished width: 0.6 of 52 on all the ends, and the sample's own width and count, 1 mm and 1 end.
    body = got["ends"]["count"] * 25.4 / 52
    assert got["finished"]["width_u95_mm"] == pytest.approx(
        math.hypot(body * 0.6 / 52, 1.0, 25.4 / 52), rel=1e-3
    )


def test_the_sampler_woven_again_takes_its_own_ends(capsys, tmp_path):
    sample = save(tmp_path / "s.json", SETT)
    assert planned(capsys, "--sample", sample, "--width", "23mm", "--length", "1m")["ends"]["count"] == 49


def test_a_sample_without_its_width_is_planned_by_ends_over_width(capsys, tmp_path):
    sample = save(tmp_path / "s.json", SETT | {"sample": {"width_mm": None}})
    got = planned(capsys, "--sample", sample, "--width", "2in", "--length", "1m")
    assert got["ends"]["exact"] == pytest.approx(108)  # 54 per inch


def test_unwashed_sample_needs_more_ends(capsys, tmp_path):
    sample = save(tmp_path / "s.json", SETT)
    words = ("--sample", sample, "--width", "2in", "--length", "1m", "--shrink-width", "4%")
    finished = planned(capsys, *words)["ends"]["exact"]
    off_loom = planned(capsys, *words, "--sample-is", "off-loom")["ends"]["exact"]
    # The wish is 50.8 mm finished, 50.8 / 0.96 mm off the loom, and the sample's 23 mm are 49 ends in either state.
    assert finished == pytest.approx(49 + (50.8 - 23.0) * 52 / 25.4)
    assert off_loom == pytest.approx(49 + (50.8 / 0.96 - 23.0) * 52 / 25.4)


def test_wide_cloth_uses_the_middle_of_the_sample(capsys, tmp_path):
    wide = SETT | {"weave": {"face": "balanced"}, "sample": {"width_mm": 300.0}}
    got = planned(capsys, "--sample", save(tmp_path / "s.json", wide), "--width", "10in", "--length", "1m")
    assert got["ends"]["exact"] == pytest.approx(520)
    assert got["heddle"]["width_mm"] > 254


def test_saved_colour_order_is_used_and_unsure_ends_named(capsys, tmp_path):
    colours = {"order": "4 navy, 2 cream, 4 navy", "palette": {"navy": "#112244"}, "unsure_ends": [5]}
    sample = save(tmp_path / "s.json", SETT | {"colour_order": colours})
    got = planned(capsys, "--sample", sample, "--width", "5mm", "--length", "1m")
    assert got["ends"]["order"] == "4 navy, 2 cream, 4 navy"
    assert got["ends"]["symmetry"] == "symmetric"
    assert any(m["code"] == "colours-unsure" and "5" in m["text"] for m in got["messages"])


@pytest.mark.parametrize("order", ["49 cream", "6 (6 cream 2 rust), 1 cream"])
def test_the_order_of_a_sample_fills_the_width_wished(capsys, tmp_path, order):
    saved = SETT | {"colour_order": {"order": order, "palette": {}, "unsure_ends": []}}
    got = planned(capsys, "--sample", save(tmp_path / "s.json", saved), "--width", "23cm", "--length", "1m")
    assert got["ends"]["count"] == pytest.approx(49 + 207 * 52 / 25.4, abs=4.5)  # half a repeat
    assert got["finished"]["width_mm"] == pytest.approx(230, abs=2.5)


def test_warp_that_is_for_no_piece_is_told(capsys, tmp_path):
    report = tmp_path / "r.html"
    run_plan(*BY_HAND, "--waste", "20in", "--report", report)
    told = "12.0 in (30.5 cm) for a sampler first and 20.0 in (50.8 cm) loom waste"
    assert f"in it {told}" in capsys.readouterr().out
    assert told in report.read_text(encoding="utf-8").replace("\u00a0", " ")
    run_plan(*BY_HAND, "--waste", "20in", "--sampling", "0in")
    assert "sampler first" not in capsys.readouterr().out


def test_an_order_nobody_gave_is_called_the_samples(capsys, tmp_path):
    colours = {"order": "4 navy, 2 cream, 4 navy", "palette": {}, "unsure_ends": []}
    sample = save(tmp_path / "s.json", SETT | {"colour_order": colours})
    run_plan("--sample", sample, "--width", "2in", "--length", "1m")
    out = " ".join(capsys.readouterr().out.split())
    assert "the sample's own colour order has 10. Give --order" in out
    assert "What stands in [ ]" not in out
    run_plan("--sample", sample, "--width", "2in", "--length", "1m", "--order", "8 red")
    out = " ".join(capsys.readouterr().out.split())
    assert "the colour order has 8. What stands in [ ]" in out
    assert re.search(r"The width alone asks for \d+ ends", out)
    assert re.search(r"finish \d+ mm \(\d\.\d in\) narrower", out)


def test_unsure_ends_are_marked_only_in_the_same_order(capsys, tmp_path):
    saved = SETT | {
        "colour_order": {"order": "6 (6 cream 2 rust), 1 cream", "palette": {}, "unsure_ends": [7]}
    }
    sample, table = save(tmp_path / "s.json", saved), tmp_path / "t.csv"
    for width, marked in (("23mm", 1), ("60mm", 0)):
        run_plan(*("--sample", sample, "--width", width, "--length", "1m", "--csv", table, "--overwrite"))
        assert table.read_text(encoding="utf-8-sig").count("colour unsure") == marked
    assert "unsure" in capsys.readouterr().out


def test_loom_waste_is_remembered(capsys, memory):
    planned(capsys, *BY_HAND, "--loom", "kitchen", "--waste", "50cm")
    assert json.loads(memory.read_text())["waste_mm"] == {"kitchen": 500.0}
    got = planned(capsys, *BY_HAND, "--loom", "kitchen")
    waste = next(f for f in got["factors"] if f["name"] == "loom waste")
    assert waste["value"] == 500
    with pytest.raises(UsageError, match="kitchen") as caught:
        run_plan(*BY_HAND, "--loom", "attic")
    assert caught.value.code == "unknown-loom"


def test_damaged_loom_list_is_not_overwritten(memory):
    memory.parent.mkdir()
    memory.write_text("not json")
    with pytest.raises(UsageError) as caught:
        run_plan(*BY_HAND, "--loom", "kitchen", "--waste", "50cm")
    assert caught.value.code == "loom-file-damaged"
    assert memory.read_text() == "not json"


def test_first_sett_is_marked_as_a_starting_point(capsys):
    got = planned(capsys, *WISH, "--warp-yarn", "3360 yd/lb")
    # Ashenhurst, plain: 0.8 * 52.17 / 2 = 20.87 ends per inch.
    assert got["sett_to_sample"]["start_per_inch"] == pytest.approx(20.868, abs=1e-3)
    assert "starting point" in got["sett_to_sample"]["caution"]
    run_plan(*WISH, "--wraps", "30/in", "--weave", "twill 2/2")
    assert "Sett to sample first: 20.0 ends per inch" in capsys.readouterr().out


def test_a_warp_faced_band_is_given_more_take_up(capsys):
    # In a band the ends do all the bending, so until it is measured more of the warp's length must be allowed for.
    words = ("--width", "20mm", "--length", "1m", "--sett", "50/in", "--picks", "10/in")
    found = []
    for kind in ("--band", "--cloth"):
        factors = planned(capsys, *words, kind)["factors"]
        found.append(next(f for f in factors if f["name"] == "take-up"))
    assert found[0]["value"] > found[1]["value"]
    assert {f["origin"] for f in found} == {"prior"}


def test_the_beat_is_told_as_the_rule_shows_it_on_the_loom(capsys):
    # 18 picks off the loom; let off, the cloth shortens by 10 %, so the stretched cloth shows 18 x 0.9 = 16.2.
    run_plan(*BY_HAND, "--give", "10%")
    assert "16.2 picks/in" in capsys.readouterr().out


def test_colours_are_summed_up(capsys):
    run_plan(*BY_HAND, "--order", "[3 navy 1 white]")
    rows = [line.split() for line in capsys.readouterr().out.splitlines() if line.startswith("  warp  ")]
    ends = [int(row[row.index("ends") - 1]) for row in rows]
    assert len(ends) == 3
    assert ends[2] == ends[0] + ends[1]


def test_the_end_added_for_parity_does_not_hide_the_symmetry(capsys):
    run_plan(*BY_HAND, "--order", "4 navy, [6 cream 2 rust], 6 cream, 4 navy", "--count", "odd")
    assert "but for the end added at the right" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--weave", "lace"), "lace"),
        (("--wraps", "many"), "many"),
        (("--sample", ""), "is not a file"),
        (("--shrinkage", ""), "is not a file"),
        (("--title", "  "), "no line of words"),
        (("--order", "½"), "neither a whole number nor a colour"),
    ],
)
def test_inputs_are_checked_even_where_they_decide_nothing(words, told):
    with pytest.raises(UsageError) as caught:
        run_plan(*BY_HAND, *words)
    assert told in caught.value.problem


def test_heddles_on_hand(capsys):
    got = planned(capsys, *WHOLE, "--heddle", "40/10cm", "--heddle", "50/10cm")
    nearest = got["heddles_on_hand"][0]
    assert nearest["heddle_per_inch"] == pytest.approx(2 * 40 * 0.254)
    assert nearest["ends_per_opening"] == 2


def test_files_are_written_once(tmp_path, capsys):
    names = [tmp_path / "w.html", tmp_path / "w.csv", tmp_path / "w.png"]
    words = (
        *BY_HAND,
        "--order",
        "[2 red 1 white]",
        "--sheet",
        names[0],
        "--csv",
        names[1],
        "--preview",
        names[2],
    )
    run_plan(*words)
    assert all(name.stat().st_size > 500 for name in names)
    with pytest.raises(UsageError) as caught:
        run_plan(*words)
    assert caught.value.code == "file-exists"
    run_plan(*words, "--overwrite")
    rows = list(csv.reader(names[1].read_text(encoding="utf-8-sig").splitlines()))
    assert rows[1] == ["1", "red", "slot", ""]
    assert rows[2] == ["2", "red", "hole", ""]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx"])
def test_cells_cannot_become_formulas(text):
    assert safe_cell(text) == "'" + text
    assert safe_cell("red") == "red"


def test_options_name_what_the_tables_hold():
    assert set(plan_command.FIBRES) == set(FIBRES)
    assert set(plan_command.LOOMS) == set(LOOMS)


LENGTHS = ("--width", "--length", "--fringe", "--gap", "--sampling", "--waste")
LOSSES = ("--shrink-width", "--shrink-length", "--draw-in", "--take-up", "--give", "--weft-crimp")
DENSITIES = ("--sett", "--picks", "--heddle")


@pytest.mark.parametrize(
    ("option", "value"),
    [
        (o, v)
        for o in LENGTHS
        for v in ("-5in", "nan in", "inf mm", "1e9 m", "5", "", "5 furlongs", "1/0 in", "99km")
    ]
    + [
        (o, v)
        for o in LOSSES
        for v in ("-5%", "nan%", "100%", "75%", "8", "8%±90", "1in to 5 in", "0in to 0in", "")
    ]
    + [(o, v) for o in DENSITIES for v in ("-5/in", "0/in", "nan/in", "20", "999/in", "20/0in", "20/parsec")]
    + [("--pieces", v) for v in ("0", "-1", "1.5", "nan", "1000")]
    + [("--selvedge-ends", v) for v in ("-1", "41", "x")]
    + [
        ("--warp-yarn", v)
        for v in ("", "cotton", "cotton -8", "tex 0", "10 m weighs -2 g", "10 m weighs nan g")
    ]
    + [("--order", v) for v in ("", "8", "red)", "0 red", "-3 red")]
    + [("--colour", v) for v in ("red", "red=blue", "red=#12345", "=#112233")]
    + [("--weave", "lace"), ("--wraps", "-3/in"), ("--loom", " "), ("--title", "x" * 81)],
)
def test_nothing_absurd_passes(option, value):
    words = [*BY_HAND, option, value]
    if option == "--loom":
        words += ["--waste", "50cm"]
    if option in ("--weave", "--wraps"):
        words = [*WISH, "--warp-yarn", "cotton 8/2", option, value]
    with pytest.raises(UsageError) as caught:
        run_plan(*words)
    assert caught.value.problem.endswith((".", "?"))
    assert caught.value.next_step.strip()


@pytest.mark.parametrize(
    "change",
    [
        {"schema": "something/1"},
        {"verdict": "unsure"},
        {"verdict": "refused"},
        {"ends": {"per_inch": None}},
        {"ends": {"per_inch": "20"}},
        {"ends": 7},
        {"picks": {"per_inch": True}},
        {"picks": {"per_inch": -3.0, "u95_per_inch": 0.1}},
        {"picks": {"per_inch": 1e6, "u95_per_inch": 0.1}},
        {"ends": {"per_inch": 20.0, "u95_per_inch": 1e9}},
    ],
)
def test_bad_samples_are_refused(tmp_path, change):
    sample = save(tmp_path / "s.json", SETT | change)
    with pytest.raises(UsageError):
        run_plan("--sample", sample, "--width", "2in", "--length", "1m")


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", b"[1]", b"{", b"null", b"[" * 5000])
def test_files_that_are_no_measurement(tmp_path, content):
    path = tmp_path / "s.json"
    path.write_bytes(content)
    with pytest.raises(UsageError) as caught:
        run_plan("--sample", path, "--width", "2in", "--length", "1m")
    assert "pickglass sett" in caught.value.next_step
    with pytest.raises(UsageError):
        run_plan(*BY_HAND, "--shrinkage", path)


def test_growth_in_the_wash_is_a_negative_loss(tmp_path, capsys):
    grown = SHRINKAGE | {"weftwise": {"change_percent": 3.0, "u95_percent": 1.0}}
    got = planned(capsys, *BY_HAND, "--shrinkage", save(tmp_path / "w.json", grown))
    assert got["off_loom"]["width_mm"] == pytest.approx(508 / 1.03)


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ((*WISH,), "no-sett"),
        ((*WISH, "--band"), "no-sett"),
        ((*WISH, "--band", "--sett", "33/15mm"), "no-picks"),
        (("--sample", "missing.json", *WISH), "no-file"),
        ((*BY_HAND, "--sheet", "x.pdf"), "bad-file-name"),
    ],
)
def test_what_is_missing_is_named(words, code):
    with pytest.raises(UsageError) as caught:
        run_plan(*words)
    assert caught.value.code == code


def test_json_holds_only_finite_numbers(capsys):
    def walk(value):
        if isinstance(value, dict):
            value = value.values()
        if isinstance(value, float):
            assert math.isfinite(value)
        elif not isinstance(value, str | int | None):
            for item in value:
                walk(item)

    walk(planned(capsys, *BY_HAND, "--order", "[3 red 1 blue]", "--heddle", "10/in"))


@pytest.mark.parametrize("option", ["--sample", "--shrinkage"])
def test_nobody_is_told_to_save_a_measurement_over_a_photo(tmp_path, option):
    photo = tmp_path / "band.jpg"
    photo.write_bytes(b"\xff\xd8\xff\xe0 a photo")
    known = () if option == "--sample" else ("--sett", "20/in", "--picks", "18/in")
    with pytest.raises(UsageError) as caught:
        run_plan(option, str(photo), *known, *WISH)
    assert caught.value.code == "not-json"
    assert "> FILE.json" in caught.value.next_step
    assert "band.jpg" not in caught.value.next_step


def test_on_a_narrow_terminal_the_last_column_goes_on_below(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    rows = [
        ("draw-in", "8 ± 5 %", "general: 4–12 %"),
        ("take-up of the warp", "10 ± 6 %", "a source told at length " * 3),
    ]
    assert max(map(len, plan_text._table(rows, 60))) > 60  # a pipe keeps a row on its line
    monkeypatch.setattr(sys, "stdout", Terminal())
    lines = "\n".join(plan_text._table(rows, 60)).splitlines()
    assert max(map(len, lines)) <= 60
    assert lines[0].split() == ["draw-in", "8", "±", "5", "%", "general:", "4–12", "%"]
