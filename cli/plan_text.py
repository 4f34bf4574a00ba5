"""The answer of `pickglass plan` as text for the screen: short lines, aligned."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from .rounding import with_uncertainty
from .screen import paragraph, printable, shade, width

if TYPE_CHECKING:
    from ..measure.plan import WarpPlan, YarnLine
    from ..measure.quantities import Factor
    from ..measure.sett_advice import SettAdvice, Substitution

__all__ = [
    "beat_rows",
    "factor_rows",
    "length_both",
    "mass_both",
    "plan_text",
    "size_both",
    "substitution_words",
    "symmetry_words",
    "yarn_length",
]

_MM_PER_INCH = 25.4
_MM_PER_YARD = 914.4
_LEAST_COLUMN = 24  # a narrower last column goes below the others
_SMALL_MM = 20.0  # shorter lengths are told in millimetres
SAFETY = (
    "Evenness and thread counts say nothing of strength: no hand-woven band for climbing, lifting, restraining or "
    "carrying without a laboratory's tensile test and your local rules; no neck or hood cords on small children's "
    "clothes."
)


def length_both(value_mm: float) -> str:
    """Return a length in inches and in centimetres or metres: ``"24.2 in (61.3 cm)"``."""
    metric = f"{value_mm / 1000:z.2f} m" if value_mm >= 2000 else f"{value_mm / 10:z.1f} cm"
    return f"{value_mm / _MM_PER_INCH:z.1f} in ({metric})"


def size_both(value_mm: float, u95_mm: float) -> str:
    """Return a size with its margin in both units."""
    inches = with_uncertainty(value_mm / _MM_PER_INCH, u95_mm / _MM_PER_INCH)
    return f"{inches} in ({with_uncertainty(value_mm / 10, u95_mm / 10)} cm)"


def yarn_length(value_mm: float) -> str:
    """Return a length of yarn: ``"1388 m (1518 yd)"``."""
    metres = value_mm / 1000
    digits = 0 if metres >= 10 else 1
    return f"{metres:z.{digits}f} m ({value_mm / _MM_PER_YARD:z.{digits}f} yd)"


def mass_both(value_g: float | None) -> str:
    """Return a weight: ``"45 g (1.6 oz)"``."""
    if value_g is None:
        return ""
    grams = f"{value_g:z.0f}" if value_g >= 10 else f"{value_g:z.1f}"
    return f"{grams} g ({value_g / 28.349523:z.1f} oz)"


def plan_text(
    plan: WarpPlan,
    *,
    advice: SettAdvice | None,
    substitutions: Sequence[Substitution],
    written: Sequence[str],
) -> str:
    """Return the whole answer."""
    columns = width(sys.stdout)
    blocks = [_headline(plan, columns)]
    if advice is not None:
        text = (
            f"Sett to sample first: {advice.start_per_inch:z.1f} ends per inch ({advice.rule}; at most "
            f"{advice.greatest_per_inch:z.1f}). {advice.caution}"
        )
        blocks.append(paragraph(text, columns=columns, first="  ", indent="  "))
    blocks.append("\n".join(["How it was worked out", *_table(factor_rows(plan), columns)]))
    totals = [*_total_row(plan.yarn, "warp"), *_total_row(plan.yarn, "weft")]
    blocks.append("\n".join(["Yarn, with the margin", *_table([*_yarn_rows(plan.yarn), *totals], columns)]))
    if len(set(plan.ends)) > 1:
        blocks.append(_winding(plan, columns))
    if substitutions:
        blocks.append(_substitutions(substitutions, plan, columns))
    blocks.append("\n".join(["If the beat changes", *_table(beat_rows(plan), columns)]))
    notices = [paragraph(n.text, columns=columns, first="  Note: ", indent="        ") for n in plan.notices]
    notices += [paragraph(SAFETY, columns=columns, first="  Safety: ", indent="          ")]
    blocks.append("\n".join(notices))
    if written:
        blocks.append("\n".join(f"  Written: {printable(name)}" for name in written))
    return "\n\n".join(blocks)


def _headline(plan: WarpPlan, columns: int) -> str:
    request = plan.request
    ends = f"{len(plan.ends)}"
    if plan.heddle_width_mm is not None and plan.heddle_sett_per_inch is not None:
        sett = plan.heddle_sett_per_inch
        ends += f", {length_both(plan.heddle_width_mm)} wide in the heddle at {sett:z.1f}/in ({sett / 2.54:z.1f}/cm)"
    pieces = "" if request.pieces == 1 else f" a piece, {request.pieces} pieces"
    beat = beat_on_loom(plan)
    rows = [
        ("Ends", ends),
        (
            "Wind",
            f"{length_both(plan.warp_length_with_margin_mm)} of warp: {length_both(plan.warp_length_mm)} needed",
        ),
        ("", f"and {plan.warp_margin_percent:z.1f} % margin{_largest(plan)}"),
        (
            "Weave",
            f"{plan.picks_per_piece} picks, {length_both(plan.on_loom_length_mm)} under tension{pieces}",
        ),
        ("", f"{beat:z.1f} picks/in ({beat / 2.54:z.1f}/cm) by the rule on the loom"),
        ("Finishes", f"{size_both(plan.expected_width_mm, plan.expected_width_u95_mm)} wide"),
        ("", f"{size_both(plan.expected_length_mm, plan.expected_length_u95_mm)} long"),
    ]
    title = shade("The next warp", "strong", sys.stdout)
    return "\n".join([title, *_table(rows, columns)])


def beat_on_loom(plan: WarpPlan) -> float:
    """Return the picks per inch that a rule on the stretched cloth must show."""
    return plan.picks_per_piece / plan.on_loom_length_mm * _MM_PER_INCH


def _largest(plan: WarpPlan) -> str:
    """Name what more than half of the margin comes from."""
    shares = plan.margin_shares
    return f", mostly for the {shares[0].factor}" if shares and shares[0].percent > 50.0 else ""


def _value(factor: Factor) -> str:
    if factor.unit == "mm" and abs(factor.value) < _SMALL_MM:
        return f"{with_uncertainty(factor.value, factor.u95)} mm"
    if factor.unit == "mm":
        return size_both(factor.value, factor.u95)
    unit = {"%": " %", "per inch": " /in", "tex": " tex"}.get(factor.unit, "")
    return f"{with_uncertainty(factor.value, factor.u95)}{unit}"


def factor_rows(plan: WarpPlan) -> list[tuple[str, str, str, str]]:
    """Return (what, value with U95, base, origin) for each factor of the chain."""
    rows = []
    for factor in plan.request.factors:
        base = f"of {factor.base}" if factor.unit == "%" else factor.base
        origin = {"measured": "measured", "given": "given", "prior": "general"}[factor.origin]
        rows.append(
            (factor.name, _value(factor), base, f"{origin}: {printable(factor.note)}".removesuffix(": "))
        )
    return rows


def _yarn_rows(lines: Iterable[YarnLine]) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for line in lines:
        threads = f"{line.threads} {'ends' if line.role == 'warp' else 'picks'}"
        colour = "" if line.colour == line.role else line.colour
        rows.append(
            (
                line.role,
                colour,
                threads,
                yarn_length(line.length_with_margin_mm),
                mass_both(line.mass_with_margin_g),
            )
        )
    return rows


def _total_row(lines: Sequence[YarnLine], role: str) -> list[tuple[str, ...]]:
    """Return the sum of one role's colours, where there are several."""
    chosen = [line for line in lines if line.role == role]
    if len(chosen) < 2:
        return []
    masses = [line.mass_with_margin_g for line in chosen if line.mass_with_margin_g is not None]
    threads = f"{sum(line.threads for line in chosen)} {'ends' if role == 'warp' else 'picks'}"
    length = yarn_length(sum(line.length_with_margin_mm for line in chosen))
    return [(role, "in all", threads, length, mass_both(sum(masses) if masses else None))]


def _substitutions(choices: Sequence[Substitution], plan: WarpPlan, columns: int) -> str:
    lines = ["Heddles or reeds on hand, nearest first"]
    lines += [
        paragraph(substitution_words(choice, plan), columns=columns, first="  ", indent="    ")
        for choice in choices[:4]
    ]
    return "\n".join(lines)


def substitution_words(choice: Substitution, plan: WarpPlan) -> str:
    """Return what one heddle or reed on hand would make of the warp: its width now and finished, if it draws in alike."""
    size = choice.heddle_per_inch / choice.ends_per_opening
    each = "one end" if choice.ends_per_opening == 1 else "two ends"
    finished = ""
    if plan.heddle_width_mm:
        share = choice.width_in_heddle_mm / plan.heddle_width_mm
        finished = f", finishing near {length_both(share * plan.expected_width_mm)}"
    return (
        f"{size:z.1f}/in ({size * 10 / 2.54:z.0f}/10cm), {each} in each opening: sett {choice.change_percent:+z.0f} %, "
        f"{length_both(choice.width_in_heddle_mm)} wide{finished} (or {choice.ends_for_same_width} ends for the same "
        f"width); {choice.effect}."
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


def beat_rows(plan: WarpPlan) -> list[tuple[str, str, str]]:
    """Return (beat, picks, weft) for a beat that comes out closer or more open than planned."""
    return [
        (
            f"{change.picks_per_inch:z.1f} picks/in ({change.change_percent:+z.0f} %)",
            f"{change.picks_total} picks",
            f"{yarn_length(change.weft_length_mm)} of weft before the margin",
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
