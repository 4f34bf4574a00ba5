"""The report of `pickglass shrinkage`: how the sample changed, by every method, and how far to believe it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import cv2
import numpy as np

from .charts import Reading, compare_chart
from .drawing import PAPER
from .report import method_rows
from .report_blocks import (
    Block,
    Budget,
    Chart,
    Facts,
    Figure,
    Grid,
    Page,
    Pair,
    Picture,
    Points,
    Section,
    Words,
    cautions_of,
    program_fact,
    render,
)
from .report_pictures import Inlay, inlay_of, ribbon
from .report_quality import quality_section
from .rounding import with_uncertainty
from .screen import printable
from .sett_text import density_words
from .shrinkage_chart import series_svg
from .shrinkage_text import (
    METHODS,
    change_words,
    closing_words,
    plain_words,
    settled_words,
    signed,
    step_name,
)

if TYPE_CHECKING:
    from ..measure.photo_quality import PhotoQuality
    from ..measure.sett import SettMeasurement
    from ..measure.shrinkage import Change, ChangeOfSize, Direction
    from .shrinkage_run import Series, Shown

__all__ = ["shrinkage_report"]

SIDE_PX, SCALE_BYTES = 760, 170_000
WAYS: tuple[tuple[Direction, str, tuple[str, str]], ...] = (
    ("warpwise", "Length (warpwise)", ("shorter", "longer")),
    ("weftwise", "Width (weftwise)", ("narrower", "wider")),
)
SENTENCES = {
    "measured": "Where a change is smaller than its doubt, it says so.",
    "unsure": "Something speaks against these figures; read what is not sure, and check with a rule.",
}
CHECKS = (
    (
        "Lay the sample flat without pulling and measure its length and width with a rule: the change from the first to the "
        "last photo must agree with the figures above within their doubt."
    ),
    "Look at both photos below: every tenth thread carries its number, and the same number must lie on the same thread.",
    "If only a part of the sample shows, look whether the part is like the whole; a beat that varies makes parts differ.",
)


def shrinkage_report(series: Series, shown: Sequence[Shown]) -> bytes:
    """Return the report as an HTML file in UTF-8."""
    found = [one.measurement for one in shown]
    pictured = [one.measurement for one in shown if one.view is not None]
    size = series.from_first[-1]
    names = [printable(name) for name in series.photos]
    name = step_name(series.stages[0], series.stages[-1])
    report = Page(
        kind=f"{name} of a sample",
        title=f"{names[0]} → {names[-1]}",
        made_from=f"{_made_from(shown)}; nothing was sent anywhere",
        verdict=series.verdict,
        sentence=f"{_stages(series)}. {SENTENCES[series.verdict]}",
        figures=_figures(size, name),
        doubts=cautions_of(series.notices) if series.verdict == "unsure" else (),
        ribbon=ribbon(pictured[-1]) if pictured else "",
        sections=[
            Section("Check by eye", [Points(CHECKS, ordered=True)]),
            Section("The samples at one scale", _to_scale(series, shown)),
            _by_method(series),
            *([_washes(series)] if len(series.from_first) > 1 else []),
            Section("What was measured in each photo", [_sizes(series, found)]),
            Section("The photos", _photos(series, shown)),
            Section("Please mind", [Points([*closing_words(series.stages), *_remarks(series, found)])]),
            quality_section(_judged(series, shown)),
            Section("How it was measured", _method(series, shown)),
        ],
    )
    return render(report)


def _stages(series: Series) -> str:
    return f"From {series.stages[0]} to {series.stages[-1]}, in percent of the size before; minus is smaller"


def _figures(size: ChangeOfSize, name: str) -> list[Figure]:
    figures = []
    for way, title, verbs in WAYS:
        change: Change = getattr(size, way)
        value, _, doubt = signed(change.change_percent, change.u95_percent).partition(" ± ")
        figures.append(
            Figure(title=title, value=value, doubt=doubt, unit="%", more=[plain_words(change, verbs)])
        )
    value, _, doubt = signed(size.area_change_percent, size.area_u95_percent).partition(" ± ")
    figures.append(Figure(title="Area", value=value, doubt=doubt, unit="%", more=[f"meaning: {name}"]))
    before, after = size.skew_before_percent, size.skew_after_percent
    if before is not None and after is not None:
        figures.append(
            Figure(
                title="Skew of the picks",
                value=f"{after:+z.1f} %",
                more=[f"before {before:+z.1f} %", "of the width, one side ahead"],
            )
        )
    return figures


def _made_from(shown: Sequence[Shown]) -> str:
    photos = sum(one.view is not None for one in shown)
    kept = len(shown) - photos
    parts = [f"{photos} photo{'' if photos == 1 else 's'}"] if photos else []
    parts += [f"{kept} kept measurement{'' if kept == 1 else 's'}"] if kept else []
    return " and ".join(parts)


def _to_scale(series: Series, shown: Sequence[Shown]) -> list[Block]:
    pictured = [(k, one.measurement) for k, one in enumerate(shown) if one.view is not None]
    if not pictured:
        return []
    pictures = _scaled([measurement for _, measurement in pictured])
    columns: list[list[Block]] = []
    for picture, (k, measurement) in zip(pictures, pictured, strict=True):
        sample = measurement.result.sample
        seen = [
            f"{value:z.1f} mm {word}"
            for value, word in ((sample.width_mm, "wide"), (sample.length_mm, "long"))
            if value
        ]
        told = f": {', '.join(seen)}" if seen else ""
        caption = f"{k + 1}. {printable(series.photos[k])}, {series.stages[k]}{told}"
        columns.append([Picture(picture, caption, "flat")])
    return [Words("All pictures have the same scale, so that the change can be seen."), Pair(columns)]


def _scaled(found: Sequence[SettMeasurement]) -> list[Inlay]:
    """Return the flat samples at one scale, each in the middle of a sheet of the same size."""
    cuts, sizes = [], []
    for measurement in found:
        patch = measurement.patch
        rows, columns = np.flatnonzero(patch.mask.any(axis=1)), np.flatnonzero(patch.mask.any(axis=0))
        cut = patch.bgr[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        factor = 1.0 if measurement.height is None else measurement.height.length_factor
        cuts.append(cut)
        sizes.append(np.array(cut.shape[:2]) / patch.px_per_mm * factor)
    largest = np.max(sizes, axis=0)
    scale = SIDE_PX / largest.max()
    margin = SIDE_PX // 40
    sheet = np.ceil(largest * scale).astype(int) + 2 * margin
    out = []
    for cut, size, measurement in zip(cuts, sizes, found, strict=True):
        height, width = np.maximum(np.round(size * scale).astype(int), 1)
        small = cv2.resize(cut, (int(width), int(height)), interpolation=cv2.INTER_AREA)
        canvas = np.full((*sheet, 3), PAPER, np.uint8)
        top, left = (sheet[0] - height) // 2, (sheet[1] - width) // 2
        canvas[top : top + height, left : left + width] = small
        alt = f"{printable(measurement.result.photo)} laid flat, at the same scale as the others"
        out.append(inlay_of(canvas, alt, most_bytes=SCALE_BYTES))
    return out


def _by_method(series: Series) -> Section:
    size = series.from_first[-1]
    columns: list[list[Block]] = []
    rows = []
    for way, title, _ in WAYS:
        readings = [("together", getattr(size, way))]
        readings += [(METHODS[m], changes[way]) for m, changes in size.by_method.items() if way in changes]
        told = ", ".join(f"{label} {change_words(change)}" for label, change in readings)
        svg = compare_chart(
            f"by-method-{way}",
            [
                Reading(label=label, value=change.change_percent, u95=change.u95_percent)
                for label, change in readings
            ],
            unit="change, %",
            title=f"Change of the {title.lower()} by each method",
            description=f"{told}.",
            of="",
            zero=True,
        )
        columns.append([Chart(svg, title)])
    for method in size.by_method:
        changes = [size.by_method[method].get(way) for way, _, _ in WAYS]
        rows.append((METHODS[method], *("–" if c is None else change_words(c) for c in changes)))
    rows.append(("together", *(change_words(getattr(size, way)) for way, _, _ in WAYS)))
    return Section(
        "By every method",
        [
            Words(
                "Each dot is the change by one method, its line the 95 % uncertainty. The methods must agree within their "
                "lines; where they do not, it is said above and the thread spacing is what counts."
            ),
            Pair(columns),
            Grid(
                columns=["method", "length", "width"],
                rows=rows,
                caption="Change from the first to the last photo",
            ),
        ],
    )


def _washes(series: Series) -> Section:
    rows = []
    for k, size in enumerate(series.from_previous):
        rows.append(
            (
                f"{k + 1}. {series.stages[k]} → {k + 2}. {series.stages[k + 1]}",
                *(change_words(getattr(size, way)) for way, _, _ in WAYS),
                f"{signed(size.area_change_percent, size.area_u95_percent)} %",
                "yes" if series.settled[k] else "no",
            )
        )
    return Section(
        "Wash by wash",
        [
            Chart(series_svg(series)),
            Grid(
                columns=["step", "length", "width", "area", "settled"],
                rows=rows,
                caption="Change of each step against the one before",
            ),
            Words(settled_words(series)),
        ],
    )


def _sizes(series: Series, found: Sequence[SettMeasurement]) -> Grid:
    rows = []
    for k, measurement in enumerate(found):
        result, sample = measurement.result, measurement.result.sample
        rows.append(
            (
                f"{k + 1}. {printable(series.photos[k])} ({series.stages[k]})",
                density_words(result.ends.per_inch, result.ends.u95_per_inch),
                density_words(result.picks.per_inch, result.picks.u95_per_inch),
                "–" if sample.width_mm is None else with_uncertainty(sample.width_mm, sample.width_u95_mm),
                "–" if sample.length_mm is None else f"{sample.length_mm:z.0f}",
            )
        )
    return Grid(columns=["photo", "ends per inch", "picks per inch", "width, mm", "length, mm"], rows=rows)


def _photos(series: Series, shown: Sequence[Shown]) -> list[Block]:
    columns: list[list[Block]] = [
        [Picture(one.view.marked, f"{k + 1}. {printable(series.photos[k])}, {series.stages[k]}", "photo")]
        for k, one in enumerate(shown)
        if one.view is not None
    ]
    return [Pair(columns)] if columns else []


def _remarks(series: Series, found: Sequence[SettMeasurement]) -> list[str]:
    told = cautions_of(series.notices)
    own = cautions_of(n for m in found for n in (*m.plane.notices, *m.result.notices))
    return [text for text in own if text not in told]


def _judged(series: Series, shown: Sequence[Shown]) -> list[tuple[str, PhotoQuality | None]]:
    photos = [(k, one) for k, one in enumerate(shown) if one.view is not None]
    return [(f"{k + 1}. {printable(series.photos[k])}", one.measurement.quality) for k, one in photos]


def _method(series: Series, shown: Sequence[Shown]) -> list[Block]:
    blocks: list[Block] = []
    for k, one in enumerate(shown):
        name, measurement = printable(series.photos[k]), one.measurement
        if one.view is None or one.request is None:
            told = "kept figures; only mean spacings and the outline can be compared"
            blocks.append(Facts([(name, told), ("stage", one.stage), program_fact()]))
            continue
        blocks.append(Facts([*method_rows(one.view, measurement, one.request), ("stage", one.stage)]))
        if measurement.plane.budget:
            blocks.append(Budget(f"scale of {name}", measurement.plane.budget, measurement.plane.u95_percent))
    return blocks
