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

from ..calibration.errors import QualityError, UsageError
from .colour_clusters import find_clusters, group_clusters, histogram_codes
from .colour_mixing import drop_needless, look_like_two, unmixable
from .colour_names import name_colours
from .results import Face

if TYPE_CHECKING:
    from .tracks import SystemTrack

__all__ = ["ColourReading", "EndColour", "read_end_colours", "read_tracked_colours"]

_LEAST_ENDS = 3
MIN_PITCH_PX = 3.0  # below this the middle line of an end cannot be told from its edges
_STEP = 0.125  # cells lie so many spacings apart across the end
_REACH = 6  # cells looked at on either side of the given line: three quarters of a spacing
_HALF = 4  # steps from the middle line to the gap beside it
_NUDGE = 2  # steps a middle line may lie off the given one
_NEIGHBOURS = 7  # ends that share one nudge
_STRIP = 0.25  # width of a cell, in spacings
_MAX_ROWS = 300  # rows of cells looked at; more add nothing but time
_GAP_WEIGHT = 0.5
_LEAST_CELLS = 4  # cells of an end on cloth; with fewer its colour is unsure
_SURE_MARGIN = 0.15
_SETTLED_MARGIN = 0.5  # an end so clear keeps its colour
_AGREED_ODDS, _CLEAR_ODDS = 0.9, 0.35  # square error against that of the next best colour
_SURE_MARGIN_IN_SHADE = 0.5  # asked for beside a lighter colour whose shadow would look the same
_SURE_MARGIN_OFF_LINE = 0.4  # asked for where the middle line lies as far off as may be: it may lie further
_SURE_NUMBER = 0.9  # probability of the number of ends from which the outermost are taken for ends
_SELVEDGE, _SEVERAL = 3, 2  # ends
_SAME_YARN = (
    8.0  # CIEDE2000; dyed lots of one colour lie within about 3, colours a weaver would tell apart above 10
)

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
    lines = _end_lines(ends_px, rows_px, bgr.shape[0])
    pitch = float(np.median(np.diff(lines.mean(axis=0))))
    if pitch < MIN_PITCH_PX:
        raise QualityError(
            "ends-too-fine",
            f"The ends are only {pitch:.1f} pixels apart, too few to tell their colours.",
            "Take the photo from nearer, or type the colour order.",
        )
    cells, seen = _cells(bgr, mask, lines, pitch)
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
    groups = group_clusters(centres, _shares(member, seen, len(centres))[:, _REACH])
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
    if ends.count < _LEAST_ENDS:
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


def _end_lines(ends_px: Array, rows_px: Array | None, height: int) -> Array:
    """Return the columns of the ends at evenly spread rows, shape (R, E)."""
    ends = np.asarray(ends_px, dtype=np.float64)
    flat = ends[None, :] if ends.ndim == 1 else ends
    if (
        flat.ndim != 2
        or flat.shape[1] < _LEAST_ENDS
        or not np.all(np.isfinite(flat))
        or np.any(np.diff(flat, axis=1) <= 0)
    ):
        raise UsageError(
            "bad-end-positions",
            "The ends' positions cannot be used.",
            "Give at least three, from left to right.",
        )
    if rows_px is None or flat.shape[0] == 1:
        return np.repeat(flat[:1], height, axis=0)
    rows = np.arange(height)
    return np.stack([np.interp(rows, rows_px, column) for column in flat.T], axis=1)


def _cells(
    bgr: NDArray[np.uint8], mask: NDArray[np.bool_], lines: Array, pitch: float
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return mean CIELAB of cells, shape (R, E, cells across, 3), and which (row, end) lie fully on cloth."""
    import cv2

    lab = cv2.cvtColor(bgr.astype(np.float32) / 255.0, cv2.COLOR_BGR2LAB)
    step = max(1, round(0.3 * pitch))
    tops = np.arange(0, bgr.shape[0] - step + 1, step)
    if len(tops) > _MAX_ROWS:
        tops = tops[np.linspace(0, len(tops) - 1, _MAX_ROWS).astype(int)]
    rows = tops + step // 2
    at = lines[rows]
    spacing = np.gradient(at, axis=1)
    # One blur of the cell's size, then one interpolated look at every cell.
    size = (max(1, round(_STRIP * pitch)), step)
    smooth = cv2.blur(lab, size)
    clear = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8))
    out = np.empty((len(rows), at.shape[1], 2 * _REACH + 1, 3), dtype=np.float32)
    grid_y = np.repeat(rows[:, None], at.shape[1], axis=1).astype(np.float32)
    for k in range(2 * _REACH + 1):
        grid_x = (at + (k - _REACH) * _STEP * spacing).astype(np.float32)
        out[:, :, k] = cv2.remap(smooth, grid_x, grid_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.remap(clear, at.astype(np.float32), grid_y, cv2.INTER_NEAREST, borderValue=0) > 0
    return out, seen


def _shares(member: NDArray[np.intp], seen: NDArray[np.bool_], count: int) -> Array:
    """Return the share of each colour in every end's cells, shape (E, cells across, count)."""
    _, ends, across = member.shape
    place = np.arange(ends * across).reshape(1, ends, across) * count
    found = np.bincount((member + place)[seen].ravel(), minlength=ends * across * count)
    shares: Array = found.reshape(ends, across, count) / np.maximum(seen.sum(axis=0), 1)[:, None, None]
    return shares


def _scores(share: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Return how much each colour belongs to each end, shape (E, count): on its middle line, not beside it.

    Also returns whether the middle line was found at the edge of where it was looked for.

    Positions from elsewhere may be off by a fraction of a spacing, alike for neighbouring ends; the middle line is
    moved, for several ends together, to where colours tell ends and gaps apart best.
    """
    nudges = range(-_NUDGE, _NUDGE + 1)
    every = np.stack(
        [
            share[:, _REACH + d]
            - _GAP_WEIGHT * (share[:, _REACH + d - _HALF] + share[:, _REACH + d + _HALF]) / 2.0
            for d in nudges
        ]
    )
    clear = every.max(axis=2) - 0.02 * np.abs(np.arange(-_NUDGE, _NUDGE + 1))[:, None]
    kernel = np.ones(min(_NEIGHBOURS, clear.shape[1]))
    together = np.stack([np.convolve(row, kernel, mode="same") for row in clear])
    chosen = together.argmax(axis=0)
    at_limit = np.abs(chosen - _NUDGE) == _NUDGE
    return np.clip(every[chosen, np.arange(every.shape[1])], 0.0, None), at_limit


def _reading(
    cells: NDArray[np.float32],
    seen: NDArray[np.bool_],
    member: NDArray[np.intp],
    count: int,
    *,
    visible: bool,
) -> ColourReading:
    score, at_limit = _scores(_shares(member, seen, count))
    lab, middle = cells[:, :, _REACH], member[:, :, _REACH]
    best = score.argmax(axis=1)
    used = sorted(set(best.tolist()), key=lambda k: -int((best == k).sum()))
    palette = np.stack([_typical(lab, seen, middle == k, best == k) for k in used])
    used_index, palette = _merge_alike(used, palette)
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
    paint = _linear_light(palette)
    plain = unmixable(paint) & _often_sure(voted, sure, len(palette))
    kept, settled = drop_needless(_mean_light(cells, seen), voted, paint, free, plain)
    odds = settled.odds
    agree = kept[settled.colours] == voted
    colours, palette = _repainted(settled.colours, score, lab, seen, middle)
    sure = np.where(agree, (sure & (odds < _AGREED_ODDS)) | (odds < _CLEAR_ODDS), odds < _CLEAR_ODDS)
    sure &= (seen.sum(axis=0) >= _LEAST_CELLS) & ~look_like_two(settled)
    sure &= np.isin(voted, kept)  # shadow or blend it may have been, but the weaver had better look
    sure &= ~(_shaded_by_neighbours(colours, palette) & (margin < _SURE_MARGIN_IN_SHADE))
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
    rgb = _lab_to_srgb(palette)
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
        paints.append(_typical(lab, seen, middle == group, colours == k))
    index, palette = _merge_alike(order, np.stack(paints))
    return np.array([index[k] for k in colours.tolist()]), palette


def _mean_light(cells: NDArray[np.float32], seen: NDArray[np.bool_]) -> Array:
    """Return the mean linear light across each end, from one gap to the other, shape (E, places, 3)."""
    light = _linear_light(cells[:, :, _REACH - _HALF : _REACH + _HALF + 1])
    weight = seen[:, :, None, None]
    mean: Array = (light * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1)
    return mean


def _linear_light(lab: NDArray[np.floating]) -> Array:
    import cv2

    flat = np.ascontiguousarray(lab, dtype=np.float32).reshape(1, -1, 3)
    linear = np.clip(cv2.cvtColor(flat, cv2.COLOR_LAB2LRGB), 0.0, None)
    return linear.reshape(lab.shape).astype(np.float64)


def _typical(
    lab: NDArray[np.float32], seen: NDArray[np.bool_], here: NDArray[np.bool_], ends: NDArray[np.bool_]
) -> Array:
    """Return the median of the lighter half of a colour's cells on its own ends: the yarn away from shadow."""
    chosen = lab[here & seen & ends[None, :]]
    if len(chosen) == 0:
        chosen = lab[seen & ends[None, :]] if (seen & ends[None, :]).any() else lab[:, ends].reshape(-1, 3)
    lit = chosen[chosen[:, 0] >= np.median(chosen[:, 0])]
    middle: Array = np.median(lit, axis=0).astype(np.float64)
    return middle


def _shaded_by_neighbours(colours: NDArray[np.intp], palette: Array) -> NDArray[np.bool_]:
    """Return which ends have the colour that the deep shadow of a lighter neighbour would have."""
    hue = np.arctan2(palette[:, 2], palette[:, 1])
    chroma = np.hypot(palette[:, 1], palette[:, 2])
    apart = np.abs(np.angle(np.exp(1j * (hue[:, None] - hue[None]))))
    alike = (apart < np.radians(35.0)) | (chroma[:, None] < 6.0)
    darker = palette[:, None, 0] < 0.6 * palette[None, :, 0]
    shade = darker & alike & (chroma[None] > 12.0)
    found = np.zeros(len(colours), dtype=bool)
    for step in (-2, -1, 1, 2):
        beside = np.clip(np.arange(len(colours)) + step, 0, len(colours) - 1)
        found |= shade[colours, colours[beside]]
    return found


def _merge_alike(used: list[int], palette: Array) -> tuple[dict[int, int], Array]:
    """Join palette colours that no weaver would tell apart; return group -> palette index and the palette."""
    from skimage.color import deltaE_ciede2000

    index: dict[int, int] = {}
    kept: list[Array] = []
    for k, colour in zip(used, palette, strict=True):
        distance = [float(deltaE_ciede2000(colour, other)) for other in kept]  # type: ignore[no-untyped-call,unused-ignore]
        if distance and min(distance) < _SAME_YARN:
            index[k] = int(np.argmin(distance))
        else:
            index[k] = len(kept)
            kept.append(colour)
    return index, np.stack(kept)


def _lab_to_srgb(lab: Array) -> NDArray[np.uint8]:
    import cv2

    bgr = cv2.cvtColor(lab[None].astype(np.float32), cv2.COLOR_LAB2BGR)[0]
    rgb: NDArray[np.uint8] = np.clip(np.round(bgr[:, ::-1] * 255.0), 0, 255).astype(np.uint8)
    return rgb
