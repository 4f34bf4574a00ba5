"""Sewn marks found in photos: crosses of contrasting thread drawn at the same crossings of threads before and after a wash."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from pickglass.calibration.photo import load_photo
from pickglass.cli.pipeline import Request, measure_loaded
from pickglass.measure.bench_marks import change_of_marks, find_marks, match_marks
from pickglass.measure.common_stretch import find_common
from pickglass.measure.sett import SettMeasurement
from pickglass.measure.shrinkage import compare_sizes

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
# Ends and picks that the marks are sewn over, counted from the first and from the last.
CROSSINGS = ((5, 6), (-6, 6), (5, -7), (-6, -7), (22, 28))
GREEN = (40, 160, 40)


def with_marks(name: str, turned: bool) -> SettMeasurement:
    """Return the photo measured again with a cross of two stitches, some 3 mm wide, at every crossing."""
    photo = load_photo(SAMPLES / f"{name}.jpg")
    plain = measure_loaded(photo, Request())
    bgr = photo.bgr.copy()
    ends, picks, patch = plain.tracks.ends.positions_px, plain.tracks.picks.positions_px, plain.patch
    for end, pick in CROSSINGS:
        if turned:  # the sample lies the other way round, so the same threads are counted from the other side
            end, pick = -1 - end, -1 - pick
        at = (
            patch.u0_mm + ends[end] / patch.px_per_mm,
            patch.v0_mm + picks[pick] / patch.px_per_mm,
        )
        x, y = plain.plane.to_px(patch.frame.to_plane(np.array([at])))[0]
        reach = round(1.6 * plain.plane.px_per_mm_at(patch.frame.to_plane(np.array([at]))[0]))
        for lean in (-1, 1):
            tips = [(round(x + k * reach), round(y + k * lean * reach / 2)) for k in (-1, 1)]
            cv2.line(bgr, *tips, tuple(c // 2 for c in GREEN), 6, cv2.LINE_AA)
            cv2.line(bgr, *tips, GREEN, 4, cv2.LINE_AA)
    return measure_loaded(replace(photo, bgr=bgr), Request())


@pytest.mark.parametrize(("after", "turned"), [("wash_after_second", False), ("wash_after_third", True)])
def test_marks_tell_the_change_beside_the_threads(after: str, turned: bool) -> None:
    photos = [with_marks("wash_before", False), with_marks(after, turned)]
    spots = [find_marks(measurement) for measurement in photos]
    assert [len(found) for found in spots] == [5, 5]
    pair = match_marks(*spots)
    assert pair is not None
    marks = change_of_marks(*pair)
    size = compare_sizes(*photos, marks=marks, common=find_common(*photos))
    truth = json.loads((SAMPLES / f"{after}.json").read_text())["pair"]["shrinkage"]
    for way, key in (("warpwise", "warp_percent"), ("weftwise", "weft_percent")):
        change = size.by_method["marks"][way]
        assert abs(change.change_percent + truth[key]) < min(0.6, change.u95_percent)
    assert size.verdict == "measured"
