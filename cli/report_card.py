"""The reports of `pickglass card` and `pickglass lens`: what was drawn or learned, and what to check before trusting it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..calibration.units import MM_PER_INCH
from .card_words import HEIGHT, WIDTH, off_size
from .charts import line_chart
from .report_blocks import (
    Block,
    Chart,
    Command,
    Facts,
    Figure,
    Grid,
    Page,
    Picture,
    Points,
    Section,
    Words,
    program_fact,
    render,
)
from .report_pictures import inlay_of
from .rounding import with_uncertainty
from .screen import printable

if TYPE_CHECKING:
    from ..calibration.card_memory import CheckBars
    from ..calibration.card_sheets import Sheet
    from ..calibration.lens import LearnedLens

__all__ = ["DrawnCard", "card_report", "check_report", "lens_report"]

PREVIEW_DOTS_PER_MM, PREVIEW_BYTES = 3.0, 250_000
PRINTING = (
    "Print at 100 % (“actual size”), never “fit to page”; switch off “shrink oversized pages”.",
    "Use matt paper; glossy paper shines in the photo.",
    "Look at the print: every square is whole, black is black, nothing is cut off at the edges.",
    "Measure both 100 mm bars with a steel rule, from line to line, each at least twice.",
    "Write down what you read below, and tell pickglass once.",
    "Glue a pocket card or a rail to stiff card; keep a page card flat, without folds.",
)
TROUBLE = (
    (
        "Bars that read 94 or 106 mm: the page was fitted to another paper. Print again, and choose the paper that lies in the "
        "printer with --paper."
    ),
    "Bars that differ from each other by more than 3 mm: measure both again; a printer does not stretch so much.",
    "Another printer, or another print for another place: draw it with --copy 2, so that its bars are remembered apart.",
)
MEMORY = (
    "Until the bars are told, results with this card say that it is unconfirmed and carry a larger uncertainty.",
    (
        "A print changes with damp air by a few tenths of a percent (common practice); measure the bars again after a year, or "
        "when the card got wet."
    ),
)
USES = {
    "page": "Lay the sample into the empty middle; the markers around it also tell how the phone was held.",
    "pocket": "Lay it beside the sample, at the same height, touching neither the sample nor the edge of the photo.",
    "rail": "Lay it along the band; overlapping photos are joined by its markers.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnCard:
    """A card that was drawn, and where."""

    kind: str
    code: str
    paper: str
    file_name: str
    sheets: Sequence[Sheet]
    picture: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]


def card_report(drawn: DrawnCard) -> bytes:
    """Return the report of a card that was drawn: what to print, and the list to tick off."""
    first = drawn.sheets[0]
    pages = f"{len(drawn.sheets)} page{'' if len(drawn.sheets) == 1 else 's'}"
    alt = f"The {drawn.kind} card {drawn.code} as it must come out of the printer"
    report = Page(
        kind=f"{drawn.kind} card to print",
        title=f"Card {drawn.code}",
        made_from=f"the drawing of card {drawn.code}; nothing was sent anywhere",
        sentence=USES[drawn.kind],
        figures=[
            Figure(title="Code", value=drawn.code, more=["printed large on the card"]),
            Figure(
                title="Paper", value=drawn.paper, more=[f"{first.width_mm:g} × {first.height_mm:g} mm", pages]
            ),
            Figure(title="Check bars", value="100", unit="mm", more=["one horizontal, one vertical"]),
        ],
        sections=[
            Section("Print and check", [Points(PRINTING, boxes=True), _bars_to_fill(), _tell(drawn.code)]),
            Section(
                "What it looks like",
                [
                    Picture(
                        inlay_of(drawn.picture, alt, most_bytes=PREVIEW_BYTES),
                        f"Only to look at, not to print: print {printable(drawn.file_name)}, which is exact.",
                        "photo",
                    )
                ],
            ),
            Section("When the bars read something odd", [Points(TROUBLE)]),
            Section("Please mind", [Points(MEMORY)]),
            Section(
                "How it was made",
                [
                    Facts(
                        [
                            ("file", printable(drawn.file_name)),
                            ("kind of card", drawn.kind),
                            ("drawn for", f"{drawn.paper}, {pages}"),
                            ("size", "exact in the PDF; what comes out of the printer is what the bars say"),
                            program_fact(),
                        ]
                    )
                ],
            ),
        ],
        notes=(
            "Printed on, by which printer",
            "Horizontal bar, mm",
            "Vertical bar, mm",
            "Measured again on",
            "",
        ),
    )
    return render(report)


_BAR_CHECKS = (
    "The code above is the code on the card in your hand.",
    "Lay the rule on both bars once more: the lengths above are what it reads.",
    (
        "A bank card measures 85.60 × 53.98 mm (ISO/IEC 7810, ID-1): a photo of it beside this card must give the same "
        "sett with --card bank and with --card printed."
    ),
)


def check_report(code: str, bars: CheckBars) -> bytes:
    """Return the report of the bars that were told of a card."""
    shares = [100.0 * (share - 1.0) for share in bars.scale]
    rows = [
        (name, f"{value:g}", f"{share:+z.1f} %", f"{MM_PER_INCH * value / 100:z.2f} mm")
        for name, value, share in zip(
            ("horizontal", "vertical"), (bars.across_mm, bars.upright_mm), shares, strict=True
        )
    ]
    report = Page(
        kind="check bars of a printed card",
        title=f"Card {printable(code)}",
        made_from="the lengths that were typed; nothing was sent anywhere",
        sentence="Photos with this card are corrected for its print from now on.",
        figures=[
            Figure(title=title, value=f"{mm:g}", unit="mm", more=[f"the print is {off_size(share, way)}"])
            for title, mm, share, way in (
                ("Horizontal bar", bars.across_mm, shares[0], WIDTH),
                ("Vertical bar", bars.upright_mm, shares[1], HEIGHT),
            )
        ],
        sections=[
            Section(
                "Check by eye",
                [Points(_BAR_CHECKS, boxes=True)],
            ),
            Section(
                "What it means",
                [
                    Grid(
                        columns=["bar", "read, mm", "printed", "an inch on the card is"],
                        rows=rows,
                        caption="Drawn 100 mm long",
                    )
                ],
            ),
            Section("Please mind", [Points((TROUBLE[2], *MEMORY[1:]))]),
            Section(
                "How it was worked out",
                [Facts([("corrected by", "read length over 100 mm, in each direction"), program_fact()])],
            ),
        ],
        notes=("Measured on, with which rule", "Horizontal bar again, mm", "Vertical bar again, mm", ""),
    )
    return render(report)


def lens_report(learned: LearnedLens, names: Sequence[str]) -> bytes:
    """Return the report of a learned lens: how far it moves the picture, and how sure that is."""
    record = learned.record
    shown = [printable(name) for name in names]
    report = Page(
        kind="lens of a phone",
        title=f"{printable(record.camera)}, {record.focal_length_mm:g} mm",
        made_from=f"{len(shown)} photos of the page card; nothing was sent anywhere",
        sentence="Later photos by this lens are corrected without being asked.",
        figures=_lens_figures(learned),
        sections=[
            Section(
                "Check by eye",
                [
                    Points(
                        (
                            (
                                "Photograph a sample twice beside a card, once in the middle of the photo and once "
                                "near the edge of the photo: both must give the same sett."
                            ),
                            "Each photo shows the whole card, sharp, from another side.",
                            "All photos were taken by the same lens: a phone with several changes lens by itself when you zoom.",
                        ),
                        boxes=True,
                    )
                ],
            ),
            Section("How far it moves the picture", _bending(learned)),
            Section("Please mind", [Points(_lens_cautions(learned))]),
            Section(
                "How it was measured",
                [
                    Facts(
                        [
                            ("photos", ", ".join(shown)),
                            ("first radial term k1", f"{record.k1:+z.4f} ± {2 * record.k1_u:z.4f} (95 %)"),
                            (
                                "focal length",
                                (
                                    f"{with_uncertainty(record.focal_per_diagonal, 2 * record.focal_per_diagonal_u)} picture "
                                    f"diagonals{'' if learned.focal_from_photos else ', from the files'}"
                                ),
                            ),
                            ("markers fit within", f"{learned.rms_px:z.2f} pixels"),
                            (
                                "method",
                                "plane calibration from several views (Z. Zhang, 2000), one radial term",
                            ),
                            program_fact(),
                        ]
                    )
                ],
            ),
        ],
        notes=("Phone, lens or zoom", "Learned on", "Learned again on", ""),
    )
    return render(report)


def _lens_figures(learned: LearnedLens) -> list[Figure]:
    record = learned.record
    shift, _, u95 = with_uncertainty(
        abs(learned.corner_shift_percent), learned.corner_shift_u95_percent
    ).partition(" ± ")
    return [
        Figure(
            title="Corners are moved by",
            value=shift,
            doubt=u95,
            unit="%",
            more=[
                "of their distance from the middle",
                "inwards" if learned.corner_shift_percent < 0 else "outwards",
            ],
        ),
        Figure(title="Photos", value=str(record.photos), more=["of the page card"]),
        Figure(title="Markers fit within", value=f"{learned.rms_px:z.2f}", unit="px"),
    ]


def _bending(learned: LearnedLens) -> list[Block]:
    record = learned.record
    radius = np.linspace(0.0, 1.0, 41)  # of half the diagonal
    reach = (0.5 * radius / record.focal_per_diagonal) ** 2 * 100.0
    low, middle, high = ((record.k1 + k * 2.0 * record.k1_u) * reach for k in (-1.0, 0.0, 1.0))
    told = ", ".join(
        f"{100 * r:z.0f} %: {s:+z.2f} %" for r, s in zip(radius[10::10], middle[10::10], strict=True)
    )
    chart = line_chart(
        "bending",
        100.0 * radius,
        middle,
        band=(low, high),
        x_words="% of the way from middle to corner",
        y_words="moved by, %",
        title="How far the lens moves the picture",
        description=f"From the middle to the corner: {told}.",
    )
    return [
        Words(
            "The line says how far the lens moves what lies at that distance from the middle of the picture, the band around it "
            "the 95 % uncertainty. A sample in the middle third is hardly moved at all."
        ),
        Chart(chart),
    ]


def _lens_cautions(learned: LearnedLens) -> list[str]:
    texts = [
        "The correction holds for this phone and this lens without zoom; another zoom is another lens.",
        "One radial term is enough for phones that straighten their pictures themselves, as most do (common practice).",
    ]
    if not learned.focal_from_photos:
        texts.insert(
            0,
            "The photos were too much alike to check the focal length, so the one in the files was kept; tilt the phone more to "
            "different sides to have it checked.",
        )
    return texts


def _bars_to_fill() -> Grid:
    return Grid(
        columns=["bar", "first reading, mm", "second reading, mm"],
        rows=[("horizontal", "…………", "…………"), ("vertical", "…………", "…………")],
        caption="What the rule reads",
        dense=True,
    )


def _tell(code: str) -> Command:
    return Command(f"pickglass card --code {code} --measured 100.0x100.0")
