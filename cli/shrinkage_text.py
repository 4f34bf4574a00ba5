"""What `pickglass shrinkage` says on the terminal."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from .rounding import with_uncertainty
from .screen import paragraph, printable, shade, width

if TYPE_CHECKING:
    from ..measure.shrinkage import Change, ChangeOfSize
    from .shrinkage_run import Series

__all__ = [
    "METHODS",
    "NOT_STANDARD",
    "change_words",
    "closing_words",
    "plain_words",
    "same_threads_words",
    "settled_words",
    "shrinkage_text",
    "signed",
    "step_name",
]

NOT_STANDARD = (
    "A hand-woven sampler is smaller than the specimens of the laboratory standard (ISO 3759: 50 × 50 cm, marks at least "
    "35 cm apart), so this is not a test to ISO 5077; the sign is the same: minus is shrinkage."
)
THREADS = "Length and width stand for the spacing of the threads, for threads are conserved."
FULLER = "The outline may shrink up to 1.1 points less, because the yarn gets fuller."
CARE = (
    "Washing (common practice; the yarn's label and local rules come first): test for bleeding dye, use lukewarm water "
    "without sudden changes, press the water out without twisting, dry lying flat. Felted wool does not come back."
)
_SHADE = {"measured": "good", "unsure": "care", "refused": "bad"}
_TELLING_POINTS = 2.0  # a doubt larger than this hides more than the usual second wash does
METHODS = {"thread_count": "thread spacing", "outline": "outline", "marks": "marks"}


def step_name(first: str, second: str) -> str:
    """Return what the change between two stages is called; take-up and shrinkage are never merged silently."""
    if first == "on-loom":
        if second == "off-loom":
            return "take-up (tension let off)"
        return "no change" if second == "on-loom" else "take-up and shrinkage together"
    return "shrinkage"


def shrinkage_text(series: Series) -> str:
    """Return the whole result in words and small tables."""
    columns = width(sys.stdout)
    count = len(series.from_first)
    verdict = shade(series.verdict, _SHADE[series.verdict], sys.stdout)
    # Of two photos the title of the change says which; of more the verdict is that of all changes together.
    lines = [f"{count + 1} photos of one sample: {verdict}", ""] if count > 1 else []
    for k in range(count):
        lines += _step(series, k, series.from_previous[k], k, columns)
    if count > 1:
        lines += [
            "",
            f"Altogether: {_title(series, 0, count)}",
            *_ways(series.from_first[-1], step_name(series.stages[0], series.stages[-1])),
        ]
        lines.append(paragraph(settled_words(series), columns=columns))
    lines.append("")
    for notice in series.notices:
        lines.append(paragraph(printable(notice.text), columns=columns, first="Note: ", indent="      "))
    if series.notices:
        lines.append("")
    lines += [paragraph(text, columns=columns) for text in closing_words(series.stages)]
    if count == 1:
        lines[0] = f"{lines[0]}: {verdict}"
    return "\n".join(lines)


def closing_words(stages: Sequence[str]) -> list[str]:
    """Return what the figures stand for, and, only where something was washed, what a wash asks for and is compared with."""
    if "washed" not in stages[1:]:
        return [THREADS]
    return [f"{THREADS} {FULLER}", NOT_STANDARD, CARE]


def _title(series: Series, first: int, second: int) -> str:
    names = [f"{printable(series.photos[k])} ({series.stages[k]})" for k in (first, second)]
    return f"{names[0]} → {names[1]}"


def _step(series: Series, first: int, size: ChangeOfSize, k: int, columns: int) -> list[str]:
    name = step_name(series.stages[first], series.stages[first + 1])
    lines = [*([""] if k else []), _title(series, first, first + 1), *_ways(size, name)]
    for method, changes in size.by_method.items():
        parts = [f"{way} {change_words(change)}" for way, change in changes.items()]
        lines.append(
            paragraph(f"by {METHODS[method]}: {', '.join(parts)}", columns=columns, first="  ", indent="    ")
        )
    lines.append(paragraph(same_threads_words(size), columns=columns, first="  ", indent="    "))
    return lines


def _ways(size: ChangeOfSize, name: str) -> list[str]:
    lines = [
        f"  warpwise (length)  {change_words(size.warpwise)}   {plain_words(size.warpwise, ('shorter', 'longer'))}",
        f"  weftwise (width)   {change_words(size.weftwise)}   {plain_words(size.weftwise, ('narrower', 'wider'))}",
        f"  area               {signed(size.area_change_percent, size.area_u95_percent)} %",
    ]
    if size.skew_before_percent is not None and size.skew_after_percent is not None:
        lines.append(
            f"  skew of the picks  {size.skew_before_percent:+z.1f} % → {size.skew_after_percent:+z.1f} % of the width"
        )
    return [*lines, f"  meaning: {name}, in percent of the size before"]


def change_words(change: Change) -> str:
    """Return a change with its uncertainty: ``"-5.9 ± 0.7 %"``."""
    return f"{signed(change.change_percent, change.u95_percent)} %"


def signed(percent: float, u95_percent: float) -> str:
    """Return a change with its sign, plus as well as minus; what rounds to nothing has none."""
    words = with_uncertainty(percent, u95_percent)
    return f"+{words}" if percent > 0 and float(words.split()[0]) else words


def plain_words(change: Change, verbs: tuple[str, str]) -> str:
    """Return a change in words; `verbs` say which way it went, such as shorter and longer."""
    if abs(change.change_percent) < change.u95_percent:
        return "no change that could be told from the doubt"
    verb = verbs[0] if change.change_percent < 0 else verbs[1]
    return f"{abs(change.change_percent):z.1f} % {verb}"


def settled_words(series: Series) -> str:
    """Return whether another wash would change anything, as far as the photos can tell."""
    last = series.from_previous[-1]
    doubt = max(last.warpwise.u95_percent, last.weftwise.u95_percent)
    if not series.settled[-1]:
        return "Not settled yet: the last change is larger than its uncertainty. Wash once more and measure again."
    if doubt > _TELLING_POINTS:
        return (
            f"Perhaps settled: the last change is smaller than its uncertainty, but that is as large as {doubt:z.1f} "
            "points. Photos of the whole sample, or of the same part, would tell."
        )
    return (
        "Settled: the last change is smaller than its uncertainty in both directions "
        f"(at most {doubt:z.1f} points)."
    )


def same_threads_words(size: ChangeOfSize) -> str:
    """Return what was compared with what: the same threads, or the mean spacing of different ones."""
    found = [f"{n} {name}" for n, name in ((size.common_ends, "ends"), (size.common_picks, "picks")) if n]
    missing = [name for n, name in ((size.common_ends, "ends"), (size.common_picks, "picks")) if not n]
    face = " The second photo shows the other face." if size.other_face else ""
    if not found:
        return "No single threads were recognised in both photos; the mean spacing of all was compared."
    words = f"{' and '.join(found)} were recognised in both photos and compared with themselves"
    if missing:
        words += f"; of the {missing[0]} the mean spacing was compared"
    return f"{words}.{face}"
