"""The colour of every end in order: a notation to type it, symmetry, winding steps and the threading of two sheds.

Notation: ``8 red, 2 (1 white 1 blue), 8 red``. A number and a colour are that many ends; a number before round
brackets repeats what is inside; square brackets mark the section that may be repeated to fill the width:
``4 navy, [6 white 2 red], 4 navy``. A last word ``mirror`` adds all that precedes it backwards; ``turn`` does the
same without doubling the middle end. Commas are for the eye.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from ..calibration.errors import UsageError

__all__ = [
    "MAX_ENDS",
    "ColourOrder",
    "Opening",
    "Symmetry",
    "ThreadedEnd",
    "WindingStep",
    "count_colours",
    "find_symmetry",
    "parse_order",
    "repeatable",
    "thread_two_sheds",
    "winding_steps",
    "write_order",
]

MAX_ENDS = 10_000
_MAX_DEPTH = 5
_TOKEN = re.compile(r"\s*(?:(\d+)|([^\W\d_][\w-]*)|(#[0-9a-f]{6})|([()\[\],×*]))", re.IGNORECASE)
_EXAMPLE = "Write it like “8 red, 2 (1 white 1 blue), 8 red”."

Opening = Literal["hole", "slot"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourOrder:
    """An order of colours with the section that may be repeated.

    Attributes
    ----------
    before, repeat, after : tuple of str
        One colour name per end, left to right. `repeat` is empty when the order is complete as it stands.
    """

    before: tuple[str, ...] = ()
    repeat: tuple[str, ...] = ()
    after: tuple[str, ...] = ()

    def ends(self, repeats: int = 1) -> tuple[str, ...]:
        """Return the colour of every end with the section in square brackets woven `repeats` times."""
        return self.before + self.repeat * repeats + self.after

    @property
    def fixed_ends(self) -> int:
        """Ends outside the repeated section."""
        return len(self.before) + len(self.after)


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingStep:
    """One step of winding the warp.

    Attributes
    ----------
    number : int
        1, 2, 3 …
    times : int
        How often the group is wound.
    group : tuple of (int, str)
        Ends and colour, in order.
    ends, total : int
        Ends in this step, and ends wound once it is done.
    """

    number: int
    times: int
    group: tuple[tuple[int, str], ...]
    ends: int
    total: int

    @property
    def text(self) -> str:
        """The step in the notation."""
        inner = " ".join(f"{count} {colour}" for count, colour in self.group)
        return f"{self.times} ({inner})" if self.times > 1 else inner


@dataclass(frozen=True, slots=True, kw_only=True)
class Symmetry:
    """Whether the order reads the same from both sides.

    Attributes
    ----------
    kind : str
        ``"symmetric"``, ``"nearly"`` (at most one pair in ten differs) or ``"none"``.
    centre : str
        ``"one end"`` or ``"between two ends"``.
    odd_pairs : tuple of (int, int)
        Pairs of ends (counted from 1 at the left) that differ.
    """

    kind: Literal["symmetric", "nearly", "none"]
    centre: Literal["one end", "between two ends"]
    odd_pairs: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreadedEnd:
    """One end in the heddle: its number from the left, its colour, and hole or slot."""

    number: int
    colour: str
    opening: Opening


def parse_order(text: str) -> ColourOrder:
    """Read a colour order.

    Raises
    ------
    UsageError
        With the place where reading stopped.
    """
    tokens = _tokens(text)
    tail = tokens[-1].lower() if tokens else ""
    if tail in ("mirror", "turn") and len(tokens) > 1 and not tokens[-2].isdecimal():
        tokens.pop()
    else:
        tail = ""
    parts, position = _read(tokens, 0, 0, text)
    if position < len(tokens):
        raise _cannot_read(text, f"“{tokens[position]}” closes nothing")
    order = _assemble(parts, text)
    if tail:
        order = _mirrored(order, doubled=tail == "mirror", text=text)
    if not order.ends():
        raise _cannot_read(text, "there are no ends in it")
    if len(order.ends()) > MAX_ENDS:
        raise _cannot_read(text, f"it has more than {MAX_ENDS} ends")
    return order


def _cannot_read(text: str, why: str) -> UsageError:
    shown = text if len(text) <= 60 else text[:57] + "…"
    return UsageError("not-an-order", f"The colour order “{shown}” cannot be read: {why}.", _EXAMPLE)


def _tokens(text: str) -> list[str]:
    tokens, position = [], 0
    stripped = text.rstrip()
    while position < len(stripped):
        match = _TOKEN.match(stripped, position)
        if match is None:
            raise _cannot_read(text, f"it stops making sense at “{stripped[position:].strip()[:12]}”")
        token = next(group for group in match.groups() if group)
        if match[2] and not token[0].isalpha():  # ½ and ² count as letters of words, but name no colour
            raise _cannot_read(text, f"“{token[:12]}” is neither a whole number nor a colour")
        if token not in (",", "×", "*"):
            tokens.append(token)
        position = match.end()
    return tokens


# A part is a colour run, or None-marked brackets: ("ends", colours) or ("repeat", colours).
_Part = tuple[Literal["ends", "repeat"], list[str]]


def _read(tokens: list[str], position: int, depth: int, text: str) -> tuple[list[_Part], int]:
    if depth > _MAX_DEPTH:
        raise _cannot_read(text, f"brackets lie more than {_MAX_DEPTH} deep")
    parts: list[_Part] = []
    while position < len(tokens) and tokens[position] not in ")]":
        times = 1
        if tokens[position].isdecimal():
            digits = tokens[position]
            if len(digits) > 6 or not 1 <= int(digits) <= MAX_ENDS:
                raise _cannot_read(text, f"{digits[:12]} is not a number from 1 to {MAX_ENDS}")
            times = int(digits)
            position += 1
            if position == len(tokens):
                raise _cannot_read(text, f"the number {times} at the end has no colour")
        token = tokens[position]
        if token.isdecimal():
            raise _cannot_read(text, f"two numbers, {times} and {token[:12]}, follow each other")
        if token in "([":
            inner, position = _read(tokens, position + 1, depth + 1, text)
            closing = {"(": ")", "[": "]"}[token]
            if position == len(tokens) or tokens[position] != closing:
                raise _cannot_read(text, f"a bracket “{token}” is not closed by “{closing}”")
            parts.append(_bracket(token, inner, times, depth, text))
        elif token in ")]":
            raise _cannot_read(text, f"a colour is missing before “{token}”")
        else:
            parts.append(("ends", [token.lower()] * times))
        if sum(len(colours) for _, colours in parts) > MAX_ENDS:
            raise _cannot_read(text, f"it has more than {MAX_ENDS} ends")
        position += 1
    return parts, position


def _bracket(token: str, inner: list[_Part], times: int, depth: int, text: str) -> _Part:
    colours = [colour for _, part in inner for colour in part]
    if not colours:
        raise _cannot_read(text, "a pair of brackets is empty")
    if len(colours) * times > MAX_ENDS:
        raise _cannot_read(text, f"it has more than {MAX_ENDS} ends")
    if any(kind == "repeat" for kind, _ in inner):
        raise _cannot_read(text, "square brackets stand inside other brackets")
    if token == "(":
        return "ends", colours * times
    if times != 1 or depth:
        raise _cannot_read(text, "square brackets take no number; the width decides how often they are woven")
    return "repeat", colours


def _assemble(parts: list[_Part], text: str) -> ColourOrder:
    marks = [i for i, (kind, _) in enumerate(parts) if kind == "repeat"]
    if len(marks) > 1:
        raise _cannot_read(text, "only one section can stand in square brackets")
    flat = [tuple(colours) for _, colours in parts]
    if not marks:
        return ColourOrder(before=tuple(c for part in flat for c in part))
    here = marks[0]
    before = tuple(c for part in flat[:here] for c in part)
    return ColourOrder(
        before=before, repeat=flat[here], after=tuple(c for part in flat[here + 1 :] for c in part)
    )


def _mirrored(order: ColourOrder, *, doubled: bool, text: str) -> ColourOrder:
    if order.repeat:
        raise _cannot_read(text, "square brackets and a mirrored order cannot stand together")
    back = order.before[::-1]
    return ColourOrder(before=order.before + (back if doubled else back[1:]))


def repeatable(order: ColourOrder) -> ColourOrder:
    """Return the order with its own repeat marked, so that another width can be filled with it.

    One colour repeats end by end; otherwise a group repeats that makes up more than half of the ends. An order
    without such a group is a design of its own and stays as it is.
    """
    ends = order.ends()
    if order.repeat:
        return order
    if len(set(ends)) == 1:
        return ColourOrder(repeat=ends[:1])
    for step in winding_steps(ends):
        if step.times > 1 and 2 * step.ends > len(ends):
            start = step.total - step.ends
            size = step.ends // step.times
            return ColourOrder(
                before=ends[:start], repeat=ends[start : start + size], after=ends[step.total :]
            )
    return order


def write_order(ends: Sequence[str]) -> str:
    """Return the shortest plain writing of an order that `parse_order` reads back to the same ends."""
    return ", ".join(step.text for step in winding_steps(ends))


def winding_steps(ends: Sequence[str]) -> tuple[WindingStep, ...]:
    """Return the order as steps, with regular alternations gathered (``3 (1 white 1 blue)``)."""
    runs = [(len(list(run)), colour) for colour, run in groupby(ends)]
    steps: list[WindingStep] = []
    position = total = 0
    while position < len(runs):
        period, times = _best_repeat(runs, position)
        group = tuple(runs[position : position + period])
        count = times * sum(n for n, _ in group)
        total += count
        steps.append(WindingStep(number=len(steps) + 1, times=times, group=group, ends=count, total=total))
        position += period * times
    return tuple(steps)


def _best_repeat(runs: list[tuple[int, str]], start: int) -> tuple[int, int]:
    """Return (runs in the group, times) for the group at `start` that covers most runs; (1, 1) for a single run."""
    best = (1, 1)
    for period in range(2, min(12, (len(runs) - start) // 2) + 1):
        times = 1
        block = runs[start : start + period]
        while runs[start + times * period : start + (times + 1) * period] == block:
            times += 1
        if times > 1 and period * times > best[0] * best[1]:
            best = (period, times)
    return best


def count_colours(ends: Sequence[str]) -> dict[str, int]:
    """Return the number of ends of each colour, in order of first appearance."""
    counts: dict[str, int] = {}
    for colour in ends:
        counts[colour] = counts.get(colour, 0) + 1
    return counts


def find_symmetry(ends: Sequence[str]) -> Symmetry:
    """Compare the order with itself read from the right."""
    last = len(ends) - 1
    odd = tuple((i + 1, last - i + 1) for i in range(len(ends) // 2) if ends[i] != ends[last - i])
    kind: Literal["symmetric", "nearly", "none"] = "none"
    if not odd:
        kind = "symmetric"
    elif 10 * len(odd) <= len(ends) // 2:
        kind = "nearly"
    return Symmetry(kind=kind, centre="one end" if len(ends) % 2 else "between two ends", odd_pairs=odd)


def thread_two_sheds(ends: Sequence[str], first: Opening = "slot") -> tuple[ThreadedEnd, ...]:
    """Return every end with its opening in a hole-and-slot heddle, left to right, one end in each opening."""
    other: Opening = "hole" if first == "slot" else "slot"
    return tuple(
        ThreadedEnd(number=i + 1, colour=colour, opening=first if i % 2 == 0 else other)
        for i, colour in enumerate(ends)
    )
