"""The report of `pickglass plan`: the way back from the finished cloth to the warp, and what every step rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from .charts import shares_chart
from .plan_preview import face_png
from .plan_text import (
    SAFETY,
    advice_words,
    beat_rows,
    beside_pieces,
    factor_rows,
    substitution_words,
    symmetry_words,
)
from .report_blocks import (
    Block,
    Chart,
    Facts,
    Figure,
    Grid,
    Page,
    Picture,
    Points,
    Section,
    Swatches,
    Words,
    cautions_of,
    program_fact,
    render,
)
from .report_pictures import drawn_inlay
from .screen import printable

if TYPE_CHECKING:
    from ..measure.plan import WarpPlan
    from ..measure.sett_advice import SettAdvice, Substitution
    from .plan_colours import Rgb
    from .plan_units import PlanUnits

__all__ = ["plan_report"]

FACE_ENDS, FACE_PICKS = 120, 24
LEAST_SHARE = 1.0  # percent of the margin that is worth a bar
CHECKS = (
    "The warp measures the length to wind, without stretching it.",
    "Ends of every colour counted twice.",
    "The middle of the warp lies on the middle of the heddle.",
    "The cross is tied on both sides, the choke ties are tight.",
    "Dyed yarn is tested for bleeding.",
    "The finished size above is the size that was wished.",
)


def plan_report(
    plan: WarpPlan,
    paints: Mapping[str, Rgb],
    *,
    units: PlanUnits,
    band: bool,
    title: str,
    sources: Sequence[str],
    advice: SettAdvice | None,
    substitutions: Sequence[Substitution],
) -> bytes:
    """Return the report as an HTML file in UTF-8; `sources` names the files and samples that were read."""
    report = Page(
        kind="plan of a warp",
        title=printable(title),
        made_from=f"{', '.join(map(printable, dict.fromkeys(sources))) or 'figures given by hand'}; nothing was sent anywhere",
        sentence="Worked back from the finished cloth; what was measured, given or only general is said with each figure.",
        figures=_figures(plan, units),
        ribbon=drawn_inlay(_face(plan, paints, band=band, picks=2), "").uri,
        sections=[
            Section("Before anything is cut", [Points(CHECKS, boxes=True)]),
            Section("From the finished cloth back to the warp", _way_back(plan, units)),
            Section("Colours and winding", _colours(plan, paints, band=band)),
            Section("Yarn, with the margin", [_yarn(plan, units)]),
            Section("What the margin is for", _margin(plan, units)),
            Section("If something is different", _otherwise(plan, units, advice, substitutions)),
            Section("Please mind", [Points([*cautions_of(plan.notices), SAFETY])]),
            Section("How it was worked out", [_factors(plan, units), Facts([program_fact()])]),
        ],
        notes=(
            "Date, loom",
            "Warp used, in all",
            "Woven, under tension",
            "Off the loom: length × width",
            "Washed: length × width",
        ),
    )
    return render(report)


def _figures(plan: WarpPlan, units: PlanUnits) -> list[Figure]:
    heddle = ["no set width in the heddle"]
    if plan.heddle_width_mm is not None and plan.heddle_sett_per_inch is not None:
        heddle = [
            f"{units.length(plan.heddle_width_mm)} in the heddle",
            f"at {units.density(plan.heddle_sett_per_inch)}",
        ]
    wind, _, also = units.length(plan.warp_length_with_margin_mm).partition(" (")
    weave, _, also_weave = units.length(plan.on_loom_length_mm).partition(" (")
    pieces = "" if plan.request.pieces == 1 else f", {plan.request.pieces} pieces"
    return [
        Figure(title="Ends", value=f"{len(plan.ends)}", more=heddle),
        Figure(
            title="Wind a warp of",
            value=wind,
            more=[also.removesuffix(")"), f"{plan.warp_margin_percent:z.1f} % margin in it"],
        ),
        Figure(
            title="Weave, under tension",
            value=weave,
            more=[also_weave.removesuffix(")"), f"{plan.picks_per_piece} picks a piece{pieces}"],
        ),
    ]


def _way_back(plan: WarpPlan, units: PlanUnits) -> list[Block]:
    request = plan.request
    heddle = "no set width" if plan.heddle_width_mm is None else units.length(plan.heddle_width_mm)
    rows = [
        ("wished, finished", units.length(request.width_mm), units.length(request.length_mm)),
        (
            "expected, finished",
            units.size(plan.expected_width_mm, plan.expected_width_u95_mm),
            units.size(plan.expected_length_mm, plan.expected_length_u95_mm),
        ),
        ("off the loom", units.length(plan.off_loom_width_mm), units.length(plan.off_loom_length_mm)),
        ("on the loom, under tension", "", units.length(plan.on_loom_length_mm)),
        ("in the heddle", heddle, ""),
        ("warp needed, all pieces and waste", "", units.length(plan.warp_length_mm)),
        ("warp to wind, margin in it", "", units.length(plan.warp_length_with_margin_mm)),
    ]
    told = f"The width alone asks for {plan.exact_ends:z.0f} ends; the plan has {len(plan.ends)}, whole and in the order of colours."
    told += f" In the warp needed there are {beside_pieces(plan, units)}."
    return [Grid(columns=["one piece", "width", "length"], rows=rows), Words(told)]


def _colours(plan: WarpPlan, paints: Mapping[str, Rgb], *, band: bool) -> list[Block]:
    from ..measure.colour_order import count_colours, write_order

    part = "" if len(plan.ends) <= FACE_ENDS else f", the left {FACE_ENDS} ends"
    picture = drawn_inlay(
        _face(plan, paints, band=band, picks=FACE_PICKS), f"Drawing of the woven face{part}"
    )
    swatches = [
        (printable(name), _css(paints[name]), f"{count} ends")
        for name, count in count_colours(plan.ends).items()
    ]
    return [
        Picture(picture, f"The face in plain weave{part}: a drawing, not a photo.", "flat"),
        Swatches(swatches),
        Words(f"Left to right: {printable(write_order(plan.ends))}."),
        Words(printable(symmetry_words(plan))),
    ]


def _yarn(plan: WarpPlan, units: PlanUnits) -> Grid:
    rows = [
        (
            line.role if line.colour == line.role else f"{line.role}, {printable(line.colour)}",
            f"{line.threads} {'ends' if line.role == 'warp' else 'picks'}",
            units.yarn(line.length_with_margin_mm),
            units.mass(line.mass_with_margin_g) or "not known: give the yarn",
        )
        for line in plan.yarn
    ]
    return Grid(columns=["yarn", "threads", "length", "weight"], rows=rows)


def _margin(plan: WarpPlan, units: PlanUnits) -> list[Block]:
    shares = [
        (units.name(share.factor), share.percent)
        for share in plan.margin_shares
        if share.percent >= LEAST_SHARE
    ]
    if not shares:
        return []
    told = ", ".join(f"{name} {percent:z.0f} %" for name, percent in shares)
    chart = shares_chart(
        "margin", shares, unit="%", title="What the margin of the warp comes from", description=f"{told}."
    )
    words = (
        f"The warp is wound {plan.warp_margin_percent:z.1f} % longer than needed, because what it rests on is not sure. "
        "Measure what stands at the top on a sample of your own, and the next warp needs less."
    )
    return [Words(words), Chart(chart)]


def _otherwise(
    plan: WarpPlan, units: PlanUnits, advice: SettAdvice | None, substitutions: Sequence[Substitution]
) -> list[Block]:
    blocks: list[Block] = [
        Grid(
            columns=["if you beat", "picks in all", "weft before the margin"],
            rows=[
                (beat, picks, weft.removesuffix(" of weft before the margin"))
                for beat, picks, weft in beat_rows(plan, units)
            ],
            numbers=False,
        )
    ]
    if substitutions:
        blocks += [
            Words("Heddles or reeds on hand, nearest first:"),
            Points([substitution_words(choice, plan, units) for choice in substitutions]),
        ]
    if advice is not None:
        blocks.append(Words(advice_words(advice, units)))
    return blocks


def _factors(plan: WarpPlan, units: PlanUnits) -> Grid:
    return Grid(
        columns=["what", "value", "of what", "known from"],
        rows=factor_rows(plan, units),
        caption="Every figure the plan rests on",
        numbers=False,
    )


def _face(plan: WarpPlan, paints: Mapping[str, Rgb], *, band: bool, picks: int) -> bytes:
    weft = plan.request.weft_order.ends() if plan.request.weft_order else ("weft",)
    return face_png(plan.ends[:FACE_ENDS], weft, paints, band=band, picks=picks)


def _css(paint: Rgb) -> str:
    red, green, blue = paint
    return f"#{red:02x}{green:02x}{blue:02x}"
