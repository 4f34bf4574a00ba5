import numpy as np
import pytest
from band_trace import made_trace, nearly_hidden_step
from scipy import stats

from pickglass.measure.band_comparison import compare_bands
from pickglass.measure.beat_patterns import measure_drift, measure_rhythm
from pickglass.measure.evenness import cv_percent, measure_evenness


def test_cv_agrees_with_scipy():
    values = np.random.default_rng(0).normal(10, 1, 40)
    assert cv_percent(values) == pytest.approx(100 * stats.variation(values, ddof=1))
    assert cv_percent(np.array([1.0])) is None


def test_a_planted_step_is_found_with_its_sign():
    spacings = 2.0 * np.exp(np.random.default_rng(1).normal(0, 0.03, 80))
    spacings[40:] *= 1.2  # more open: fewer picks per inch
    found = measure_evenness(made_trace(spacings))
    assert len(found.steps) == 1
    assert found.steps[0].at_mm == pytest.approx(float(np.sum(spacings[:40])), abs=6)
    assert found.steps[0].change_percent == pytest.approx(100 * (1 / 1.2 - 1), abs=3)


def test_a_step_that_scatter_nearly_hides_is_only_possible():
    found = measure_evenness(made_trace(nearly_hidden_step()))
    assert found.steps == ()
    (possible,) = found.possible_steps
    assert possible.of == "beat"
    assert possible.at_mm == pytest.approx(72, abs=possible.at_u95_mm)
    assert possible.change_percent == pytest.approx(8.3, abs=possible.change_u95_percent)


def test_a_step_of_the_width_is_found():
    rng = np.random.default_rng(2)
    count = 300 // 5 + 1
    width = np.where(np.arange(count) < 30, 30.0, 28.0) + rng.normal(0, 0.1, count)
    found = [
        s for s in measure_evenness(made_trace(np.full(150, 2.0), width_mm=width)).steps if s.of == "width"
    ]
    assert len(found) == 1
    assert found[0].at_mm == pytest.approx(150, abs=6)
    assert found[0].change_percent == pytest.approx(-6.7, abs=1)


def test_a_missed_pick_is_a_fault_and_no_scatter():
    spacings = np.full(80, 2.0) * np.exp(np.random.default_rng(3).normal(0, 0.02, 80))
    sheds = np.full(80, 2.0)
    spacings[40], sheds[40] = 3.0, 4.8
    found = measure_evenness(made_trace(spacings, shed_lengths_mm=sheds))
    assert [f.kind for f in found.faults] == ["missed-pick"]
    assert found.steps == ()


def scatter(rng, memory, count):
    """Scatter of 5 % in which every pick remembers `memory` of the one before; the first 40 let it settle."""
    y = np.zeros(40 + count)
    for k in range(1, len(y)):
        y[k] = memory * y[k - 1] + rng.normal(0, 0.05)
    return y[40:]


def test_drift_of_a_creeping_beat():
    x = (np.arange(100) + 0.5) * 2.0
    spacings = 2.0 * np.exp(-0.05 * x / 100)
    drift = measure_drift(spacings, np.concatenate([[0], np.cumsum(spacings)]))
    assert drift is not None
    assert drift.percent_per_100mm == pytest.approx(
        5.0, rel=0.06
    )  # the picks come closer than 2 mm on the way
    assert drift.significant


@pytest.mark.parametrize("memory", [0.0, 0.5])
def test_drift_of_even_bands_lies_within_its_uncertainty(memory):
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(200):
        spacings = 2.0 * np.exp(scatter(rng, memory, 100))
        drift = measure_drift(spacings, np.concatenate([[0], np.cumsum(spacings)]))
        inside += drift is not None and not drift.significant
    assert inside >= 172  # 86 %; 95 % asked for, a memory estimated from 100 picks reaches about 90


def test_alternate_picks_are_heard():
    rng = np.random.default_rng(5)
    spacings = 2.0 * np.exp(rng.normal(0, 0.05, 90) + 0.06 * (-1.0) ** np.arange(90))
    found = measure_rhythm(spacings)
    assert [r.kind for r in found] == ["alternate"]
    assert found[0].size_percent == pytest.approx(6, abs=2)
    assert found[0].every_mm == pytest.approx(4, rel=0.05)


def test_bars_at_equal_distances_are_heard():
    rng = np.random.default_rng(6)
    y = rng.normal(0, 0.04, 160)
    y[::20] -= 0.25
    y[1::20] -= 0.25
    found = [r for r in measure_rhythm(2.0 * np.exp(y)) if r.kind == "bars"]
    assert len(found) == 1
    assert found[0].every_mm % 40 == pytest.approx(0, abs=3) or found[0].every_mm == pytest.approx(40, abs=3)


@pytest.mark.parametrize("memory", [0.0, 0.6])
def test_noise_has_no_rhythm(memory):
    rng = np.random.default_rng(7)
    false = 0
    for _ in range(60):
        false += len(measure_rhythm(2.0 * np.exp(scatter(rng, memory, 90)))) > 0
    assert false <= 4  # two tests at 1 %: 1.2 of 60 expected, five or more come up in 1 of 100 runs


def test_comparison_of_independent_stations_is_welchs_test():
    rng = np.random.default_rng(8)
    first = measure_evenness(made_trace(2.0 * np.exp(rng.normal(0, 0.02, 100))))
    second = measure_evenness(made_trace(2.1 * np.exp(rng.normal(0, 0.05, 100)), width_mm=31.0))
    beat = compare_bands(first, second)[0]
    a = [s.picks_per_inch for s in first.stations]
    b = [s.picks_per_inch for s in second.stations]
    theirs = stats.ttest_ind(b, a, equal_var=False)
    assert beat.difference_percent == pytest.approx(100 * (np.mean(b) / np.mean(a) - 1))
    if beat.effective_first == pytest.approx(len(a)) and beat.effective_second == pytest.approx(len(b)):
        assert beat.p_value == pytest.approx(theirs.pvalue)
    else:
        assert beat.p_value >= theirs.pvalue  # fewer effective stations prove less
    assert beat.significant


def test_the_greatest_bow_counts():
    found = measure_evenness(made_trace(np.full(60, 2.0), width_mm=60.0, bow_mm=-1.5, skew=0.04))
    assert found.bow_percent == pytest.approx(-2.5, rel=0.01)
    assert found.skew_percent == pytest.approx(4.0, rel=0.01)


def test_the_doubt_of_the_scales_takes_away_what_it_could_explain():
    rng = np.random.default_rng(9)
    first = measure_evenness(made_trace(2.0 * np.exp(rng.normal(0, 0.01, 200))))
    second = measure_evenness(made_trace(2.03 * np.exp(rng.normal(0, 0.01, 200))))
    assert compare_bands(first, second)[0].significant
    doubtful = compare_bands(first, second, scale_u95_percent=(1.5, 1.5))[0]
    assert not doubtful.significant
    assert doubtful.u95_percent > np.hypot(1.5, 1.5)
