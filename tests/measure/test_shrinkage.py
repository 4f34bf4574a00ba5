"""Change of size: published examples, the mean of methods, and whether the stated uncertainty is the scatter seen."""

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pickglass.calibration.budget import BudgetLine
from pickglass.calibration.errors import ScaleError
from pickglass.measure.common_stretch import CommonStretch, Stretch
from pickglass.measure.results import ThreadReading
from pickglass.measure.same_threads import ThreadMatch
from pickglass.measure.shrinkage import (
    Change,
    combine_changes,
    compare_sizes,
    dimensional_change,
    has_settled,
    woven_for_finished,
)


def line(name: str, percent: float) -> BudgetLine:
    return BudgetLine(name=name, standard_percent=percent, kind="A", origin="test")


def reading(per_inch: float, count: int, placing: float = 0.3, counting: float = 1.0) -> ThreadReading:
    return ThreadReading(
        pitch_px=10.0,
        per_inch=per_inch,
        per_cm=per_inch / 2.54,
        u95_per_inch=None,
        per_1000_px=100.0,
        count=count,
        count_u95=1.0,
        budget=(
            line("placing of the threads", placing),
            line("threads counted twice or left out", counting),
        ),
    )


def photo(
    *,
    epi: float = 12.0,
    ppi: float = 12.0,
    size: tuple[float | None, float | None] = (80.0, 100.0),
    **more: Any,
) -> Any:
    """A measurement with only what the comparison looks at."""
    verdict, ends, source = (
        more.get("verdict", "measured"),
        more.get("ends", 40),
        more.get("source", "bank-card"),
    )
    sample = SimpleNamespace(width_mm=size[0], width_u95_mm=0.4, width_edges_u95_mm=0.4, length_mm=size[1])
    cut = frozenset() if size[0] else frozenset({"left", "start"})
    return SimpleNamespace(
        result=SimpleNamespace(
            photo="x.jpg",
            verdict=verdict,
            ends=reading(epi, ends),
            picks=reading(ppi, 50),
            sample=sample,
        ),
        plane=SimpleNamespace(source=source, u95_percent=0.2),
        sample=SimpleNamespace(cut_off=cut),
        height=SimpleNamespace(height_mm=0.6, line=line("height of the cloth over the card", 0.15)),
        tracks=SimpleNamespace(picks=SimpleNamespace(count=0)),
    )


@pytest.mark.parametrize(
    ("before", "after", "percent"),
    [
        (10.0, 8.0, -20.0),  # a weavers' guild article on ratios of shrinkage
        (10.0, 8.5, -15.0),  # Osterkamp, teaching pages
        (27.0, 25.5, -5.56),  # a weaver's published record
        (22.75, 21.25, -6.59),  # the same
        (7.5, 5.0, -33.33),  # wool scarf, magazine article on sampling
        (58.0, 45.0, -22.41),  # the same
        (14.0, 12.75, -8.93),  # twill towel, reed to loom, a weaver's record
        (12.75, 11.0, -13.73),  # the same, loom to finished
    ],
)
def test_published_examples(before: float, after: float, percent: float) -> None:
    assert dimensional_change(before, after) == pytest.approx(percent, abs=0.005)


def test_the_size_to_weave_divides_and_does_not_add() -> None:
    assert woven_for_finished(10.0, -20.0) == pytest.approx(12.5)


def test_threads_tell_the_change_of_length() -> None:
    size = compare_sizes(photo(epi=12, ppi=10), photo(epi=15, ppi=12.5, size=(64.0, 80.0)))
    for change in (size.warpwise, size.weftwise):
        assert change.change_percent == pytest.approx(-20.0, abs=0.01)
    assert size.area_change_percent == pytest.approx(-36.0, abs=0.02)
    assert size.verdict == "measured"
    assert set(size.by_method) == {"thread_count", "outline"}


def test_parts_of_a_sample_are_compared_by_threads_alone() -> None:
    size = compare_sizes(photo(size=(None, None)), photo(epi=13, size=(None, None)))
    assert set(size.by_method) == {"thread_count"}
    assert size.weftwise.change_percent == pytest.approx(100 * (12 / 13 - 1))


def test_a_part_with_drifting_beat_leaves_more_doubt() -> None:
    def drifting(factor: float) -> Any:
        one = photo(size=(None, None))
        steps = np.concatenate([np.full(15, 2.0), np.full(15, 2.0 * factor), np.full(15, 2.0 * factor**2)])
        one.result.picks = replace(one.result.picks, positions_mm=np.cumsum(steps))
        return one

    steady, drift = (compare_sizes(photo(), drifting(f)).warpwise.u95_percent for f in (1.0, 1.04))
    assert drift > steady + 2.0


def test_a_kept_part_whose_threads_are_not_at_hand_leaves_doubt() -> None:
    whole, part = photo(), photo(size=(None, None))
    assert compare_sizes(whole, part).warpwise.u95_percent > 3.9


def common(ratio: float, *, ends_turned: bool = False, uneven: float = 0.0) -> CommonStretch:
    def match(turned: bool) -> ThreadMatch:
        numbers = np.arange(30)
        return ThreadMatch(first=numbers, second=numbers[::-1] if turned else numbers, likeness=0.9)

    same = Stretch(ratio=ratio, standard=0.002, threads=30, uneven=uneven)
    return CommonStretch(ends=match(ends_turned), picks=match(False), across=same, along=same)


def test_the_same_threads_speak_before_the_mean_of_all() -> None:
    # The part shows a looser stretch of the beat; its threads are those that shrank by a tenth all the same.
    size = compare_sizes(photo(), photo(epi=12.0, ppi=12.0, size=(None, None)), common=common(0.9))
    assert size.warpwise.change_percent == pytest.approx(-10.0)
    assert size.warpwise.u95_percent < 1.0
    assert (size.common_ends, size.common_picks) == (30, 30)


def test_uneven_shrinkage_leaves_doubt_only_where_a_part_is_shown() -> None:
    whole = compare_sizes(
        photo(), photo(epi=13.3, ppi=13.3, size=(72.0, 90.0)), common=common(0.9, uneven=0.01)
    )
    part = compare_sizes(photo(), photo(size=(None, None)), common=common(0.9, uneven=0.01))
    assert part.by_method["thread_count"]["warpwise"].own_u_percent == pytest.approx(
        100 * math.hypot(0.002, 0.01)
    )
    assert whole.by_method["thread_count"]["warpwise"].own_u_percent == pytest.approx(0.2)


def test_the_other_face_is_noticed() -> None:
    assert compare_sizes(photo(), photo(), common=common(1.0, ends_turned=True)).other_face
    assert not compare_sizes(photo(), photo(), common=common(1.0)).other_face


def test_a_thread_misread_by_half_is_caught_by_the_outline() -> None:
    size = compare_sizes(photo(epi=12), photo(epi=24))
    assert size.verdict == "unsure"
    assert "methods-disagree" in {n.code for n in size.notices}


def test_fuller_yarn_alone_is_no_disagreement() -> None:
    size = compare_sizes(photo(), photo(epi=12 / 0.9, ppi=12 / 0.9, size=(72.8, 90.9)))
    assert size.verdict == "measured"


def test_a_change_no_wash_makes_is_not_believed() -> None:
    size = compare_sizes(photo(size=(None, None)), photo(epi=6, size=(None, None)))
    assert "not-credible" in {n.code for n in size.notices}


def test_an_unsure_photo_makes_the_change_unsure() -> None:
    assert compare_sizes(photo(verdict="unsure"), photo()).verdict == "unsure"


def test_without_scale_nothing_is_compared() -> None:
    with pytest.raises(ScaleError):
        compare_sizes(photo(source="none"), photo())


def test_counts_that_differ_leave_more_doubt() -> None:
    alike = compare_sizes(photo(), photo()).by_method["thread_count"]["weftwise"]
    apart = compare_sizes(photo(), photo(ends=41)).by_method["thread_count"]["weftwise"]
    assert apart.u95_percent > alike.u95_percent


def test_the_mean_follows_the_surer_method_and_keeps_what_is_shared() -> None:
    mean = combine_changes(
        [
            Change(change_percent=-10.0, u95_percent=0, own_u_percent=0.5, shared_u_percent=0.3),
            Change(change_percent=-12.0, u95_percent=0, own_u_percent=1.0, shared_u_percent=0.3),
        ]
    )
    assert mean.change_percent == pytest.approx(-10.4)
    assert mean.u95_percent == pytest.approx(2 * math.hypot(0.5 / math.sqrt(1.25), 0.3))


def test_settled_means_smaller_than_its_doubt() -> None:
    assert has_settled(Change(change_percent=-0.4, u95_percent=0.7, own_u_percent=0.3))
    assert not has_settled(Change(change_percent=-0.9, u95_percent=0.7, own_u_percent=0.3))


def test_stated_uncertainty_of_a_ratio_matches_the_scatter() -> None:
    """Monte Carlo after JCGM 101: densities scattered by their own budget, both scales apart, the height together."""
    rng = np.random.default_rng(5)
    n = 4000
    common = rng.normal(0, 1, n)
    drawn = []
    for density in (12.0, 13.5):
        placing, scale = rng.normal(0, 0.003, n), rng.normal(0, 0.001, n)
        height = 0.0015 * (math.sqrt(0.9) * common + math.sqrt(0.1) * rng.normal(0, 1, n))
        drawn.append(density * (1 + placing) * (1 + scale) * (1 + height))
    changes = 100 * (drawn[0] / drawn[1] - 1)
    stated = compare_sizes(photo(epi=12.0), photo(epi=13.5)).by_method["thread_count"]["weftwise"]
    assert 2 * changes.std() == pytest.approx(stated.u95_percent, rel=0.05)
