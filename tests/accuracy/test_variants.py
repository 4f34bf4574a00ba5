"""A cloth shown otherwise: does the truth change with the picture?"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from accuracy.cases import Case, DirectionTruth
from accuracy.judge import DirectionScore, PhotoScore
from accuracy.variants import VARIANTS, true_of, variant_rows

CASE = Case(
    path=Path("cloth.png"),
    group="counted by hand",
    woven=True,
    ends=DirectionTruth(density=100.0),
    picks=DirectionTruth(density=50.0),
)


def _strongest(bgr: np.ndarray, axis: int) -> int:
    """Cycles of the strongest wave along an axis, over the whole picture."""
    profile = bgr[..., 0].mean(axis=1 - axis)
    return int(np.argmax(np.abs(np.fft.rfft(profile - profile.mean()))))


@pytest.mark.parametrize("name", sorted(VARIANTS))
def test_truth_follows_the_picture(name):
    """A drawn grating of 100 ends and 50 picks in 1000 px has as many as the changed case says, to the width of a bin."""
    rows, columns = np.mgrid[:600, :800]
    waves = np.cos(2 * np.pi * columns / 10) + np.cos(2 * np.pi * rows / 20)
    drawn = np.repeat(np.uint8(127 + 50 * waves)[..., None], 3, axis=2)
    changed, case = VARIANTS[name].change(drawn), true_of(CASE, VARIANTS[name])
    for axis, truth in ((1, case.ends), (0, case.picks)):
        size = changed.shape[axis]
        assert 1000.0 * _strongest(changed, axis) / size == pytest.approx(truth.density, abs=1000.0 / size)


def test_rows_count_directions():
    def score(verdict: str, percent: float) -> PhotoScore:
        ends = DirectionScore(truth=100.0, reading=100.0 + percent, allowed_percent=2.0)
        return PhotoScore(name="cloth", group="mirrored", woven=True, verdict=verdict, ends=ends)

    scores = [score("measured", 1.0), score("measured", 3.0), score("measured", -50.0), score("unsure", 0.0)]
    scores.append(PhotoScore(name="wall", group="mirrored", woven=False, verdict="refused"))
    assert variant_rows(scores)[1] == ["mirrored", "4", "1", "1", "1", "1", "0", "1", "0", "0"]
