"""Odds of one step more, checked against dense linear algebra and integrals worked out by SciPy."""

import numpy as np
import pytest
from scipy.integrate import trapezoid
from scipy.linalg import toeplitz
from scipy.ndimage import gaussian_filter1d

from pickglass.measure import step_kinds, step_odds
from pickglass.measure.step_kinds import RAMPS, REACH, SHARE, kinds_of, ramp_span
from pickglass.measure.step_odds import evidence, pair_evidence, step_sizes

N = 40


def covariance(kind):
    """The matrix of one kind, written down anew."""
    per_quick = 1 + len(REACH) * len(SHARE)
    quick, slow = divmod(kind, per_quick)
    made_up = step_kinds.MADE_UP[quick // len(step_kinds.SMOOTHED)]
    smoothed = step_kinds.SMOOTHED[quick % len(step_kinds.SMOOTHED)]
    picks = np.eye(N + 60) - made_up * np.eye(N + 60, k=-1)
    if smoothed:
        picks = gaussian_filter1d(picks, smoothed, axis=0, truncate=8 / smoothed)
    matrix = (picks @ picks.T)[30:-30, 30:-30]
    own = step_kinds.OWN_NOISE[quick % len(step_kinds.SMOOTHED)]
    out = (1 - own) * matrix / matrix[0, 0] + own * np.eye(N)
    if slow:
        reach, share = REACH[(slow - 1) // len(SHARE)], SHARE[(slow - 1) % len(SHARE)]
        out += share * toeplitz(np.exp(-0.5 * (np.arange(N) / reach) ** 2))
    return out


def steps(kind):
    """The steps of one kind, smoothed as its scatter is."""
    quick = kind // (1 + len(REACH) * len(SHARE))
    smoothed = step_kinds.SMOOTHED[quick % len(step_kinds.SMOOTHED)]
    sharp = np.tril(np.ones((N, N)))
    if not smoothed:
        return sharp
    return gaussian_filter1d(sharp, smoothed, axis=0, mode="nearest", truncate=8 / smoothed)


@pytest.mark.parametrize("kind", [0, 5, 47, 88, 130, 188])
def test_kinds_are_what_they_say(kind):
    kinds = kinds_of(N)
    matrix = covariance(kind)
    inner = steps(kind).T @ np.linalg.solve(matrix, steps(kind))
    assert kinds.inner[kind] == pytest.approx(inner, rel=1e-6, abs=1e-8 * np.abs(inner).max())
    series = np.random.default_rng(kind).normal(0, 1, N)
    along = kinds.along(kinds.sharp @ np.diff(series, prepend=0.0))
    assert along[kind] == pytest.approx(steps(kind).T @ np.linalg.solve(matrix, series), rel=1e-6, abs=1e-6)
    assert kinds.determinant[kind] == pytest.approx(np.linalg.slogdet(matrix)[1], abs=1e-8)


def only(monkeypatch, kind):
    """Leave one kind of scatter only, with weight one."""
    kinds = kinds_of(N)
    one = step_kinds.Kinds(
        sharp=kinds.sharp[[kind]],
        inner=kinds.inner[[kind]],
        blurs=kinds.blurs,
        blur=kinds.blur[[kind]],
        ramps=kinds.ramps[:, [kind]],
        determinant=kinds.determinant[[kind]],
        share=kinds.share[[kind]],
        reach=np.zeros(1, dtype=int),
    )
    monkeypatch.setattr(step_odds, "kinds_of", lambda n: one)


@pytest.mark.parametrize("kind", [4, 50])
@pytest.mark.parametrize("size", [0.0, 0.5, 1.4])
def test_odds_are_the_ratio_of_integrated_likelihoods(monkeypatch, kind, size):
    """One kind, one place: level by algebra, scatter (Jeffreys' prior) and size of the step by SciPy's trapezoids."""
    rng = np.random.default_rng(3)
    matrix = covariance(kind)
    series = 3.0 + 0.6 * np.linalg.cholesky(matrix) @ rng.standard_normal(N)
    series += size * steps(kind)[:, 18]
    only(monkeypatch, kind)
    monkeypatch.setattr(step_odds, "RAMP_WEIGHT", (-np.inf,) * len(RAMPS))
    found = evidence(series, (), np.arange(N) == 18)

    inverse = np.linalg.inv(matrix)
    level = inverse @ np.ones(N)
    inverse -= np.outer(level, level) / level.sum()
    scatter = np.exp(np.linspace(np.log(0.1), np.log(6.0), 400))
    sizes = np.linspace(-8, 8, 1601)
    rest = series[:, None] - steps(kind)[:, [18]] * sizes
    squares = np.einsum("ns,nm,ms->s", rest, inverse, rest)
    logs = -(N - 1) * np.log(scatter)[:, None] - squares / (2 * scatter[:, None] ** 2)
    prior = sizes**2 * np.exp(-0.5 * sizes**2) / np.sqrt(2 * np.pi)
    with_step = trapezoid(trapezoid(np.exp(logs - logs.max()) * prior, sizes, axis=1), np.log(scatter))
    without = trapezoid(np.exp(logs[:, 800] - logs.max()), np.log(scatter))
    # The product puts one scatter into what the prior adds; the integral does not.
    assert found.odds == pytest.approx(np.log(with_step / without), abs=0.25)


@pytest.mark.parametrize("length", RAMPS)
def test_a_ramp_is_the_mean_of_its_steps(length):
    """Inner products of changes spread over many values, with other levels taken out, by dense least squares."""
    rng = np.random.default_rng(6)
    kind, places = 50, (15,)
    series = rng.normal(0, 1, N)
    fit = step_odds._fitted(series, places)
    own, along = fit.ramp(RAMPS.index(length))
    first, stop = ramp_span(N, length)
    ramps = np.stack([steps(kind)[:, a:b].sum(axis=1) / length for a, b in zip(first, stop, strict=True)])
    half = np.linalg.cholesky(np.linalg.inv(covariance(kind))).T
    levels = half @ steps(kind)[:, [0, *places]]
    project = np.eye(N) - levels @ np.linalg.pinv(levels)
    white = project @ half @ ramps.T
    assert own[kind] == pytest.approx((white**2).sum(axis=0), rel=1e-5, abs=1e-6)
    assert along[kind] == pytest.approx(white.T @ (half @ series), rel=1e-5, abs=1e-6)


def test_a_change_at_once_is_told_from_one_spread_over_many_picks():
    rng = np.random.default_rng(8)
    pick = np.arange(72)
    allowed = (pick >= 12) & (pick <= 60)
    shapes = {"at once": pick >= 36, "spread": np.clip((pick - 36) / 23 + 0.5, 0.0, 1.0)}
    odds = {
        name: np.median(
            [evidence(1.5 * shape + 0.5 * rng.standard_normal(72), (), allowed).odds for _ in range(20)]
        )
        for name, shape in shapes.items()
    }
    assert odds["at once"] > 1.3
    assert odds["spread"] < 1.3
    assert odds["at once"] - odds["spread"] > 3.0


def test_sizes_agree_with_least_squares_for_free_scatter():
    """With free scatter and no slow change there is nothing to weigh: differences of means (NumPy's least squares)."""
    rng = np.random.default_rng(4)
    series = rng.normal(0, 0.3, 80)
    series[30:] += 2.0
    series[55:] -= 1.0
    sizes, uncertain = step_sizes(series, (30, 55))
    design = np.tril(np.ones((80, 80)))[:, [0, 30, 55]]
    known = np.linalg.lstsq(design, series, rcond=None)[0][1:]
    assert sizes == pytest.approx(known, abs=0.08)
    assert np.all(uncertain > 0.3 * np.sqrt(1 / 30 + 1 / 25) * 0.8)


def test_odds_do_not_hang_on_the_level():
    rng = np.random.default_rng(5)
    series = rng.normal(0, 0.7, 60)
    allowed = (np.arange(60) >= 12) & (np.arange(60) <= 48)
    assert evidence(series + 40.0, (), allowed).odds == pytest.approx(
        evidence(series, (), allowed).odds, abs=1e-6
    )


def test_a_bar_is_seen_by_two_steps_together():
    rng = np.random.default_rng(6)
    series = rng.normal(0, 0.4, 90)
    series[38:50] += 2.5
    allowed = (np.arange(90) >= 12) & (np.arange(90) <= 78)
    odds, places = pair_evidence(series, (), allowed, 6)
    assert odds > evidence(series, (), allowed).odds
    assert places == pytest.approx((38, 50), abs=2)


def test_no_room_for_two():
    assert pair_evidence(np.zeros(30) + np.arange(30) % 2, (), np.arange(30) == 15, 6)[0] == -np.inf
