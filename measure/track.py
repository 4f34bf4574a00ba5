"""Every end and every pick of a straightened patch: positions, counts, and how sure they are."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median, percentile
from ..calibration.side_by_side import side_by_side
from .cloth_edge import cloth_span
from .comb import Comb
from .edge_costs import edge_costs
from .phase import PX_PER_THREAD, Demodulator, FloatPlane, feature_planes, lattice_picture
from .rhythm import CLOSED_RATIO, Node, centre_phase, leading_node, structure_nodes
from .thread_picture import IndexField, ThreadPicture, index_field, resample_on_threads
from .thread_profile import ENOUGH, place_threads, thread_profile
from .tracks import SystemTrack, Tracks

__all__ = ["rhythm_of", "track_threads"]

FloatArray = NDArray[np.float64]

MARGIN_THREADS = 4  # kept beyond the rough outline, so that the table can be compared with the cloth
KEPT_BEYOND = 1  # threads beyond the rough outline that may still turn out to be cloth
FEWEST_PER_PLACE = 5  # threads that must share a place in the repeat to learn its looks from
STATIONS = 24
# Shares of the threads that are left out of the spacing in the middle: beside a selvedge, where they crowd, and where the cloth
# runs out of the picture, which cuts the last ones short.
BESIDE, CUT_OFF = 0.2, 0.05
# Threads at either side that tell little of how the others show: half of what is around them is table.
OUTERMOST = 2
FAINT = 0.1  # share of the other threads that were placed by their neighbours
MOST_CROSSINGS = 250_000  # some 1.5 GB of working memory; 50 by 50 cm at ten threads a centimetre


def _interval(probability: dict[int, float], count: int) -> tuple[int, int]:
    low = high = count
    held = probability.get(count, 0.0)
    while held < 0.95:
        below, above = probability.get(low - 1, 0.0), probability.get(high + 1, 0.0)
        if below <= 0.0 and above <= 0.0:
            break
        if below >= above:
            low, held = low - 1, held + below
        else:
            high, held = high + 1, held + above
    return low, high


def _mean(probability: dict[int, float]) -> float:
    return float(np.average(list(probability), weights=list(probability.values())))


def _spread(probability: dict[int, float]) -> float:
    counts, weights = np.array(list(probability)), np.array(list(probability.values()))
    return float(np.sqrt(np.average((counts - np.average(counts, weights=weights)) ** 2, weights=weights)))


def _pitch_maps(threads: ThreadPicture) -> tuple[FloatPlane, FloatPlane]:
    x_end, x_pick = np.gradient(threads.grid_x_px, axis=1), np.gradient(threads.grid_x_px, axis=0)
    y_end, y_pick = np.gradient(threads.grid_y_px, axis=1), np.gradient(threads.grid_y_px, axis=0)
    area = np.abs(x_end * y_pick - x_pick * y_end)
    of_ends = area / np.maximum(np.hypot(x_pick, y_pick), 1e-6)
    of_picks = area / np.maximum(np.hypot(x_end, y_end), 1e-6)
    return np.asarray(of_ends, dtype=np.float32), np.asarray(of_picks, dtype=np.float32)


def _lines(threads: ThreadPicture, centres: FloatArray, along: int) -> tuple[FloatArray, FloatArray]:
    """Threads as polylines: own coordinate and coordinate along the thread, both (count, STATIONS)."""
    low, high = cloth_span(threads.picture.cloth, 1 - along)
    k = PX_PER_THREAD
    walk = np.linspace(low / k, high / k, STATIONS)
    if along == 0:
        x, y = threads.to_patch_grid(centres + threads.first_end, walk + threads.first_pick)
        return x.T.astype(np.float64), y.T.astype(np.float64)
    x, y = threads.to_patch_grid(walk + threads.first_end, centres + threads.first_pick)
    return y.astype(np.float64), x.astype(np.float64)


def _slope(position: FloatArray) -> tuple[float, float]:
    """Spacing by least squares and its standard error from the scatter of the thread positions."""
    n = len(position)
    index = np.arange(n) - (n - 1) / 2
    spacing = float((index @ position) / (index @ index))
    rest = position - position.mean() - spacing * index
    return spacing, float(np.sqrt((rest @ rest) / max(n - 2, 1) / (index @ index)))


def _placed_by_neighbours(likeness: FloatArray) -> float:
    """Share of the threads that look less like a thread than like none, the outermost ones left out."""
    inside = likeness[OUTERMOST:-OUTERMOST] if len(likeness) > 3 * OUTERMOST else likeness
    return float((inside < 0).mean())


def _summarise(
    comb: Comb,
    threads: ThreadPicture,
    pitch_map: FloatPlane,
    field: IndexField,
    along: int,
    flags: set[str],
    classes: int,
) -> SystemTrack:
    k = PX_PER_THREAD
    count = len(comb.centres)
    centres = comb.centres / k
    coherence = field.end_coherence if along == 0 else field.pick_coherence
    on = field.cloth > 0.5
    if count < 4:
        nothing = np.zeros((0, STATIONS))
        return SystemTrack(
            count=0, count_low=0, count_high=0, probability=0.0, positions_px=np.zeros(0), lines_px=nothing,
            stations_px=nothing, centres_index=np.zeros(0), place_in_repeat=np.zeros(0, int),
            likeness=np.zeros(0), count_mean=float("nan"), count_std=float("nan"), slips=(),
            pitch_px=float("nan"),
            middle_pitch_px=float("nan"), middle_pitch_u_px=float("nan"), spacing_cv=float("nan"),
            coherence=float(median(coherence[on])) if on.any() else 0.0, flags=frozenset(flags | {"untracked"}),
        )  # fmt: skip
    lines, stations = _lines(threads, centres, along)
    position = lines[:, [(STATIONS - 1) // 2, STATIONS // 2]].mean(axis=1)
    # Leaning threads lie closer at right angles to themselves than along the patch axis.
    rows = np.clip(np.round(centres).astype(int), 0, pitch_map.shape[1 - along] - 1)
    middle = pitch_map.shape[along] // 2
    at_middle = pitch_map[middle, rows] if along == 0 else pitch_map[rows, middle]
    step = threads.grid_x_px[middle] if along == 0 else threads.grid_y_px[:, middle]
    lean = float(median(at_middle / np.maximum(np.abs(np.gradient(step))[rows], 1e-6)))
    spacings = np.diff(position) * lean
    skipped = [int(count * (CUT_OFF if side in flags else BESIDE)) for side in ("first-cut", "last-cut")]
    inner = slice(skipped[0], max(skipped[0] + 3, count - skipped[1]))
    # From the first to the last of them, as one counts along a ruler: a fitted line would weigh those in the middle most, which
    # is another number where the spacing is uneven.
    kept = position[inner] * lean
    spacing, error = float(kept[-1] - kept[0]) / (len(kept) - 1), _slope(kept)[1]
    across = np.array([_slope(lines[inner, s])[0] for s in range(2, STATIONS - 2)]) * lean
    # Stations three apart are taken as independent places.
    wander = float(across.std()) / np.sqrt(max(1.0, len(across) / 3))
    low, high = _interval(comb.count_probability, count)
    jumps = np.flatnonzero((np.diff(comb.classes) - 1) % classes) if classes > 1 else np.zeros(0, int)
    if _placed_by_neighbours(comb.likeness) > FAINT:
        flags.add("faint")
    if (~on)[2:-2, 2:-2].any() and _has_holes(field):
        flags.add("holes")
    return SystemTrack(
        count=count,
        count_low=low,
        count_high=high,
        count_mean=_mean(comb.count_probability),
        count_std=_spread(comb.count_probability),
        probability=comb.count_probability.get(count, 0.0),
        positions_px=position,
        lines_px=lines,
        stations_px=stations,
        centres_index=centres,
        place_in_repeat=comb.classes,
        likeness=comb.likeness,
        slips=tuple(int(j) for j in jumps),
        pitch_px=float((position[-1] - position[0]) / (count - 1) * lean),
        middle_pitch_px=spacing,
        middle_pitch_u_px=float(np.hypot(error, wander)),
        spacing_cv=float(spacings.std() / spacings.mean()),
        coherence=float(median(coherence[on])),
        flags=frozenset(flags),
    )


def _with_level_picks(field: IndexField) -> IndexField:
    """Leave the picks where the straightening has them: one to a row of the index."""
    rows = np.arange(field.cloth.shape[0], dtype=np.float32)[:, None]
    return replace(field, pick_index=np.broadcast_to(rows, field.cloth.shape).copy())


def _carried_over(picks: SystemTrack, threads: ThreadPicture) -> SystemTrack:
    """Place picks followed before on another straightening of the same cloth."""
    down_px = threads.grid_y_px[:, threads.grid_y_px.shape[1] // 2].astype(np.float64)
    index = np.interp(picks.positions_px, down_px, np.arange(len(down_px)))
    return replace(picks, centres_index=index)


def _has_holes(field: IndexField) -> bool:
    """Whether cloth surrounds a place without cloth in the same row or column."""
    on = field.cloth > 0.5
    before = np.logical_or.accumulate(on, axis=1) & np.logical_or.accumulate(on[:, ::-1], axis=1)[:, ::-1]
    return bool((before & ~on).sum() > 4)


def rhythm_of(strength: dict[Node, float], threads: int) -> Node:
    """Leading node of the weave; (0, 0, 1), no rhythm, where none is clear or too few threads share a place."""
    node = leading_node(strength)
    return node if node is not None and threads >= FEWEST_PER_PLACE * node[2] else (0, 0, 1)


def _sides_cut(mask: NDArray[np.bool_]) -> frozenset[str]:
    """Sides on which the mask runs into the border along more than half of its usual extent."""
    if not mask.any():
        return frozenset()
    columns, rows = mask.mean(axis=0), mask.mean(axis=1)
    edges = {"left": columns[0], "right": columns[-1], "start": rows[0], "end": rows[-1]}
    usual = {"left": columns, "right": columns, "start": rows, "end": rows}
    return frozenset(side for side, share in edges.items() if share > 0.5 * percentile(usual[side], 80))


def _affordable(
    mask: NDArray[np.bool_], pitch_x_px: float, pitch_y_px: float, most: int
) -> tuple[slice, slice]:
    """Rows and columns to work on: all, or so much of the middle that there are no more crossings than `most`."""
    rows, cols = mask.shape
    along, across = rows / pitch_y_px, cols / pitch_x_px
    if along * across <= most:
        return slice(0, rows), slice(0, cols)
    side = float(np.sqrt(most))
    picks = min(along, max(side, most / across))
    ends = min(across, most / picks)
    height, width = int(picks * pitch_y_px), int(ends * pitch_x_px)
    top, left = (rows - height) // 2, (cols - width) // 2
    return slice(top, top + height), slice(left, left + width)


def track_threads(
    bgr: NDArray[np.uint8],
    mask: NDArray[np.bool_],
    *,
    pitch_x_px: float,
    pitch_y_px: float,
    cut_off: frozenset[str] | None = None,
    guide: tuple[ThreadPicture, IndexField] | None = None,
    picks: SystemTrack | None = None,
    most_crossings: int = MOST_CROSSINGS,
) -> Tracks:
    """Follow every end and every pick of a straightened patch.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Straightened cloth: ends run down the rows, picks across.
    mask : ndarray of bool, shape (M, N)
        Cloth; its outline may be wrong by half a thread.
    pitch_x_px, pitch_y_px : float
        Spacing of ends and of picks, pixels. The order must be right; 8 % off is near enough.
    cut_off : frozenset of str, optional
        Sides on which the cloth goes on beyond the patch: any of ``"left"``, ``"right"``, ``"start"``, ``"end"``.
        By default those where the mask reaches the border of the patch.
    guide : tuple of ThreadPicture and IndexField, optional
        The cloth as straightened before, and a better thread index over it to set out from.
    picks : SystemTrack, optional
        The picks as they were followed before; they are left where they are, whatever the guide says of them.
    most_crossings : int
        Of cloth with more crossings of ends and picks only the middle is followed (flag ``"part"``).

    Returns
    -------
    Tracks

    Notes
    -----
    Twice the phase of the on-axis components and of the half nodes is unwrapped into a smooth thread index and the
    cloth is resampled on it; then every thread is placed by dynamic programming on the profile, against looks
    learned from the cloth itself and the rhythm of its weave.
    """
    k = PX_PER_THREAD
    window = _affordable(mask, pitch_x_px, pitch_y_px, most_crossings)
    part = mask[window].shape != mask.shape
    if part:
        bgr, mask = np.ascontiguousarray(bgr[window]), np.ascontiguousarray(mask[window])
    if cut_off is None:
        cut_off = _sides_cut(mask)
    source = lattice_picture(bgr, mask, pitch_x_px=pitch_x_px, pitch_y_px=pitch_y_px)
    if guide is None:
        first = resample_on_threads(
            source, index_field(source, feature_planes(source)), margin=MARGIN_THREADS
        )
    else:
        before, index = guide
        if picks is not None:
            index = _with_level_picks(index)
        first = resample_on_threads(source, index, previous=before, margin=MARGIN_THREADS)
    field = index_field(first.picture, feature_planes(first.picture), level_picks=picks is not None)
    threads = resample_on_threads(source, field, previous=first, margin=MARGIN_THREADS)
    threads = replace(
        threads,
        grid_x_px=threads.grid_x_px + np.float32(window[1].start),
        grid_y_px=threads.grid_y_px + np.float32(window[0].start),
    )
    cloth = threads.picture.cloth
    reach = 2 * KEPT_BEYOND * k + 1
    wide = np.asarray(cv2.dilate(cloth, np.ones((reach, reach), np.uint8)), dtype=np.float32)
    planes = feature_planes(threads.picture, keep=wide)
    demods = dict(zip(planes, side_by_side(Demodulator, planes.values()), strict=True))
    strength = structure_nodes(demods)
    on = field.cloth > 0.5
    lead = rhythm_of(strength, min(int(on.any(axis=0).sum()), int(on.any(axis=1).sum())))
    a, b, q = lead
    maps = _pitch_maps(threads)
    apart = float(median(maps[1]) / median(maps[0]))
    covers = (apart > CLOSED_RATIO, apart < 1.0 / CLOSED_RATIO)
    centre_end, centre_pick = centre_phase(demods, cloth[::k, ::k], lead, covers)
    tracks: list[SystemTrack] = []
    for along, sides in ((0, ("left", "right")), (1, ("start", "end"))):
        if along == 1 and picks is not None:
            tracks.append(_carried_over(picks, threads))
            continue
        profile, _ = thread_profile(planes, wide, along, (b if along == 0 else a) / q)
        cut = (sides[0] in cut_off, sides[1] in cut_off)
        edges = edge_costs(threads, along, cut, covered=covers[0])
        flags = {*edges.flags, "part"} if part else set(edges.flags)
        centre = centre_end if along == 0 else centre_pick
        enough = ENOUGH["ends" if along == 0 else "picks"]
        comb = place_threads(profile, cloth_span(cloth, along), centre, q, edges=edges, enough=enough)
        tracks.append(_summarise(comb, threads, maps[along], field, along, flags, q))
    return Tracks(
        ends=tracks[0],
        picks=tracks[1],
        threads=threads,
        nodes=tuple(sorted(strength.items(), key=lambda item: -item[1])),
        pitch_map_px=maps,
        planes=planes,
    )
