"""The same threads compared with themselves: the stated doubt must hold for cloth that shrinks unevenly too."""

import math

import numpy as np
import pytest

from pickglass.measure import common_stretch
from pickglass.measure.same_threads import Threads, match_threads

SHRUNK = 0.9


def washed(seed: int, *, unevenness: float, jitter: float) -> tuple[bool, float, float] | None:
    """Return whether the part's change foretells the whole's within twice its doubt, its error and doubt, in percent.

    Threads lie at random spaces (8 %), shrink by a tenth with slow waves of `unevenness` along the cloth, and move by
    `jitter` of a space against each other; the second photo shows nearly half of them.
    """
    rng = np.random.default_rng(seed)
    count = int(rng.integers(50, 120))
    before = np.concatenate([[0.0], np.cumsum(np.exp(0.08 * rng.standard_normal(count - 1)))])
    wave = np.sin(2 * np.pi * np.arange(count - 1) / rng.uniform(20, 80) + rng.uniform(0, 6.3))
    after = np.concatenate([[0.0], np.cumsum(np.diff(before) * SHRUNK * (1 + unevenness * wave))])
    truth = after[-1] / before[-1]
    start = int(rng.integers(0, count // 2))
    part = (after + jitter * rng.standard_normal(count))[start : start + int(0.45 * count)]
    one, other = before + 0.012 * rng.standard_normal(count), part + 0.012 * rng.standard_normal(len(part))
    places = [Threads(positions=p, places=np.zeros(len(p), dtype=int)) for p in (one, other)]
    match = match_threads(*places)
    if match is None:
        return None
    x, y = one[match.first], other[match.second]
    line = np.polyfit(x, y, 1)
    doubt = math.hypot(
        common_stretch._slope_doubt(x, y, line),
        SHRUNK * common_stretch._placing_doubt(len(x)),
        common_stretch._unevenness(x, y, line),
    )
    error = abs(float(line[0])) - truth
    return abs(error) <= 2 * doubt, 100 * error, 200 * doubt


@pytest.mark.parametrize("unevenness", [0.0, 0.01, 0.02])
def test_a_part_foretells_the_whole_within_its_doubt(unevenness: float) -> None:
    found = [f for seed in range(60) if (f := washed(seed, unevenness=unevenness, jitter=0.01)) is not None]
    assert len(found) > 50
    # 95 % stated; of 60 trials 52 or fewer would come by chance once in a hundred.
    assert np.mean([inside for inside, _, _ in found]) >= 53 / 60
    if unevenness == 0.0:
        assert np.median([doubt for _, _, doubt in found]) < 1.0
        assert max(abs(error) for _, error, _ in found) < 0.5


def test_threads_that_moved_much_are_not_recognised_rather_than_mistaken() -> None:
    found = [f for seed in range(40) if (f := washed(seed, unevenness=0.0, jitter=0.12)) is not None]
    assert len(found) < 10
    assert all(abs(error) < 1.0 for _, error, _ in found)
