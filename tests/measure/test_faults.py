import numpy as np
from band_trace import made_trace

from pickglass.measure.faults import find_faults


def sheds(rng, count, scatter=0.08):
    return 2.0 * np.exp(rng.normal(0, scatter, count))


def test_even_bands_show_no_fault():
    rng = np.random.default_rng(0)
    found = 0
    for _ in range(40):  # 40 bands of 120 mm: nearly five metres
        trace = made_trace(np.full(60, 2.0), shed_lengths_mm=sheds(rng, 61))
        trace.left_mm[:] += rng.normal(0, 0.1, len(trace.left_mm))
        found += len(find_faults(trace))
    assert found <= 4  # at most one false fault per metre is asked for


def test_missed_and_doubled_picks_are_found_and_told_apart():
    rng = np.random.default_rng(1)
    right = wrong = 0
    for _ in range(50):
        lengths = sheds(rng, 60, 0.06)
        missed, doubled = int(rng.integers(5, 25)), int(rng.integers(32, 54))
        # Two picks of one shed: with the room of a third beside a pick left out, pressed together when thrown twice.
        lengths[missed] = 2.0 * 2.4 * np.exp(rng.normal(0, 0.05))
        lengths[doubled] = 2.0 * 1.65 * np.exp(rng.normal(0, 0.04))
        trace = made_trace(np.full(60, 2.0), shed_lengths_mm=lengths)
        middle = (trace.shed_edge_mm[1:] + trace.shed_edge_mm[:-1]) / 2
        planted = {("missed-pick", missed), ("doubled-pick", doubled)}
        found = {(f.kind, int(np.argmin(np.abs(middle - f.at_mm)))) for f in find_faults(trace)}
        right += len(found & planted)
        wrong += len(found - planted)
    assert right >= 90  # of 100
    assert wrong <= 10


def test_a_weft_of_another_colour_is_no_fault():
    lengths = np.full(60, 2.0)
    lengths[30] = 4.0  # where the colour changes the light keeps its sign for two picks
    trace = made_trace(np.full(60, 2.0), shed_lengths_mm=lengths)
    trace.shed_support[:, 30:] *= -1  # the shading, which does not see colour, has gone on
    assert find_faults(trace) == ()


def test_an_unclear_shed_is_not_judged():
    lengths = np.full(60, 2.0)
    lengths[30] = 4.6
    trace = made_trace(np.full(60, 2.0), shed_lengths_mm=lengths)
    assert [f.kind for f in find_faults(trace)] == ["missed-pick"]
    trace.shed_strength[29] = 0.3
    assert find_faults(trace) == ()


def test_a_loop_and_a_nick_are_found_at_their_places():
    rng = np.random.default_rng(2)
    trace = made_trace(np.full(100, 2.0))
    trace.left_mm[:] += rng.normal(0, 0.05, len(trace.left_mm))
    trace.right_mm[:] += rng.normal(0, 0.05, len(trace.right_mm))
    trace.left_mm[10] -= 1.8
    trace.right_mm[25] -= 1.8
    assert [(f.kind, round(f.at_mm)) for f in find_faults(trace)] == [
        ("selvedge-loop", 50),
        ("selvedge-nick", 125),
    ]


def test_a_slow_bend_of_the_selvedge_is_no_fault():
    trace = made_trace(np.full(100, 2.0))
    trace.left_mm[:] += 3.0 * np.sin(np.arange(len(trace.left_mm)) / 6)
    assert find_faults(trace) == ()
