"""Spots where the cloth looks unlike its averaged weave: holes, and knots, slubs or dirt lying on it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from .crossings import Crossings

__all__ = ["OddSpot", "find_odd_spots"]

FloatArray = NDArray[np.float64]

WINDOWS = (
    (2, 2),
    (3, 3),
    (1, 5),
    (5, 1),
)  # crossings along and across: a knot, a hole, a thick pick, a thick end
CLEAR = 6.5
"""Robust standard deviations of a window's mean oddness. Windows of cloth without such spots stay below 6; knots and
holes of one to three threads reach 8 to 14."""
LEAST_ODDNESS = 1.2  # natural logarithm: residual of more than three times the usual energy
CLIP = (-1.5, 4.0)
LONE_CLEAR = 5.8
"""Robust standard deviations of a single crossing's oddness among neighbours that look as usual. In twenty photos without such spots
(60 000 crossings) they stay below 4.8, in a cloth of slubby yarn below 5.3; a small knot of the cloth's own colour reached
6.5."""
LONE_ODDNESS = 2.0  # natural logarithm: residual of more than seven times the usual energy
TURNED = (0.8, 1.3)  # share of the change to the other thread on top: a knot hides the thread it lies on
HALF_TURNED = 0.5
TURNED_BESIDE = 0.3  # of the neighbours, whose own scatter is a tenth
TURNED_CLEAR = 8.0  # robust standard deviations of the whole cloth
TURNED_ODDNESS = 1.5  # natural logarithm
CORE = 1.2  # oddness of a crossing that belongs to a spot
BORDER = 2  # crossings beside the selvedges and the first and last pick always look different
OUTSIDE = 3  # crossings off the cloth from which a spot that reaches them is the edge's
LARGEST = 6  # crossings each way of a knot or slub; the tracking slips on larger patches too
LONGEST = 12  # crossings of a slub along its thread
SLUB_GAP = 8  # crossings along a thread
TABLE_LOOK = 0.0  # colours likelier on the table than in the cloth
USUAL_LOOK = 1.5  # and the cloth itself is told from the table surely
INSIDE = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class OddSpot:
    """One spot.

    Attributes
    ----------
    kind : str
        ``"hole"`` where the table shows through, else ``"knot-or-slub"``.
    picks, ends : tuple of int
        First and last crossing it covers.
    clearness : float
        In robust standard deviations.
    """

    kind: Literal["hole", "knot-or-slub"]
    picks: tuple[int, int]
    ends: tuple[int, int]
    clearness: float


def find_odd_spots(crossings: Crossings) -> tuple[OddSpot, ...]:
    """Find the spots of a cloth, the clearest first."""
    odd = np.clip(crossings.oddness, *CLIP)
    usable = crossings.cloth > INSIDE
    usable[:BORDER] = usable[-BORDER:] = False
    usable[:, :BORDER] = usable[:, -BORDER:] = False
    if usable.sum() < 100:
        return ()
    clear = _clearness(np.where(usable, odd, 0.0), usable)
    lone = np.maximum(_lone(odd, usable), _lone_turned(crossings, odd, usable))
    core = np.asarray(((odd > CORE) & usable), dtype=np.uint8)
    # One quiet crossing does not part a spot: every second crossing of a slub may look as usual.
    joined = cv2.morphologyEx(core, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels = cv2.connectedComponents(joined, connectivity=8)
    off = _off_the_cloth(crossings)
    found = []
    for label in range(1, count):
        here = labels == label
        wide, single = float(clear[here].max()), float(lone[here].max())
        z = max(wide, single)
        if wide < CLEAR and single < LONE_CLEAR:
            continue
        kind = _kind(crossings, here & (core > 0))
        rows, columns = np.nonzero(here)
        size = (int(np.ptp(rows)) + 1, int(np.ptp(columns)) + 1)
        if kind == "knot-or-slub" and (
            min(size) > LARGEST
            or max(size) > LONGEST
            or _slipped(crossings, here)
            or bool((here & off).any())
        ):
            continue
        found.append(
            OddSpot(
                kind=kind,
                picks=(int(rows.min()), int(rows.max())),
                ends=(int(columns.min()), int(columns.max())),
                clearness=z,
            )
        )
    return tuple(sorted(_joined(found), key=lambda spot: -spot.clearness))


def _joined(found: list[OddSpot]) -> list[OddSpot]:
    """Join knots and slubs that follow each other along one thread: a long slub shows where its thread lies on top."""
    out: list[OddSpot] = []
    for new in sorted(found, key=lambda spot: (spot.picks, spot.ends)):
        for k, old in enumerate(out):
            if old.kind == new.kind == "knot-or-slub" and _along_one_thread(old, new):
                out[k] = replace(
                    old,
                    picks=(min(old.picks[0], new.picks[0]), max(old.picks[1], new.picks[1])),
                    ends=(min(old.ends[0], new.ends[0]), max(old.ends[1], new.ends[1])),
                    clearness=max(old.clearness, new.clearness),
                )
                break
        else:
            out.append(new)
    return out


def _along_one_thread(a: OddSpot, b: OddSpot) -> bool:
    def meet(one: tuple[int, int], other: tuple[int, int], gap: int) -> bool:
        return one[0] <= other[1] + gap and other[0] <= one[1] + gap

    return (meet(a.ends, b.ends, 0) and meet(a.picks, b.picks, SLUB_GAP)) or (
        meet(a.picks, b.picks, 0) and meet(a.ends, b.ends, SLUB_GAP)
    )


def _clearness(odd: FloatArray, usable: NDArray[np.bool_]) -> FloatArray:
    """Greatest standardised mean of the windows that hold a crossing, where they are odd enough."""
    best = np.zeros(odd.shape)
    share = usable.astype(np.float64)
    for rows, columns in WINDOWS:
        kernel = np.ones((rows, columns))
        mean = cv2.filter2D(odd, -1, kernel / kernel.size, borderType=cv2.BORDER_CONSTANT)
        full = cv2.filter2D(share, -1, kernel / kernel.size, borderType=cv2.BORDER_CONSTANT) > 0.999
        middle = np.median(mean[full]) if full.any() else 0.0
        scatter = 1.4826 * np.median(np.abs(mean[full] - middle)) if full.any() else np.inf
        z = np.where(full & (mean > LEAST_ODDNESS), (mean - middle) / max(scatter, 1e-9), 0.0)
        # A window counts for every crossing inside it.
        best = np.maximum(best, cv2.dilate(z, np.flip(kernel).astype(np.uint8)))
    return best


def _lone(odd: FloatArray, usable: NDArray[np.bool_]) -> FloatArray:
    """Standardised oddness of single crossings among neighbours that look as usual; 0 elsewhere.

    A knot of the cloth's own colour may cover no more than the crossing it lies on. Where the neighbours are odd too, the windows
    judge: there the tracking may have slipped.
    """
    ring = np.ones((3, 3), np.uint8)
    ring[1, 1] = 0
    beside = cv2.dilate(odd, ring)
    middle = float(np.median(odd[usable]))
    scatter = 1.4826 * float(np.median(np.abs(odd[usable] - middle)))
    alone = usable & (odd > LONE_ODDNESS) & (beside < CORE)
    return np.where(alone, (odd - middle) / max(scatter, 1e-9), 0.0)


def _lone_turned(crossings: Crossings, odd: FloatArray, usable: NDArray[np.bool_]) -> FloatArray:
    """Standardised turn of single crossings that look as if the other thread lay on top, all about them as usual; 0 elsewhere.

    In cloth whose yarn is uneven many crossings look half turned, and a few wholly by chance: nothing is told unless the wholly
    turned ones are a class apart.
    """
    ring = np.ones((3, 3), np.uint8)
    ring[1, 1] = 0
    beside = cv2.dilate(np.abs(crossings.turned), ring)
    alone = usable & (beside < TURNED_BESIDE) & (odd > TURNED_ODDNESS) & (crossings.turned > HALF_TURNED)
    wholly = alone & (crossings.turned >= TURNED[0]) & (crossings.turned_z > TURNED_CLEAR)
    half = alone & (crossings.turned < TURNED[0])
    if half.any() and half.sum() >= wholly.sum():
        return np.zeros(odd.shape)
    return np.where(wholly & (crossings.turned <= TURNED[1]), crossings.turned_z, 0.0)


def _kind(crossings: Crossings, core: NDArray[np.bool_]) -> Literal["hole", "knot-or-slub"]:
    """Tell a hole by its colours."""
    look = crossings.cloth_look
    usual = float(np.median(look[crossings.cloth > INSIDE]))
    block = cv2.filter2D(look, -1, np.full((2, 2), 0.25))
    shows = float(block[core].min()) < TABLE_LOOK
    return "hole" if shows and usual > USUAL_LOOK else "knot-or-slub"


def _off_the_cloth(crossings: Crossings) -> NDArray[np.bool_]:
    """Mark odd crossings that hang together with several which lie off the cloth: there a followed thread has left it.

    At a selvedge that wanders or crowds the outermost threads followed lie on the table for a while, and their neighbours are
    followed beside their places.
    """
    odd = (np.clip(crossings.oddness, *CLIP) > CORE).astype(np.uint8)
    count, labels = cv2.connectedComponents(odd, connectivity=8)
    outside = np.bincount(labels[crossings.cloth <= INSIDE], minlength=count) >= OUTSIDE
    outside[0] = False
    return np.asarray(outside[labels])


def _slipped(crossings: Crossings, here: NDArray[np.bool_]) -> bool:
    """Tell a patch on which the tracking slipped: crossings of both sides look turned."""
    turned = here & (crossings.turned > 0.6)
    return bool(min((turned & (crossings.side == sign)).sum() for sign in (1, -1)) >= 3)
