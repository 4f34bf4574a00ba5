"""The accuracy table must not flatter: what it counts, and against what."""

import csv
import json
import subprocess
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from accuracy.cases import load_cases
from accuracy.conditions import CONDITIONS, condition_rows, confident_and_wrong, reduced, tilted
from accuracy.judge import DirectionScore, PhotoScore, judge
from accuracy.open_pictures import HALVES, SOURCES, half_of, lay_out, unpack
from accuracy.table import as_document, photo_rows, render, summary_rows

from pickglass.calibration.errors import SampleError
from pickglass.calibration.photo import Photo, load_photo
from pickglass.calibration.scale import find_scale


def score(verdict="measured", error=0.0, u95=1.0, count=40) -> PhotoScore:
    reading = None if verdict == "refused" else 20.0 * (1 + error / 100)
    direction = DirectionScore(truth=20.0, reading=reading, u95_percent=u95, true_count=40, count=count)
    return PhotoScore(name="a", group="easy", woven=True, verdict=verdict, ends=direction, picks=direction)


def summary_of(*scores: PhotoScore) -> dict[str, str]:
    header, row, *_ = summary_rows(scores)
    return dict(zip(header, row, strict=True))


def test_a_refusal_counts_against_the_share():
    row = summary_of(score(), score("refused", count=None))
    assert row["within 1 %"] == "50 % (2/4)"
    assert row["refused"] == "2"
    assert row["ends exact"] == "50 % (1/2)"


def test_wrong_and_measured_is_listed_and_unsure_is_not():
    row = summary_of(score(error=6.0), score("unsure", error=50.0), score(error=-4.0), score(error=1.2))
    assert (row["wrong > 3 %"], row["wrong > 5 %"], row["unsure"]) == ("4", "2", "2")
    assert row["1.5 %"] == "25 % (2/8)"
    assert summary_of(score("unsure", error=1.4), score("refused"))["1.5 % with unsure"] == "50 % (2/4)"


def test_coverage_and_counts():
    row = summary_of(score(error=0.5), score(error=1.5, count=41), score(error=-1.5, count=43))
    assert row["inside 95 %"] == "33 % (2/6)"
    assert row["ends exact"] == "33 % (1/3)"
    assert row["picks ± 1"] == "67 % (2/3)"


def test_a_doubtful_truth_widens_the_interval():
    sure = DirectionScore(truth=100.0, reading=102.0, u95_percent=1.0)
    assert not sure.inside
    assert replace(sure, truth_u95_percent=2.0).inside  # hypot(1, 2) % = 2.24 %


def test_table_shows_each_direction_and_renders_as_markdown():
    lines = render(photo_rows([score(error=2.0)]), markdown=True).splitlines()
    assert len(lines) == 4
    assert "+2.00 %" in lines[2]
    assert "NO" in lines[2]
    assert lines[1].startswith("|--")
    assert json.dumps(as_document([score(), replace(score("refused"), woven=False)]))


def write_scene(tmp_path) -> None:
    truth = {
        "name": "band",
        "kind": "woven",
        "difficulty": "easy",
        "weave": "warp_faced",
        "ends_total": 40,
        "picks_visible": 70,
        "epi": 41.0,
        "epi_centre": 40.0,
        "ppi": 12.0,
        "width_mean_mm": 25.0,
        "length_visible_mm": 30.0,
        "dpi": 300,
        "whole_sample_in_frame": True,
        "pick_axis_px": [[0, 0], [50, 10], [100, 20]],
    }
    (tmp_path / "band.json").write_text(json.dumps(truth))
    (tmp_path / "band.jpg").write_bytes(b"")
    (tmp_path / "other.json").write_text("{}")  # no photo beside it


def test_cases_of_a_folder_of_scenes(tmp_path):
    write_scene(tmp_path)
    (case,) = load_cases(tmp_path)
    assert (case.ends.density, case.ends.count, case.picks.count, case.weave) == (40.0, 40, 70, "plain")
    assert case.request.scan
    assert case.request.warp == "across"


def test_cases_counted_by_hand(tmp_path):
    fields = [
        "file",
        "crop_xywh",
        "threads_across_x",
        "span_x_px",
        "tolerance_percent_x",
        "threads_across_y",
        "span_y_px",
    ]
    with (tmp_path / "truth.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, fields)
        writer.writeheader()
        writer.writerow(dict(zip(fields, ["a.png", "1,2,30,40", "26.05", "200", "1.5", "", ""], strict=True)))
    (case,) = load_cases(tmp_path)
    assert case.picks is None
    assert case.ends.density == pytest.approx(130.25)
    assert case.ends.allowed_percent == pytest.approx(100 / 26)
    assert case.ends.u95_percent == 1.5
    assert case.request.area_px is None  # the picture in the folder is the crop already
    assert case.request.no_scale


def test_an_empty_folder_is_said_to_be_empty(tmp_path):
    with pytest.raises(FileNotFoundError, match="holds no photo"):
        load_cases(tmp_path)


@pytest.mark.parametrize(
    ("error", "verdict"), [(SampleError("no-cloth", "a", "b"), "refused"), (ValueError("x"), "broken")]
)
def test_whatever_happens_the_photo_is_in_the_table(monkeypatch, tmp_path, error, verdict):
    def measure_photo(*args):
        raise error

    monkeypatch.setattr("accuracy.judge.measure_photo", measure_photo)
    write_scene(tmp_path)
    (case,) = load_cases(tmp_path)
    assert judge(case).verdict == verdict
    assert judge(case).ends.reading is None


@pytest.mark.slow
def test_open_pictures_of_other_surfaces_are_refused_and_the_tissue_is_counted(tmp_path):
    try:
        unpack(tmp_path, SOURCES["painting"].packages)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("no Debian registry to fetch the pictures from")
    lay_out(tmp_path, SOURCES["painting"], tmp_path / "cases")
    scores = [judge(case) for case in load_cases(tmp_path / "cases")]
    assert len(scores) > 50
    assert [s.name for s in scores if not s.woven and s.verdict == "measured"] == []
    (tissue,) = [s for s in scores if s.woven]
    assert tissue.verdict == "measured"
    assert abs(tissue.ends.reading / tissue.ends.truth - 1) < 0.015
    assert abs(tissue.picks.reading / tissue.picks.truth - 1) < 0.015


def test_open_pictures_fall_into_halves_by_series(tmp_path):
    assert half_of("tex_roof003") == half_of("tex_roof010")
    names = [f"roof_{letter}{number}" for letter in "abcdef" for number in "12"]
    folder = tmp_path / "pak.pk3" / "textures" / "walls"
    folder.mkdir(parents=True)
    noise = np.random.default_rng(0).integers(0, 256, (220, 220, 3)).astype(np.uint8)
    for name in (
        *names,
        "roof_a1_norm",
        "sky",
    ):  # a map that goes with a picture, and what the set does not want
        cv2.imwrite(str(folder / f"{name}.png"), noise)
    laid = {}
    for half in HALVES:
        lay_out(tmp_path, replace(SOURCES["tempting"], every=1), tmp_path / half, half)
        laid[half] = {case.path.stem for case in load_cases(tmp_path / half)}
    both = set().union(*laid.values())
    assert both == {f"textures_walls_{name}" for name in names}
    assert sum(map(len, laid.values())) == len(both)
    assert all(half_of(name) == half for half in HALVES for name in laid[half])
    assert all(laid.values())


def test_conditions_keep_the_truth():
    """A card's corners lie after the tilt where the tilted camera would see them; the other changes move nothing."""
    rng = np.random.default_rng(0)
    photo = Photo(bgr=rng.integers(0, 256, (300, 400, 3)).astype(np.uint8), name="a", focal_length_35mm=26.0)
    for name, change in CONDITIONS.items():
        if change is tilted:  # needs a card
            continue
        changed = change(photo)
        wanted = (150, 200) if name == "half resolution" else (300, 400)
        assert changed.bgr.shape[:2] == wanted
        assert changed.bgr.dtype == np.uint8
    assert reduced(replace(photo, dpi=600.0), factor=0.5).dpi == 300.0


def test_a_tilt_is_one_of_twenty_degrees():
    """Reference: the product's own reading of tilt from the card of a demo photo, taken nearly level."""
    path = Path(__file__).parents[2] / "sample_images" / "page_card_checked.jpg"
    level = load_photo(path)
    before, after = find_scale(level), find_scale(tilted(level))
    assert before.tilt_deg is not None
    assert before.tilt_deg < 10.0
    assert after.tilt_deg is not None
    assert after.tilt_deg == pytest.approx(20.0, abs=0.5)


def test_confident_and_wrong_is_named():
    scores = [score(error=6.0), score("unsure", error=50.0), replace(score(), woven=False)]
    assert confident_and_wrong(scores) == [
        "easy: a: ends +6.0 %",
        "easy: a: picks +6.0 %",
        "easy: a: measured, but not woven",
    ]
    header, row = condition_rows(scores)
    assert dict(zip(header, row, strict=True))["wrong > 3 %"] == "2"
