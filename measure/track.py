"""Every end and every pick of a straightened patch: positions, counts, and how sure they are."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .cloth_edge import cloth_span, side_occupancy
from .comb import Comb, fit_comb, learn_sample, likeness
from .phase import PX_PER_THREAD, Demodulator, FloatPlane, feature_planes, lattice_picture
from .rhythm import CLOSED_RATIO, Node, centre_phase, leading_node, rhythm_features, structure_nodes
from .thread_picture import IndexField, ThreadPicture, index_field, resample_on_threads

__all__ = [
    "SystemTrack",
    "Tracks",
    "doubt_count",
    "end_costs",
    "place_threads",
    "rhythm_of",
    "spacing_sigma",
    "thread_profile",
    "track_threads",
]

FloatArray = NDArray[np.float64]

MARGIN_THREADS = 4  # kept beyond the rough outline, so that the table can be compared with the cloth
KEPT_BEYOND = 1  # threads beyond the rough outline that may still turn out to be cloth
# Cloth beyond the centre of the outermost end, threads: half the end where the side is cut, and up to one thread more
# for weft turns and their shadow; the last figure is the standard deviation outside that range.
CLOTH_BEYOND_END, CLOTH_BEYOND_SIGMA = (0.95, 1.4), 0.25
# Outline beyond the centre of the outermost thread, (share, mean, standard deviation) in threads. Ends: beyond a selvedge's
# last end lie half of it and the weft's turn, beyond a cut side's little; measured against the known places in
# 22 path-traced photos whose ends can be told from each other by their spacing (38 selvedges 1.00 with a spread of 0.31, the
# median 1.04; 6 cut sides 0.30 with 0.13).
OUTLINE_BEYOND = {"ends": ((0.8, 1.02, 0.35), (0.2, 0.3, 0.2)), "picks": ((1.0, 0.4, 0.6),)}
FARTHEST_LIKELY = 1e-3  # outlines go astray now and then
ENOUGH = {"ends": 0.35, "picks": 0.5}
ROUNDS = 2
# Spread of ln(spacing) between neighbours in hand-woven cloth, and how it grows where selvedges crowd (all common
# practice: spacings vary by 10 to 15 %, the outermost few ends may lie up to half closer).
SPACING_SIGMA, CROWDING, CROWDED_THREADS = 0.16, 0.8, 2.0
FEWEST_PER_PLACE = 5  # threads that must share a place in the repeat to learn its looks from
STATIONS = 24
PASSED_OVER_U = 0.75  # standard uncertainty per thread passed over: spectra smear what they see
MOST_CROSSINGS = 250_000  # some 1.5 GB of working memory; 50 by 50 cm at ten threads a centimetre


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemTrack:
    """One thread system, thread by thread.

    Attributes
    ----------
    count : int
        Threads from the first to the last one seen (0 when nothing could be tracked).
    count_low, count_high : int
        Narrowest run of counts that holds at least 95 % of the probability.
    count_mean, count_std : float
        Mean of the counts tried, each weighed by its probability, and their standard deviation.
    probability : float
        Probability of `count` among the counts tried; it does not cover a wrong pitch.
    positions_px : ndarray of shape (count,)
        Patch pixel of every thread: x of the ends at mid length, y of the picks at mid width.
    lines_px : ndarray of shape (count, S)
        The same coordinate at the stations, so that each row is the thread as a polyline.
    stations_px : ndarray of shape (count, S)
        The coordinate along the thread (y for ends, x for picks) of every point of `lines_px`.
    centres_index : ndarray of shape (count,)
        Thread centres on the grid of `Tracks.threads`: 0 is its first column (row), 1 the next.
    place_in_repeat : ndarray of shape (count,)
        Place of every thread in the rhythm of the weave, 0 .. repeat - 1.
    likeness : ndarray of shape (count,)
        How clearly each thread shows; about 4 is clear, below 0 it was placed by its neighbours.
    slips : tuple of int
        Threads k after which the rhythm of the weave jumps: a thread missed or doubled between k and k + 1.
    pitch_px : float
        Mean spacing of the tracked threads at right angles to themselves, first to last.
    middle_pitch_px : float
        The same over the middle six tenths, away from crowded selvedges.
    middle_pitch_u_px : float
        Standard uncertainty of `middle_pitch_px` from phase noise and the variation along the sample.
    spacing_cv : float
        Coefficient of variation of neighbouring spacings.
    coherence : float
        Median steadiness of the phase, 0..1.
    flags : frozenset of str
        ``"first-cut"``/``"last-cut"`` the sample leaves the patch there; ``"edge-unclear"`` cloth and table look
        alike at a side; ``"holes"`` the track crosses places without cloth; ``"faint"`` more than a tenth of the
        threads were placed by their neighbours; ``"untracked"`` nothing could be followed; ``"part"`` there are too
        many threads, only those in the middle were followed.
    passed_over : float
        Threads by which the followed ones differ from what local spectra count, place by place (see
        `local_rhythm.threads_passed_over`); `count_std` and the interval hold it.
    edge_std : float
        Part of `count_std` that comes from ends beside the selvedges and does not touch the spacing in the middle.
    """

    count: int
    count_low: int
    count_high: int
    count_mean: float
    count_std: float
    probability: float
    positions_px: FloatArray
    lines_px: FloatArray
    stations_px: FloatArray
    centres_index: FloatArray
    place_in_repeat: NDArray[np.int_]
    likeness: FloatArray
    slips: tuple[int, ...]
    pitch_px: float
    middle_pitch_px: float
    middle_pitch_u_px: float
    spacing_cv: float
    coherence: float
    flags: frozenset[str]
    passed_over: float = 0.0
    edge_std: float = 0.0

    @property
    def own_count_std(self) -> float:
        """`count_std` without what `passed_over` brought into it."""
        return float(np.sqrt(max(self.count_std**2 - (PASSED_OVER_U * self.passed_over) ** 2, 0.0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracks:
    """Both thread systems of a patch.

    Attributes
    ----------
    ends, picks : SystemTrack
    threads : ThreadPicture
        The cloth resampled on its own threads, with the way back to the patch.
    nodes : tuple of (Node, float)
        Fractional nodes of the weave's rhythm and their strength, strongest first.
    pitch_map_px : tuple of two ndarrays of float32, shape (P, Q)
        Local spacing of ends and of picks at the nodes of `threads`, at right angles to the threads.
    planes : dict of ndarray of float32, shape (M, N)
        Colour-blind feature planes of ``threads.picture`` (see `phase.feature_planes`).
    """

    ends: SystemTrack
    picks: SystemTrack
    threads: ThreadPicture
    nodes: tuple[tuple[Node, float], ...]
    pitch_map_px: tuple[FloatPlane, FloatPlane]
    planes: dict[str, FloatPlane]


def thread_profile(
    planes: dict[str, FloatPlane], cloth: FloatPlane, along: int, rhythm: float
) -> tuple[FloatArray, FloatArray]:
    """Features averaged along the threads (C, N), scaled to their own spread, and the share of cloth (N,)."""
    own, other = ("x", "y") if along == 0 else ("y", "x")

    def turned(plane: FloatPlane) -> FloatPlane:
        return plane if along == 0 else np.ascontiguousarray(plane.T)

    cloth = turned(cloth)
    share = cloth.mean(axis=0).astype(np.float64)
    share = share / max(float(np.quantile(share, 0.8)), 1e-6)
    length = cloth.sum(axis=0).astype(np.float64) + 1e-6
    names = (f"edge_{own}", f"edge_{other}", f"gap_{own}", "light")
    parts = [turned(planes[n]) for n in names]
    still = np.array([p.sum(axis=0, dtype=np.float64) for p in (*parts, parts[-1] ** 2)]) / length
    profile = np.concatenate([still, rhythm_features(parts, rhythm) / length])
    usual = profile[:, share > 0.5]
    middle = np.median(usual, axis=1, keepdims=True)
    spread = np.median(np.abs(usual - middle), axis=1, keepdims=True) + 1e-6
    return np.clip((profile - middle) / spread, -6, 6) * (share > 0.3), np.minimum(share, 1.0)


def end_costs(
    threads: ThreadPicture, along: int, cut: tuple[bool, bool]
) -> tuple[FloatArray, FloatArray, set[str]]:
    """Cost of the first and the last thread at every profile pixel, and what is doubtful about it."""
    k = PX_PER_THREAD
    cloth = threads.picture.cloth
    size = cloth.shape[1 - along]
    low, high = cloth_span(cloth, along)
    where = np.arange(size, dtype=np.float64)
    kinds = OUTLINE_BEYOND["ends" if along == 0 else "picks"]
    costs: list[FloatArray] = []
    flags: set[str] = set()
    for far in (False, True):
        inside = (high - where if far else where - low) / k
        if cut[int(far)]:
            cost = np.where(np.abs(inside - 0.5) > 0.75, np.inf, 0.0)
            flags.add("last-cut" if far else "first-cut")
        else:
            likely = sum(p / s * np.exp(-0.5 * ((inside - mean) / s) ** 2) for p, mean, s in kinds)
            cost = -np.log(likely * kinds[0][2] / kinds[0][0] + FARTHEST_LIKELY)
            cost[(inside < -0.5) | (inside > 3.0)] = np.inf
            seen = side_occupancy(threads.picture.bgr, cloth, threads.seen, far=far) if along == 0 else None
            if seen is not None:
                trust = min(max(seen.contrast / 0.4, 0.25), 1.0)
                excess = seen.beyond - np.clip(seen.beyond, *CLOTH_BEYOND_END)
                cost += 0.5 * (excess / CLOTH_BEYOND_SIGMA * trust) ** 2
            if along == 0 and (seen is None or seen.contrast < 0.2):
                flags.add("edge-unclear")
        costs.append(cost)
    return costs[0], costs[1], flags


def _comb(
    profile: FloatArray,
    span: tuple[int, int],
    centre: float,
    classes: int,
    ends: tuple[FloatArray, FloatArray],
    enough: float,
) -> Comb:
    """Place all threads, their looks learnt at first from the even grid."""
    k = PX_PER_THREAD
    inset = max(1.0, min(3.0, 0.1 * (span[1] - span[0]) / k))
    whole = np.arange(np.ceil(span[0] / k + inset), np.floor(span[1] / k - inset))
    centres = np.asarray((whole + centre) * k, dtype=np.float64)
    kinds = whole.astype(int) % classes
    sigma = spacing_sigma(profile.shape[1], span)
    return place_threads(profile, (centres, kinds), classes, ends=ends, sigma=sigma, enough=enough)


def place_threads(
    profile: FloatArray,
    known: tuple[FloatArray, NDArray[np.int_]],
    classes: int,
    *,
    ends: tuple[FloatArray, FloatArray],
    sigma: FloatArray,
    enough: float,
) -> Comb:
    """Learn the looks of a thread where threads are known, place all, learn again from them, place again.

    `known` holds their centres in pixels of the profile and their classes; `ends` are the costs of the first and the last
    thread (`end_costs`), `sigma` is `spacing_sigma`.
    """
    centres, kinds = known
    spacing = np.full(profile.shape[1], float(PX_PER_THREAD))
    comb = Comb(centres=np.zeros(0), likeness=np.zeros(0), count_probability={}, classes=np.zeros(0, int))
    for _ in range(ROUNDS):
        if len(centres) < max(3, classes):
            break
        score = likeness(profile, learn_sample(profile, centres, kinds, classes), enough=enough)
        comb = fit_comb(score, spacing, start_cost=ends[0], stop_cost=ends[1], sigma=sigma)
        centres, kinds = comb.centres[2:-2], comb.classes[2:-2]
    return comb


def spacing_sigma(size: int, span: tuple[int, int]) -> FloatArray:
    """Spread of ln(spacing) at every profile pixel of cloth that lies between two of them, shape (size,)."""
    where = np.arange(size, dtype=np.float64)
    inside = np.minimum(where - span[0], span[1] - where) / PX_PER_THREAD
    return np.asarray(SPACING_SIGMA * (1.0 + CROWDING * np.exp(-np.maximum(inside, 0.0) / CROWDED_THREADS)))


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
            coherence=float(np.median(coherence[on])) if on.any() else 0.0, flags=frozenset(flags | {"untracked"}),
        )  # fmt: skip
    lines, stations = _lines(threads, centres, along)
    position = lines[:, [(STATIONS - 1) // 2, STATIONS // 2]].mean(axis=1)
    # Leaning threads lie closer at right angles to themselves than along the patch axis.
    rows = np.clip(np.round(centres).astype(int), 0, pitch_map.shape[1 - along] - 1)
    middle = pitch_map.shape[along] // 2
    at_middle = pitch_map[middle, rows] if along == 0 else pitch_map[rows, middle]
    step = threads.grid_x_px[middle] if along == 0 else threads.grid_y_px[:, middle]
    lean = float(np.median(at_middle / np.maximum(np.abs(np.gradient(step))[rows], 1e-6)))
    spacings = np.diff(position) * lean
    inner = slice(int(0.2 * count), max(int(0.2 * count) + 3, count - int(0.2 * count)))
    spacing, error = _slope(position[inner] * lean)
    across = np.array([_slope(lines[inner, s])[0] for s in range(2, STATIONS - 2)]) * lean
    # Stations three apart are taken as independent places.
    wander = float(across.std()) / np.sqrt(max(1.0, len(across) / 3))
    low, high = _interval(comb.count_probability, count)
    jumps = np.flatnonzero((np.diff(comb.classes) - 1) % classes) if classes > 1 else np.zeros(0, int)
    if float((comb.likeness < 0).mean()) > 0.1:
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
        coherence=float(np.median(coherence[on])),
        flags=frozenset(flags),
    )


def doubt_count(track: SystemTrack, passed_over: float) -> SystemTrack:
    """Let the count doubt what local spectra count otherwise; `passed_over` in threads."""
    if not passed_over:
        return track
    reach = int(np.ceil(2.0 * PASSED_OVER_U * passed_over))
    return replace(
        track,
        count_low=track.count_low - reach,
        count_high=track.count_high + reach,
        count_std=float(np.hypot(track.count_std, PASSED_OVER_U * passed_over)),
        probability=track.probability / (1 + reach),
        passed_over=passed_over,
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
    return frozenset(side for side, share in edges.items() if share > 0.5 * np.quantile(usual[side], 0.8))


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
    demods = {name: Demodulator(plane) for name, plane in planes.items()}
    strength = structure_nodes(demods)
    on = field.cloth > 0.5
    lead = rhythm_of(strength, min(int(on.any(axis=0).sum()), int(on.any(axis=1).sum())))
    a, b, q = lead
    maps = _pitch_maps(threads)
    apart = float(np.median(maps[1]) / np.median(maps[0]))
    covers = (apart > CLOSED_RATIO, apart < 1.0 / CLOSED_RATIO)
    centre_end, centre_pick = centre_phase(demods, cloth[::k, ::k], lead, covers)
    tracks: list[SystemTrack] = []
    for along, sides in ((0, ("left", "right")), (1, ("start", "end"))):
        if along == 1 and picks is not None:
            tracks.append(_carried_over(picks, threads))
            continue
        profile, _ = thread_profile(planes, wide, along, (b if along == 0 else a) / q)
        cut = (sides[0] in cut_off, sides[1] in cut_off)
        start, stop, flags = end_costs(threads, along, cut)
        if part:
            flags.add("part")
        centre = centre_end if along == 0 else centre_pick
        enough = ENOUGH["ends" if along == 0 else "picks"]
        comb = _comb(profile, cloth_span(cloth, along), centre, q, (start, stop), enough)
        tracks.append(_summarise(comb, threads, maps[along], field, along, flags, q))
    return Tracks(
        ends=tracks[0],
        picks=tracks[1],
        threads=threads,
        nodes=tuple(sorted(strength.items(), key=lambda item: -item[1])),
        pitch_map_px=maps,
        planes=planes,
    )
