"""The words and the JSON of `pickglass sett`, from a measurement made up for the purpose."""

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pickglass.calibration.notices import Notice
from pickglass.calibration.photo import Photo
from pickglass.calibration.plane import scaling_plane
from pickglass.cli.main import main
from pickglass.cli.sett_json import dump, refusal_document, sett_document
from pickglass.cli.sett_text import explain_text, headline, sett_text

from .fakes import fake_plane, fake_result


def test_a_way_of_the_warp_that_is_only_assumed_is_told():
    result = fake_result()
    assert "--warp across" not in sett_text(result, fake_plane())
    assumed = replace(result, sample=replace(result.sample, warp_from="photo"))
    text = sett_text(assumed, fake_plane())
    assert "warp    taken to run down the photo; if it runs across, add --warp across" in text
    assert sett_document(assumed, fake_plane())["sample"]["warp_from"] == "photo"


def test_table_rounds_by_the_uncertainty_and_names_units():
    text = sett_text(fake_result(), fake_plane())
    assert "garden-band.jpg: measured" in text
    assert "40.6 ± 0.3" in text
    assert "11.96 ± 0.08" in text
    assert "per inch" in text
    assert "per cm" in text
    assert "30.77 ± 0.28 mm" in text
    assert "plain, repeat 2 × 2; warp-faced" in text
    assert "bank card, sure to 0.5 %, phone tilted by 6°" in text
    assert "Note: The lens bends straight lines" in text
    assert all(len(line) <= 100 for line in text.splitlines())


@pytest.mark.parametrize(("u95", "shown"), [(None, "48"), (0.3, "48"), (0.5, "48 ± 1"), (1.9, "48 ± 2")])
def test_a_doubtful_count_is_said_to_be_doubtful(u95, shown):
    result = fake_result()
    text = sett_text(replace(result, ends=replace(result.ends, count_u95=u95)), fake_plane())
    ends = next(line for line in text.splitlines() if "ends (warp)" in line)
    assert ends.endswith(f" {shown}")


def test_unsure_lists_both_readings_and_what_to_do():
    text = sett_text(fake_result(verdict="unsure"), fake_plane())
    assert "The picks can be read as 11.96 or as 23.92 per inch" in text
    assert "in more than one way" not in text  # said once, with figures
    assert "What to do: " in text
    assert "--weave" in text
    assert headline(fake_result(verdict="unsure")).startswith("unsure: ")


def test_no_number_has_more_digits_than_its_doubt_supports():
    result = fake_result()
    counted = replace(result, ends=replace(result.ends, count_u95=1.9))
    text = sett_text(counted, fake_plane())
    # 39.7 x sqrt((1.9 / 48)^2 + (0.28 / 30.77)^2) = 1.61
    assert "all ends over the full width: 39.7 ± 1.6 per inch" in text
    document = sett_document(counted, fake_plane())
    assert document["ends"]["across_width_u95_per_inch"] == pytest.approx(1.61, abs=0.01)

    none = {"per_inch": None, "per_cm": None, "u95_per_inch": None, "across_width_per_inch": None}
    bare = replace(result, ends=replace(result.ends, **none), picks=replace(result.picks, **none))
    line = next(
        line for line in sett_text(bare, scaling_plane(1.0, "none")).splitlines() if "ends (warp)" in line
    )
    assert line.split()[2:] == ["160.0", "±", "1.0", "6.25", "±", "0.04", "48"]  # 0.6 % of each


def doubted(*notices: Notice, **of_result: Any) -> str:
    return sett_text(replace(fake_result(), verdict="unsure", notices=notices, **of_result), fake_plane())


def test_what_may_not_be_woven_is_not_answered_by_a_hint():
    text = doubted(Notice("woven-unsure", "It is not clear that this is woven.", doubt=True))
    assert text.count("It is not clear that this is woven.") == 1
    assert "knitted" in text
    assert "--expect" not in text
    assert "--weave" not in text


def test_a_contradiction_is_said_once_with_its_figures_before_what_to_do():
    text = doubted(
        Notice("ends-outside-expectation", "You expected 20 to 30 ends per inch; the cloth shows 13.9."),
        Notice("hint-contradicted", "What you told and what the photo shows do not agree.", doubt=True),
    )
    assert "do not agree" not in text
    assert "Note: You expected" not in text
    assert text.index("You expected 20 to 30") < text.index("What to do: Count one inch by eye; correct")


def test_only_what_is_in_doubt_is_asked_for():
    text = doubted(Notice("picks-unsure", "The picks can be read in more than one way.", doubt=True))
    assert "--expect-picks" in text
    assert "--expect-ends" not in text
    assert "--ends-warped" not in text


def test_without_scale_nobody_is_asked_to_count_pixels_by_eye():
    none = {"per_inch": None, "per_cm": None, "u95_per_inch": None, "across_width_per_inch": None}
    result = fake_result()
    text = doubted(
        Notice("ends-unsure", "The ends can be read in more than one way.", doubt=True),
        ends=replace(result.ends, **none),
        picks=replace(result.picks, **none),
    )
    assert "1000 pixels by eye" not in " ".join(text.split())
    assert "per 1000 pixels" in " ".join(text.split())


def test_without_scale_nothing_is_said_per_inch():
    result = fake_result()
    none = {"per_inch": None, "per_cm": None, "u95_per_inch": None, "across_width_per_inch": None}
    bare = replace(
        result,
        ends=replace(result.ends, **none),
        picks=replace(result.picks, **none),
        sample=replace(result.sample, width_mm=None, width_u95_mm=None, length_mm=None),
    )
    plane = scaling_plane(1.0, "none")
    text = sett_text(bare, plane)
    assert "per 1000 px" in text
    assert "160.0" in text
    assert "nothing can be said per inch" in text
    document = sett_document(bare, plane)
    assert document["ends"]["per_inch"] is None
    assert document["ends"]["per_1000_px"] == 160.0
    assert set(document["scale"].values()) == {None}


def test_explain_names_every_source_and_the_sum():
    text = explain_text(fake_result(), fake_plane())
    assert "card edges" in text
    assert "0.30 %" in text  # 2 x 0.15 %
    assert "0.50 %" in text  # 2 x sqrt(0.15^2 + 0.20^2) %
    assert "uneven spacing" in text


CONTRACT = {
    "": {"schema", "photo", "verdict", "messages", "scale", "ends", "picks", "weave", "sample"},
    "scale": {"source", "px_per_mm", "u95_percent", "tilt_deg"},
    "ends": {
        "per_inch",
        "per_cm",
        "u95_per_inch",
        "per_1000_px",
        "count",
        "across_width_per_inch",
        "alternatives_per_inch",
    },
    "picks": {"per_inch", "per_cm", "u95_per_inch", "per_1000_px", "count", "alternatives_per_inch"},
    "weave": {"name", "repeat_ends", "repeat_picks", "face"},
    "sample": {"width_mm", "length_mm", "outline_px"},
}


@pytest.mark.parametrize("refused", [False, True])
def test_document_has_every_key_scripts_rely_on(refused):
    document = refusal_document("a.jpg", "x", "y") if refused else sett_document(fake_result(), fake_plane())
    back = json.loads(dump(document))
    for part, keys in CONTRACT.items():
        assert keys <= set(back if part == "" else back[part])
    assert "across_width_per_inch" not in back["picks"]


def test_document_says_what_the_result_says():
    back = json.loads(dump(sett_document(fake_result(), fake_plane())))
    assert back["scale"]["source"] == "bank-card"
    assert back["scale"]["px_per_mm"] == pytest.approx(10.0, rel=1e-9)
    assert back["scale"]["u95_percent"] == pytest.approx(0.5)
    assert back["ends"]["count"] == 48
    assert back["sample"]["outline_px"][0] == [100.0, 80.0]
    assert back["messages"] == [
        {"code": "lens-unknown", "text": "The lens bends straight lines a little; the doubt is counted."}
    ]


def test_numbers_that_json_lacks_become_null():
    assert json.loads(dump({"a": math.nan, "b": [math.inf, 1.5], "c": {"d": -math.inf}})) == {
        "a": None,
        "b": [None, 1.5],
        "c": {"d": None},
    }


def test_document_survives_any_file_name():
    assert json.loads(dump({"photo": "caf\udce9 \u202e.jpg"}))["photo"] == "caf\udce9 \u202e.jpg"


@dataclass(frozen=True)
class FakeMeasurement:
    result: Any
    plane: Any
    quality: Any = None


@pytest.mark.parametrize(("verdict", "code"), [("measured", 0), ("unsure", 3)])
@pytest.mark.parametrize("as_json", [False, True])
def test_exit_code_follows_the_verdict(capsys, monkeypatch, verdict, code, as_json):
    photo = Photo(bgr=np.zeros((64, 64, 3), np.uint8), name="garden-band.jpg")
    measurement = FakeMeasurement(fake_result(verdict=verdict), fake_plane())
    monkeypatch.setattr("pickglass.cli.pipeline.measure_photo", lambda *a, **k: (photo, measurement))
    # The invented measurement has no picture whose colours could be read.
    monkeypatch.setattr(
        "pickglass.cli.sett_json.measurement_document", lambda m: sett_document(m.result, m.plane)
    )
    with pytest.raises(SystemExit) as leaving:
        main(["sett", "garden-band.jpg", "--explain", *(["--json"] if as_json else [])])
    out, err = capsys.readouterr()
    assert leaving.value.code == code
    if as_json:
        assert json.loads(out)["verdict"] == verdict
        assert "card edges" in err
    else:
        assert f"garden-band.jpg: {verdict}" in out
        assert err == ""


def test_json_of_a_real_photo_keeps_the_colour_order(capsys):
    photo = Path(__file__).parents[2] / "sample_images" / "wash_before.jpg"
    truth = json.loads(photo.with_suffix(".json").read_text())
    with pytest.raises(SystemExit) as leaving:
        main(["sett", str(photo), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert leaving.value.code == 0
    assert document["ends"]["per_inch"] == pytest.approx(truth["epi_centre"], rel=0.015)
    assert len(document["colour_order"]["ends"]) == document["ends"]["count"]
