"""The reports of `pickglass book`: one sample with its life, or two samples side by side."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from ..calibration.errors import PickglassError
from ..calibration.units import MM_PER_INCH
from .book_record import newest, stage_word
from .book_text import (
    LEGEND,
    compare_rows,
    fact_rows,
    life_rows,
    other_readings,
    quoted,
    stage_note,
    unsure_systems,
)
from .charts import Reading, compare_chart
from .report_blocks import (
    Block,
    Chart,
    Facts,
    Figure,
    Grid,
    Page,
    Pair,
    Points,
    Section,
    Words,
    program_fact,
    render,
)
from .rounding import with_uncertainty
from .screen import printable
from .sett_text import SCALE_WORDS
from .shrinkage_text import change_words, signed, step_name

if TYPE_CHECKING:
    from .book_record import Record, Sample

__all__ = ["compare_report", "show_report"]

SYSTEMS = (("ends", "Ends per inch"), ("picks", "Picks per inch"))
MOST_ROWS = 40
CHECKS = (
    "Take the sample in your hand: name, yarns and notes below belong to it.",
    "Count one inch of ends and one inch of picks with a rule and a needle, and compare with the last line of the table.",
    "A wash that made the sample larger, or a sett that doubled, is more likely a mistake in reading than in weaving.",
)
CAUTIONS = (
    "The ± of a density and of a width is the 95 % uncertainty of its own photo.",
    "Take-up (tension let off) and shrinkage (the wash) are never one figure: compare what was measured at the same stage.",
    "Before a first wet finish test for bleeding dye (common practice; the yarn's label comes first).",
)


def show_report(sample: Sample) -> bytes:
    """Return the report of one sample with everything the book keeps of it; `sample` with its whole documents."""
    record = newest(sample)
    readings = other_readings(sample)
    notes: list[Block] = [Points([printable(note) for note in sample.notes])] if sample.notes else []
    report = Page(
        kind="sample from the book",
        title=printable(sample.name),
        made_from="the sample book; nothing was sent anywhere",
        verdict=_verdict(record),
        sentence="" if record is None else f"As last measured: {stage_word(record.stage)}, {record.date}.",
        figures=_figures(record),
        doubts=[LEGEND, *readings] if readings else (),
        sections=[
            Section("What it is made of", [Facts(fact_rows(sample))] if fact_rows(sample) else []),
            Section("Check by eye", [Points(CHECKS, ordered=True)]),
            Section("Its life", _life(sample)),
            Section("How it changed", _changes(sample)),
            Section("Notes in the book", notes),
            Section("Please mind", [Points(CAUTIONS)]),
            Section("How it was measured", _method(sample.records)),
        ],
    )
    return render(report)


def compare_report(one: Sample, two: Sample, first: Record | None, second: Record | None) -> bytes:
    """Return the report of two samples side by side."""
    columns, *rows = compare_rows(one, two, first, second)
    note = stage_note(one, two, first, second)
    records = [record for record in (first, second) if record is not None]
    both_measured = all(record is not None and record.figures for record in (first, second))
    unsure = any(unsure_systems(record.figures or {}) for record in records)
    names = [printable(sample.name) for sample in (one, two)]
    report = Page(
        kind="two samples from the book",
        title=f"{names[0]} and {names[1]}",
        made_from="the sample book; nothing was sent anywhere",
        verdict="" if not both_measured else "unsure" if unsure else "measured",
        sentence="A difference counts only where it is larger than the doubt of both.",
        doubts=[text for text in (note, LEGEND if unsure else "") if text],
        sections=[
            Section(
                "Side by side",
                [
                    Grid(columns=["", *columns[1:]], rows=rows, numbers=False),
                    *_dots(_named((one, two), (first, second)), "sample"),
                ],
            ),
            Section(
                "Check by eye",
                [
                    Points(
                        (
                            "Lay both samples beside each other, the warps the same way, and count one inch of each by eye.",
                            "Feel both: a denser cloth is firmer. Where the figures differ and the hands do not, look at the photos.",
                        ),
                        ordered=True,
                    )
                ],
            ),
            Section("Please mind", [Points(CAUTIONS[:2])]),
            Section("How it was measured", _method(records)),
        ],
    )
    return render(report)


def _verdict(record: Record | None) -> str:
    if record is None or record.figures is None:
        return ""
    return "unsure" if unsure_systems(record.figures) else "measured"


def _figures(record: Record | None) -> list[Figure]:
    figures = (record.figures if record else None) or {}
    out = []
    for key, title, unit in (
        ("ends_per_inch", "Ends per inch", ""),
        ("picks_per_inch", "Picks per inch", ""),
        ("width_mm", "Width", "mm"),
    ):
        value = figures.get(key)
        if value is None:
            continue
        u95 = figures.get(f"{key.split('_')[0]}_u95_{key.split('_', 1)[1]}")
        shown, _, doubt = with_uncertainty(value, u95).partition(" ± ")
        more = [f"{value / MM_PER_INCH:z.2f} inches"] if unit else [f"{value / 2.54:z.2f} per cm"]
        out.append(Figure(title=title, value=shown, doubt=doubt, unit=unit, more=more))
    return out


def _life(sample: Sample) -> list[Block]:
    if not sample.records:
        return [Words("Nothing was measured yet: pickglass book add NAME --from FILE.json")]
    columns, *rows = life_rows(sample)
    labelled = [(f"{stage_word(r.stage)}, {r.date}", r) for r in sample.records if r.figures is not None]
    return [Grid(columns=columns, rows=rows, numbers=False), *_dots(labelled, "")]


def _named(
    samples: tuple[Sample, Sample], records: tuple[Record | None, Record | None]
) -> list[tuple[str, Record]]:
    pairs = zip(samples, records, strict=True)
    return [(printable(sample.name)[:24], record) for sample, record in pairs if record is not None]


def _dots(labelled: Sequence[tuple[str, Record]], of: str) -> list[Block]:
    """Return a chart of ends and one of picks, where there are at least two to compare."""
    columns: list[list[Block]] = []
    for system, title in SYSTEMS:
        readings = []
        for label, record in labelled[-MOST_ROWS:]:
            figures = record.figures or {}
            value, u95 = figures.get(f"{system}_per_inch"), figures.get(f"{system}_u95_per_inch")
            if value is not None:
                sure = system not in unsure_systems(figures)
                readings.append(Reading(label=label, value=value, u95=u95 or 0.0, sure=sure))
        if len(readings) < 2:
            continue
        told = ", ".join(f"{r.label} {with_uncertainty(r.value, r.u95)}" for r in readings)
        svg = compare_chart(
            f"book-{system}", readings, unit=title.lower(), title=f"{title}", description=f"{told}.", of=of
        )
        columns.append([Chart(svg, title)])
    if not columns:
        return []
    words = "A dot is one measurement, its line the 95 % uncertainty; hollow dots are unsure."
    return [Words(words), Pair(columns)]


def _changes(sample: Sample) -> list[Block]:
    """Return the change of size from each stage to the next, where both were measured to a scale."""
    from ..measure.shrinkage import compare_sizes
    from .kept import kept_measurement

    latest = {record.stage: record for record in sample.records if record.document is not None}
    rows, remarks = [], []
    for before, after in pairwise(latest.values()):
        title = f"{stage_word(before.stage)} → {stage_word(after.stage)}"
        try:
            size = compare_sizes(
                kept_measurement(before.document or {}, f"{quoted(sample.name)} {stage_word(before.stage)}"),
                kept_measurement(after.document or {}, f"{quoted(sample.name)} {stage_word(after.stage)}"),
            )
        except PickglassError as error:
            remarks.append(f"{title}: {error.problem}")
            continue
        name = step_name(before.stage.removesuffix("-1"), after.stage)
        area = f"{signed(size.area_change_percent, size.area_u95_percent)} %"
        rows.append((title, change_words(size.warpwise), change_words(size.weftwise), area, name))
        remarks += [f"{title}: {notice.text}" for notice in size.notices]
    blocks: list[Block] = []
    if rows:
        blocks.append(Grid(columns=["step", "length", "width", "area", "called"], rows=rows))
        blocks.append(
            Words(
                "In percent of the size before; minus is smaller. From kept figures, by thread spacing and outline."
            )
        )
    if remarks:
        blocks.append(Points(list(dict.fromkeys(map(printable, remarks)))))
    return blocks


def _method(records: Sequence[Record]) -> list[Block]:
    rows = []
    for record in records:
        if record.figures is None:
            continue
        scale = (record.document or {}).get("scale") or {}
        source, u95 = scale.get("source"), scale.get("u95_percent")
        told = f"scale from {SCALE_WORDS.get(source, source)}" if source else "no scale kept"
        told += f", sure to {u95:z.2f} %" if isinstance(u95, int | float) and source else ""
        photo = printable(record.photo or "no photo named")
        told += f"; photo {photo}" + (f", SHA-256 {record.photo_sha256[:12]}…" if record.photo_sha256 else "")
        rows.append((f"{stage_word(record.stage)}, {record.date}", told))
    return [Facts([*rows, program_fact()])]
