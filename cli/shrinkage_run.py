"""From photos and kept measurements of one sample to the changes between them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from ..calibration.errors import RefusedError
from ..calibration.notices import Notice
from .book_reference import book_name

if TYPE_CHECKING:
    from ..measure.common_stretch import CommonStretch
    from ..measure.results import SettResult, Verdict
    from ..measure.sett import SettMeasurement
    from ..measure.shrinkage import Change, ChangeOfSize, Direction
    from .pipeline import Request
    from .report_pictures import PhotoView

MOST_RELAXED_PERCENT = 2.0  # by which a cloth may grow both ways as it relaxes in the wash (common practice)

__all__ = ["Points", "Series", "Shown", "Source", "compare_series", "measure_sources", "sources_of"]

Points = list[tuple[float, float]] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One state of the sample: a photo to measure, or a measurement that the book keeps (then with its stage)."""

    path: Path | None = None
    kept: SettMeasurement | None = None
    stage: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One state of the sample, measured; a kept measurement has no photo to be shown and was asked for long ago."""

    measurement: SettMeasurement
    stage: str
    request: Request | None = None
    view: PhotoView | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Photos of one sample in the order of its washes, with K changes between K + 1 photos."""

    photos: tuple[str, ...]
    stages: tuple[str, ...]
    from_first: tuple[ChangeOfSize, ...]
    from_previous: tuple[ChangeOfSize, ...]
    settled: tuple[bool, ...]
    verdict: Verdict
    notices: tuple[Notice, ...]


def sources_of(words: Sequence[str], book: Path | None) -> list[Source]:
    """Return what the words name: photos, and for each ``book:NAME`` every stage of it that was measured.

    Raises
    ------
    UsageError
        If the book has no such sample, no measurement of it, or one without a scale.
    """
    from .book_reference import kept_stages
    from .kept import kept_measurement

    found = []
    for word in words:
        name = book_name(word)
        if name is None:
            found.append(Source(path=Path(word)))
            continue
        for record in kept_stages(name, book):
            measurement = kept_measurement(record.document or {}, f"{name}, {record.date}")
            found.append(
                Source(
                    kept=measurement, stage="washed" if record.stage.startswith("washed") else record.stage
                )
            )
    return found


def measure_sources(
    sources: Sequence[Source],
    requests: Sequence[Request],
    *,
    with_views: bool,
    on_step: Callable[[str], None],
) -> list[Shown]:
    """Measure the photos among `sources`; one request for each photo."""
    from .photo_words import naming
    from .pipeline import measure_photo

    shown = []
    waiting = iter(requests)
    for source in sources:
        if source.kept is not None or source.path is None:
            if source.kept is None:
                raise ValueError("a source names a photo or a kept measurement")
            shown.append(Shown(measurement=source.kept, stage=source.stage))
            continue
        request = next(waiting)
        with naming(source.path.name):
            photo, measurement = measure_photo(source.path, request, on_step=on_step)
        view = None
        if with_views:
            from .report_pictures import photo_view

            view = photo_view(photo, measurement)
        shown.append(Shown(measurement=measurement, stage=source.stage, request=request, view=view))
    return shown


def compare_series(
    found: list[SettMeasurement],
    stages: tuple[str, ...],
    *,
    hand: tuple[Points, Points] = (None, None),
    force: bool = False,
) -> Series:
    """Compare every photo with the first and with the one before it.

    Raises
    ------
    RefusedError
        ``different-samples``, unless `force`.
    """
    from ..measure.shrinkage import compare_sizes, has_settled

    notices: list[Notice] = []
    shared = [_common(found[0], m) for m in found[1:]]
    for other, common in zip(found[1:], shared, strict=True):
        reasons = _differences(found[0], other, common)
        if reasons and not force:
            raise RefusedError(
                "different-samples",
                f"{found[0].result.photo} and {other.result.photo} seem to show two different samples: "
                f"{'; '.join(reasons)}.",
                "Give two photos of one sample; if a sample lies with its warp across the photo, say --warp down,across; "
                "if it is the same sample after all, add --force.",
            )
        if reasons:
            text = f"{other.result.photo} may show another sample ({'; '.join(reasons)}); compared because of --force."
            notices.append(Notice("forced", text))
    to_first = [
        compare_sizes(found[0], m, marks=_marks(found[0], m, hand), common=common)
        for m, common in zip(found[1:], shared, strict=True)
    ]
    to_previous = [to_first[0]]
    to_previous += [
        compare_sizes(a, b, marks=_marks(a, b, (None, None)), common=_common(a, b))
        for a, b in pairwise(found[1:])
    ]
    for size in (*to_first, *to_previous):
        notices += [n for n in size.notices if n not in notices]
    notices += _twice(found)
    notices += _grown(found, stages, to_previous)
    return Series(
        photos=tuple(m.result.photo for m in found),
        stages=stages,
        from_first=tuple(to_first),
        from_previous=tuple(to_previous),
        settled=tuple(has_settled(s.warpwise) and has_settled(s.weftwise) for s in to_previous),
        verdict="unsure" if notices else "measured",
        notices=tuple(notices),
    )


def _twice(found: Sequence[SettMeasurement]) -> list[Notice]:
    """Doubt that nothing changed where one photo was named twice, under whatever name."""
    from .kept import is_kept

    return [
        Notice(
            "same-photo",
            f"{before.result.photo} and {after.result.photo} are one and the same picture, so no change can show. Name the "
            "photo before and the photo after."
            if before.result.photo != after.result.photo
            else f"{before.result.photo} was named twice, so no change can show. Name the photo before and the photo after.",
        )
        for before, after in pairwise(found)
        if not (is_kept(before) or is_kept(after)) and _same_places(before.result, after.result)
    ]


def _same_places(one: SettResult, two: SettResult) -> bool:
    """Tell whether every thread lies at the very place in both, which no two photos show."""
    import numpy as np

    places = [(a.positions_mm, b.positions_mm) for a, b in ((one.ends, two.ends), (one.picks, two.picks))]
    return all(a is not None and b is not None and np.array_equal(a, b) for a, b in places)


def _grown(
    found: Sequence[SettMeasurement], stages: Sequence[str], to_previous: Sequence[ChangeOfSize]
) -> list[Notice]:
    """Doubt a wash that made the cloth larger both ways: rather were the photos named the other way round."""
    return [
        Notice(
            "grew",
            f"{after.result.photo} shows the sample larger than {before.result.photo} in both directions, which a wash "
            "hardly does. Look whether the photo before the wash was named first.",
        )
        for (before, after), stage, size in zip(pairwise(found), stages[1:], to_previous, strict=True)
        if stage == "washed"
        and all(
            change.change_percent > max(change.u95_percent, MOST_RELAXED_PERCENT)
            for change in (size.warpwise, size.weftwise)
        )
    ]


def _common(before: SettMeasurement, after: SettMeasurement) -> CommonStretch | None:
    """Return the threads both photos show; kept measurements have no threads to recognise."""
    from ..measure.common_stretch import find_common
    from .kept import is_kept

    return None if is_kept(before) or is_kept(after) else find_common(before, after)


def _differences(
    before: SettMeasurement, after: SettMeasurement, common: CommonStretch | None
) -> tuple[str, ...]:
    """Return why these are two samples; of kept measurements only the figures can tell."""
    from ..measure.same_sample import compare_counts, compare_densities, differences
    from .kept import is_kept

    if not (is_kept(before) or is_kept(after)):
        return differences(before, after, common)
    reasons = []
    for name, sides in (("ends", {"left", "right"}), ("picks", {"start", "end"})):
        one, other = getattr(before.result, name), getattr(after.result, name)
        whole = not any(sides & m.sample.cut_off for m in (before, after))
        reasons += [compare_counts(one, other, name) if whole else None, compare_densities(one, other, name)]
    return tuple(reason for reason in reasons if reason)


def _marks(
    before: SettMeasurement, after: SettMeasurement, hand: tuple[Points, Points]
) -> dict[Direction, Change] | None:
    import numpy as np

    from .kept import is_kept

    if is_kept(before) or is_kept(after):
        return None
    from ..measure.bench_marks import change_of_marks, find_marks, marks_by_hand, match_marks

    if hand[0] is not None and hand[1] is not None:
        return change_of_marks(
            marks_by_hand(before, np.array(hand[0])), marks_by_hand(after, np.array(hand[1]))
        )
    pair = match_marks(find_marks(before), find_marks(after))
    return None if pair is None else change_of_marks(*pair)
