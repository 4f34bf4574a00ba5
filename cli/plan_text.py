"""The answer of `pickglass plan` as text for the screen: short lines, aligned."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from ..calibration.units import MM_PER_INCH
from .rounding import with_uncertainty
from .screen import paragraph, printable, shade, width

if TYPE_CHECKING:
    from ..measure.plan import WarpPlan, YarnLine
    from ..measure.quantities import Factor
    from ..measure.sett_advice import SettAdvice, Substitution
    from .plan_units import PlanUnits

__all__ = [
    "advice_words",
    "beat_on_loom",
    "beat_rows",
    "beside_pieces",
    "factor_rows",
    "plan_text",
    "substitution_words",
    "symmetry_words",
]

_LEAST_COLUMN = 24  # a narrower last column goes below the others
_SMALL_MM = 20.0  # shorter lengths are told in millimetres
SAFETY = (
    "Evenness and thread counts say nothing of strength: no hand-woven band for climbing, lifting, restraining or "
    "carrying without a laboratory's tensile test and your local rules; no neck or hood cords on small children's "
    "clothes."
)


def plan_text(
    plan: WarpPlan,
    *,
    units: PlanUnits,
    advice: SettAdvice | None,
    substitutions: Sequence[Substitution],
    written: Sequence[str],
) -> str:
    """Return the whole answer, the weaver's own units first."""
    columns = width(sys.stdout)
    blocks = [_headline(plan, units, columns)]
    if advice is not None:
        blocks.append(paragraph(advice_words(advice, units), columns=columns, first="  ", indent="  "))
    blocks.append("\n".join(["How it was worked out", *_table(factor_rows(plan, units), columns)]))
    totals = [*_total_row(plan.yarn, "warp", units), *_total_row(plan.yarn, "weft", units)]
    blocks.append(
        "\n".join(["Yarn, with the margin", *_table([*_yarn_rows(plan.yarn, units), *totals], columns)])
    )
    if len(set(plan.ends)) > 1:
        blocks.append(_winding(plan, columns))
    if substitutions:
        blocks.append(_substitutions(substitutions, plan, units, columns))
    blocks.append("\n".join(["If the beat changes", *_table(beat_rows(plan, units), columns)]))
    notices = [paragraph(n.text, columns=columns, first="  Note: ", indent="        ") for n in plan.notices]
    notices += [paragraph(SAFETY, columns=columns, first="  Safety: ", indent="          ")]
    blocks.append("\n".join(notices))
    if written:
        blocks.append("\n".join(f"  Written: {printable(name)}" for name in written))
    return "\n\n".join(blocks)


def _headline(plan: WarpPlan, units: PlanUnits, columns: int) -> str:
    request = plan.request
    ends = f"{len(plan.ends)}"
    if plan.heddle_width_mm is not None and plan.heddle_sett_per_inch is not None:
        ends += f", {units.length(plan.heddle_width_mm)} wide in the heddle at {units.density(plan.heddle_sett_per_inch)}"
    pieces = "" if request.pieces == 1 else f" a piece, {request.pieces} pieces"
    rows = [
        ("Ends", ends),
        (
            "Wind",
            f"{units.length(plan.warp_length_with_margin_mm)} of warp: {units.length(plan.warp_length_mm)} needed",
        ),
        ("", f"and {plan.warp_margin_percent:z.1f} % margin{_largest(plan, units)}"),
        ("", f"in it {beside_pieces(plan, units)}"),
        (
            "Weave",
            f"{plan.picks_per_piece} picks, {units.length(plan.on_loom_length_mm)} under tension{pieces}",
        ),
        ("", f"{units.density(beat_on_loom(plan), 'picks')} by the rule on the loom"),
        ("Finishes", f"{units.size(plan.expected_width_mm, plan.expected_width_u95_mm)} wide"),
        ("", f"{units.size(plan.expected_length_mm, plan.expected_length_u95_mm)} long"),
    ]
    title = shade("The next warp", "strong", sys.stdout)
    return "\n".join([title, *_table(rows, columns)])


def beat_on_loom(plan: WarpPlan) -> float:
    """Return the picks per inch that a rule on the stretched cloth must show."""
    return plan.picks_per_piece / plan.on_loom_length_mm * MM_PER_INCH


def beside_pieces(plan: WarpPlan, units: PlanUnits) -> str:
    """Return what of the warp needed is for no piece: loom waste, and a sampler where one is to be woven first."""
    waste = f"{units.length(plan.request.waste.value)} loom waste"
    if plan.request.sampling_mm <= 0.0:
        return waste
    return f"{units.length(plan.request.sampling_mm)} for a sampler first and {waste}"


def _largest(plan: WarpPlan, units: PlanUnits) -> str:
    """Name what more than half of the margin comes from."""
    shares = plan.margin_shares
    return f", mostly for the {units.name(shares[0].factor)}" if shares and shares[0].percent > 50.0 else ""


def _value(factor: Factor, units: PlanUnits) -> str:
    if factor.unit == "mm" and abs(factor.value) < _SMALL_MM:
        return f"{with_uncertainty(factor.value, factor.u95)} mm"
    if factor.unit == "mm":
        return units.size(factor.value, factor.u95)
    if factor.unit == "per inch":
        return f"{with_uncertainty(units.threads(factor.value), units.threads(factor.u95))} /{units.per}"
    unit = {"%": " %", "tex": " tex"}.get(factor.unit, "")
    return f"{with_uncertainty(factor.value, factor.u95)}{unit}"


def factor_rows(plan: WarpPlan, units: PlanUnits) -> list[tuple[str, str, str, str]]:
    """Return (what, value with U95, base, origin) for each factor of the chain."""
    rows = []
    for factor in plan.request.factors:
        base = f"of {factor.base}" if factor.unit == "%" else factor.base
        origin = {"measured": "measured", "given": "given", "prior": "general"}[factor.origin]
        rows.append(
            (
                units.name(factor.name),
                _value(factor, units),
                base,
                f"{origin}: {printable(factor.note)}".removesuffix(": "),
            )
        )
    return rows


def _yarn_rows(lines: Iterable[YarnLine], units: PlanUnits) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for line in lines:
        threads = f"{line.threads} {'ends' if line.role == 'warp' else 'picks'}"
        colour = "" if line.colour == line.role else line.colour
        rows.append(
            (
                line.role,
                colour,
                threads,
                units.yarn(line.length_with_margin_mm),
                units.mass(line.mass_with_margin_g),
            )
        )
    return rows


def _total_row(lines: Sequence[YarnLine], role: str, units: PlanUnits) -> list[tuple[str, ...]]:
    """Return the sum of one role's colours, where there are several."""
    chosen = [line for line in lines if line.role == role]
    if len(chosen) < 2:
        return []
    masses = [line.mass_with_margin_g for line in chosen if line.mass_with_margin_g is not None]
    threads = f"{sum(line.threads for line in chosen)} {'ends' if role == 'warp' else 'picks'}"
    length = units.yarn(sum(line.length_with_margin_mm for line in chosen))
    return [(role, "in all", threads, length, units.mass(sum(masses) if masses else None))]


def _substitutions(choices: Sequence[Substitution], plan: WarpPlan, units: PlanUnits, columns: int) -> str:
    lines = ["Heddles or reeds on hand, nearest first"]
    lines += [
        paragraph(substitution_words(choice, plan, units), columns=columns, first="  ", indent="    ")
        for choice in choices[:4]
    ]
    return "\n".join(lines)


def substitution_words(choice: Substitution, plan: WarpPlan, units: PlanUnits) -> str:
    """Return what one heddle or reed on hand would make of the warp: its width now and finished, if it draws in alike."""
    size = choice.heddle_per_inch / choice.ends_per_opening
    each = "one end" if choice.ends_per_opening == 1 else "two ends"
    finished = ""
    if plan.heddle_width_mm:
        share = choice.width_in_heddle_mm / plan.heddle_width_mm
        finished = f", finishing near {units.length(share * plan.expected_width_mm)}"
    return (
        f"{units.heddle(size)}, {each} in each opening: sett {choice.change_percent:+z.0f} %, "
        f"{units.length(choice.width_in_heddle_mm)} wide{finished} (or {choice.ends_for_same_width} ends for the same "
        f"width); {choice.effect}."
    )


def advice_words(advice: SettAdvice, units: PlanUnits) -> str:
    """Return the sett that a rule of thumb says to sample first."""
    return (
        f"Sett to sample first: {units.count(advice.start_per_inch)} {units.name('ends per inch')} by {advice.rule}; at most "
        f"{units.count(advice.greatest_per_inch)}. {advice.caution}"
    )


def _winding(plan: WarpPlan, columns: int) -> str:
    from ..measure.colour_order import write_order

    return "\n".join(
        [
            "Winding order, left to right",
            paragraph(write_order(plan.ends), columns=columns, first="  ", indent="  "),
            f"  {symmetry_words(plan)}",
        ]
    )


def symmetry_words(plan: WarpPlan) -> str:
    """Return whether the order of colours is the same from both sides."""
    from ..measure.colour_order import find_symmetry

    symmetry = find_symmetry(plan.ends)
    added = any(notice.code == "parity-end" for notice in plan.notices)
    if added and symmetry.kind != "symmetric" and find_symmetry(plan.ends[:-1]).kind == "symmetric":
        return "The same from both sides, but for the end added at the right."
    return {
        "symmetric": f"The same from both sides; the middle is {symmetry.centre}.",
        "nearly": "Nearly the same from both sides, but for ends "
        + ", ".join(f"{a} and {b}" for a, b in symmetry.odd_pairs[:6])
        + ".",
        "none": "Not the same from both sides.",
    }[symmetry.kind]


def beat_rows(plan: WarpPlan, units: PlanUnits) -> list[tuple[str, str, str]]:
    """Return (beat, picks, weft) for a beat that comes out closer or more open than planned."""
    return [
        (
            f"{units.count(change.picks_per_inch)} picks/{units.per} ({change.change_percent:+z.0f} %)",
            f"{change.picks_total} picks",
            f"{units.yarn(change.weft_length_mm)} of weft before the margin",
        )
        for change in plan.beat
    ]


def _table(rows: Iterable[Sequence[str]], columns: int) -> list[str]:
    """Return aligned lines; on a terminal that is narrower the last column goes on below, in a pipe each row is one line."""
    table = [tuple(row) for row in rows]
    widths = [max(len(row[i]) for row in table) for i in range(len(table[0]))]
    longest = 2 + sum(widths) + 2 * (len(widths) - 1)
    wrap = sys.stdout.isatty() and longest > columns
    before = longest - widths[-1]
    lines = []
    for row in table:
        first = "  " + "".join(f"{cell.ljust(w)}  " for cell, w in zip(row[:-1], widths[:-1], strict=True))
        if not wrap:
            lines.append(first + row[-1])
        elif before + _LEAST_COLUMN <= columns:
            lines.append(paragraph(row[-1], columns=columns, first=first, indent=" " * before))
        else:
            lines += [first, paragraph(row[-1], columns=columns, indent=" " * 6)]
    return [line.rstrip() for line in lines]
