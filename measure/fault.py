"""What a fault is, whichever way it was found."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FAULT_KINDS", "Fault"]

FAULT_KINDS = (
    "missed-pick",
    "doubled-pick",
    "end-float",
    "pick-float",
    "hole",
    "knot-or-slub",
    "crowded-edge",
    "selvedge-loop",
    "selvedge-nick",
    "uneven-end",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault.

    Attributes
    ----------
    kind : str
        One of `FAULT_KINDS`. ``"end-float"`` and ``"pick-float"``: the thread was not caught; ``"crowded-edge"``: the
        outermost ends lie much closer than the others; ``"uneven-end"``: one end slack, tight or caught for a while,
        seen as a streak.
    at_mm : float
        Place along the warp.
    across_mm : float
        Middle of the fault across the warp (as the selvedges are given).
    size_mm : float
        Extent along the warp of what is unusual.
    clearness : float
        How far it stands out, in the measure of its kind (sheds; standard deviations; ratio of spacings).
    across_size_mm : float
        Extent across the warp; 0 where it is the whole width or not known.
    """

    kind: str
    at_mm: float
    across_mm: float
    size_mm: float
    clearness: float
    across_size_mm: float = 0.0
