"""Reading the colour of every end from the straightened cloth.

Along each end the picture shows the end's own floats and, between them, the weft or its neighbours' floats. Cells a
third of a spacing wide are grouped by colour in CIELAB (shadows join the colour they darken). What belongs to the end
itself is seen best on its middle line; what belongs to the weft or to the neighbours is seen best half a spacing
beside it. The difference names the end's colour, and its distance from the second best says how sure that is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from ..calibration.errors import QualityError
from .colour_clusters import find_clusters, group_clusters, histogram_codes
from .colour_mixing import drop_needless, look_like_two, unmixable
from .colour_names import name_colours
from .end_cells import HALF, LEAST_ENDS, REACH, cells_of, end_lines, scores_of, shares_of
from .end_palette import lab_to_srgb, linear_light, merge_alike, shaded_by_neighbours, typical_colour
from .results import Face

if TYPE_CHECKING:
    from .tracks import SystemTrack

__all__ = ["ColourReading", "EndColour", "read_end_colours", "read_tracked_colours"]

MIN_PITCH_PX = 3.0  # below this the middle line of an end cannot be told from its edges
_LEAST_CELLS = 4  # cells of an end on cloth; with fewer its colour is unsure
_SURE_MARGIN = 0.15
_SETTLED_MARGIN = 0.5  # an end so clear keeps its colour
_AGREED_ODDS, _CLEAR_ODDS = 0.9, 0.35  # square error against that of the next best colour
_SURE_MARGIN_IN_SHADE = 0.5  # asked for beside a lighter colour whose shadow would look the same
_SURE_MARGIN_OFF_LINE = 0.4  # asked for where the middle line lies as far off as may be: it may lie further
_SURE_NUMBER = 0.9  # probability of the number of ends from which the outermost are taken for ends
_SELVEDGE, _SEVERAL = 3, 2  # ends

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class EndColour:
    """Colour of one end.

    Attributes
    ----------
    number : int
        1, 2, 3 … from the left of the straightened cloth.
    colour : int
        Index into `ColourReading.palette_srgb`.
    margin : float
        Distance to the second-best colour, 0 (none) to 1.
    sure : bool
        False where the weaver should look.
    """

    number: int
    colour: int
    margin: float
    sure: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourReading:
    """Colours of all ends, left to right.

    Attributes
    ----------
    ends : tuple of EndColour
        One for every position given.
    names : tuple of str
        Plain names of the palette, distinct, usable in the notation of colour orders.
    palette_srgb : ndarray of uint8, shape (K, 3)
        Red, green, blue as photographed (no colour management: the light tints it).
    visible : bool
        False when the weft covers the warp, so that no end can be read.
    """

    ends: tuple[EndColour, ...]
    names: tuple[str, ...]
    palette_srgb: NDArray[np.uint8]
    visible: bool

    @property
    def order(self) -> tuple[str, ...]:
        """Colour name of every end."""
        return tuple(self.names[end.colour] for end in self.ends)

    @property
    def unsure(self) -> tuple[int, ...]:
        """Numbers of the ends a weaver should look at."""
        return tuple(end.number for end in self.ends if not end.sure)


def read_end_colours(
    bgr: NDArray[np.uint8],
    mask: NDArray[np.bool_],
    ends_px: NDArray[np.float64],
    *,
    rows_px: NDArray[np.float64] | None = None,
    face: Face | Literal["unknown"] = "unknown",
) -> ColourReading:
    """Read the colour of every end.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Straightened cloth, ends down the rows.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth.
    ends_px : ndarray of shape (E,) or (K, E)
        Column of every end, increasing; with `rows_px` one line of columns per row named there.
    rows_px : ndarray of shape (K,), optional
        Rows at which the columns of a two-dimensional `ends_px` hold; straight lines between them. Without it the
        columns are taken to hold halfway down, and only the middle of the cloth is looked at: ends wander.
    face : str
        Which system covers the face, when known: in weft-faced cloth no end shows.

    Raises
    ------
    QualityError
        If the ends lie closer than 3 px.
    UsageError
        If the positions are not usable.
    """
    if rows_px is None:
        middle = slice(round(0.3 * bgr.shape[0]), max(round(0.7 * bgr.shape[0]), 1))
        bgr, mask = bgr[middle], mask[middle]
    lines = end_lines(ends_px, rows_px, bgr.shape[0])
    pitch = float(np.median(np.diff(lines.mean(axis=0))))
    if pitch < MIN_PITCH_PX:
        raise QualityError(
            "ends-too-fine",
            f"The ends are only {pitch:.1f} pixels apart, too few to tell their colours.",
            "Take the photo from nearer, or type the colour order.",
        )
    cells, seen = cells_of(bgr, mask, lines, pitch)
    enough = seen.sum(axis=0) >= _LEAST_CELLS
    if 2 * int(enough.sum()) < len(enough):
        raise QualityError(
            "too-little-cloth",
            "Too little of the ends is seen to tell their colours.",
            "Show more of the cloth, or type the colour order.",
        )
    codes = histogram_codes(cells)
    centres, table = find_clusters(codes[seen])
    member = table[codes]
    groups = group_clusters(centres, shares_of(member, seen, len(centres))[:, REACH])
    return _reading(cells, seen, groups[member], int(groups.max()) + 1, visible=face != "weft-faced")


def read_tracked_colours(
    bgr: NDArray[np.uint8],
    mask: NDArray[np.bool_],
    ends: SystemTrack,
    *,
    face: Face | Literal["unknown"] = "unknown",
) -> ColourReading:
    """Read the colour of every end that `track_threads` followed; see `read_end_colours`.

    Where their number is in doubt it is an outermost one that may be none, so both are marked then.

    Raises
    ------
    QualityError
        If fewer than three ends were followed, or they lie too close.
    """
    if ends.count < LEAST_ENDS:
        raise QualityError(
            "ends-not-followed",
            "The ends could not be followed, so their colours cannot be read.",
            "Take the photo from nearer, or type the colour order.",
        )
    first, last = float(ends.stations_px.min(axis=1).max()), float(ends.stations_px.max(axis=1).min())
    rows = np.linspace(first, last, ends.stations_px.shape[1])
    pairs = zip(ends.stations_px, ends.lines_px, strict=True)
    lines = np.stack([np.interp(rows, stations, line) for stations, line in pairs], axis=1)
    reading = read_end_colours(bgr, mask, lines, rows_px=rows, face=face)
    if ends.probability >= _SURE_NUMBER:
        return reading
    first_end, *inner, last_end = reading.ends
    return replace(reading, ends=(replace(first_end, sure=False), *inner, replace(last_end, sure=False)))


def _reading(
    cells: NDArray[np.float32],
    seen: NDArray[np.bool_],
    member: NDArray[np.intp],
    count: int,
    *,
    visible: bool,
) -> ColourReading:
    score, at_limit = scores_of(shares_of(member, seen, count))
    lab, middle = cells[:, :, REACH], member[:, :, REACH]
    best = score.argmax(axis=1)
    used = sorted(set(best.tolist()), key=lambda k: -int((best == k).sum()))
    palette = np.stack([typical_colour(lab, seen, middle == k, best == k) for k in used])
    used_index, palette = merge_alike(used, palette)
    merged = np.stack(
        [score[:, [k for k in used if used_index[k] == j]].sum(axis=1) for j in range(len(palette))], axis=1
    )
    others = score[:, [k for k in range(count) if k not in used]]
    ranked = np.sort(np.concatenate([merged, others], axis=1), axis=1)[:, ::-1]
    second = ranked[:, 1] if ranked.shape[1] > 1 else np.zeros(len(ranked))
    margin = (ranked[:, 0] - second) / np.maximum(ranked[:, 0] + second, 1e-9)
    sure = margin >= np.where(at_limit, _SURE_MARGIN_OFF_LINE, _SURE_MARGIN)
    voted = np.array([used_index[int(k)] for k in best])
    free = margin < _SETTLED_MARGIN
    paint = linear_light(palette)
    plain = unmixable(paint) & _often_sure(voted, sure, len(palette))
    kept, settled = drop_needless(_mean_light(cells, seen), voted, paint, free, plain)
    odds = settled.odds
    agree = kept[settled.colours] == voted
    colours, palette = _repainted(settled.colours, score, lab, seen, middle)
    sure = np.where(agree, (sure & (odds < _AGREED_ODDS)) | (odds < _CLEAR_ODDS), odds < _CLEAR_ODDS)
    sure &= (seen.sum(axis=0) >= _LEAST_CELLS) & ~look_like_two(settled)
    sure &= np.isin(voted, kept)  # shadow or blend it may have been, but the weaver had better look
    sure &= ~(shaded_by_neighbours(colours, palette) & (margin < _SURE_MARGIN_IN_SHADE))
    for outermost in (0, -1):  # an outermost end alone in its colour may be the table, or the weft's turns
        sure[outermost] &= int((colours == colours[outermost]).sum()) > 1
    ends = tuple(
        EndColour(
            number=i + 1,
            colour=int(colours[i]),
            margin=float(margin[i]),
            sure=bool(visible and sure[i]),
        )
        for i in range(len(best))
    )
    rgb = lab_to_srgb(palette)
    return ColourReading(ends=ends, names=name_colours(palette), palette_srgb=rgb, visible=visible)


def _often_sure(voted: NDArray[np.intp], sure: NDArray[np.bool_], count: int) -> NDArray[np.bool_]:
    """Return which colours several ends away from the selvedges clearly have; table and weft turns show only there."""
    inner = slice(_SELVEDGE, len(voted) - _SELVEDGE)
    votes = np.bincount(voted[inner][sure[inner]], minlength=count)
    often: NDArray[np.bool_] = votes >= _SEVERAL
    return often


def _repainted(
    colours: NDArray[np.intp],
    score: Array,
    lab: NDArray[np.float32],
    seen: NDArray[np.bool_],
    middle: NDArray[np.intp],
) -> tuple[NDArray[np.intp], Array]:
    """Return the ends' colours, most frequent first, with a palette measured anew on the ends that have them."""
    paints = []
    order = sorted(set(colours.tolist()), key=lambda k: -int((colours == k).sum()))
    for k in order:
        group = int(score[colours == k].sum(axis=0).argmax())
        paints.append(typical_colour(lab, seen, middle == group, colours == k))
    index, palette = merge_alike(order, np.stack(paints))
    return np.array([index[k] for k in colours.tolist()]), palette


def _mean_light(cells: NDArray[np.float32], seen: NDArray[np.bool_]) -> Array:
    """Return the mean linear light across each end, from one gap to the other, shape (E, places, 3)."""
    light = linear_light(cells[:, :, REACH - HALF : REACH + HALF + 1])
    weight = seen[:, :, None, None]
    mean: Array = (light * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1)
    return mean
