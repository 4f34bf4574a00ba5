"""The report of `pickglass plan`: the way back from the finished cloth to the warp, and what every step rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from .charts import shares_chart
from .plan_preview import face_png
from .plan_text import (
    SAFETY,
    beat_rows,
    factor_rows,
    length_both,
    mass_both,
    size_both,
    substitution_words,
    symmetry_words,
    yarn_length,
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
        figures=_figures(plan),
        ribbon=drawn_inlay(_face(plan, paints, band=band, picks=2), "").uri,
        sections=[
            Section("Before anything is cut", [Points(CHECKS, boxes=True)]),
            Section("From the finished cloth back to the warp", _way_back(plan)),
            Section("Colours and winding", _colours(plan, paints, band=band)),
            Section("Yarn, with the margin", [_yarn(plan)]),
            Section("What the margin is for", _margin(plan)),
            Section("If something is different", _otherwise(plan, advice, substitutions)),
            Section("Please mind", [Points([*cautions_of(plan.notices), SAFETY])]),
            Section("How it was worked out", [_factors(plan), Facts([program_fact()])]),
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


def _figures(plan: WarpPlan) -> list[Figure]:
    heddle = ["no set width in the heddle"]
    if plan.heddle_width_mm is not None and plan.heddle_sett_per_inch is not None:
        sett = plan.heddle_sett_per_inch
        heddle = [
            f"{length_both(plan.heddle_width_mm)} in the heddle",
            f"at {sett:z.1f}/in ({sett / 2.54:z.1f}/cm)",
        ]
    wind, _, metric = length_both(plan.warp_length_with_margin_mm).partition(" (")
    weave, _, metric_weave = length_both(plan.on_loom_length_mm).partition(" (")
    pieces = "" if plan.request.pieces == 1 else f", {plan.request.pieces} pieces"
    return [
        Figure(title="Ends", value=f"{len(plan.ends)}", more=heddle),
        Figure(
            title="Wind a warp of",
            value=wind,
            more=[metric.removesuffix(")"), f"{plan.warp_margin_percent:z.1f} % margin in it"],
        ),
        Figure(
            title="Weave, under tension",
            value=weave,
            more=[metric_weave.removesuffix(")"), f"{plan.picks_per_piece} picks a piece{pieces}"],
        ),
    ]


def _way_back(plan: WarpPlan) -> list[Block]:
    request = plan.request
    heddle = "no set width" if plan.heddle_width_mm is None else length_both(plan.heddle_width_mm)
    rows = [
        ("wished, finished", length_both(request.width_mm), length_both(request.length_mm)),
        (
            "expected, finished",
            size_both(plan.expected_width_mm, plan.expected_width_u95_mm),
            size_both(plan.expected_length_mm, plan.expected_length_u95_mm),
        ),
        ("off the loom", length_both(plan.off_loom_width_mm), length_both(plan.off_loom_length_mm)),
        ("on the loom, under tension", "", length_both(plan.on_loom_length_mm)),
        ("in the heddle", heddle, ""),
        ("warp needed, all pieces and waste", "", length_both(plan.warp_length_mm)),
        ("warp to wind, margin in it", "", length_both(plan.warp_length_with_margin_mm)),
    ]
    told = f"The width alone asks for {plan.exact_ends:z.1f} ends; the plan has {len(plan.ends)}, whole and in the order of colours."
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


def _yarn(plan: WarpPlan) -> Grid:
    rows = [
        (
            line.role if line.colour == line.role else f"{line.role}, {printable(line.colour)}",
            f"{line.threads} {'ends' if line.role == 'warp' else 'picks'}",
            yarn_length(line.length_with_margin_mm),
            mass_both(line.mass_with_margin_g) or "not known: give the yarn",
        )
        for line in plan.yarn
    ]
    return Grid(columns=["yarn", "threads", "length", "weight"], rows=rows)


def _margin(plan: WarpPlan) -> list[Block]:
    shares = [(share.factor, share.percent) for share in plan.margin_shares if share.percent >= LEAST_SHARE]
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
    plan: WarpPlan, advice: SettAdvice | None, substitutions: Sequence[Substitution]
) -> list[Block]:
    blocks: list[Block] = [
        Grid(
            columns=["if you beat", "picks in all", "weft before the margin"],
            rows=[
                (beat, picks, weft.removesuffix(" of weft before the margin"))
                for beat, picks, weft in beat_rows(plan)
            ],
            numbers=False,
        )
    ]
    if substitutions:
        blocks += [
            Words("Heddles or reeds on hand, nearest first:"),
            Points([substitution_words(choice, plan) for choice in substitutions]),
        ]
    if advice is not None:
        blocks.append(
            Words(
                f"Sett to sample first: {advice.start_per_inch:z.1f} ends per inch ({advice.rule}; at most "
                f"{advice.greatest_per_inch:z.1f}). {advice.caution}"
            )
        )
    return blocks


def _factors(plan: WarpPlan) -> Grid:
    return Grid(
        columns=["what", "value", "of what", "known from"],
        rows=factor_rows(plan),
        caption="Every figure the plan rests on",
        numbers=False,
    )


def _face(plan: WarpPlan, paints: Mapping[str, Rgb], *, band: bool, picks: int) -> bytes:
    weft = plan.request.weft_order.ends() if plan.request.weft_order else ("weft",)
    return face_png(plan.ends[:FACE_ENDS], weft, paints, band=band, picks=picks)


def _css(paint: Rgb) -> str:
    red, green, blue = paint
    return f"#{red:02x}{green:02x}{blue:02x}"
