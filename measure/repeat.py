"""The weave: its repeat averaged into one clean picture, its name, and which system covers the face.

Everything is read in thread coordinates, where a weave of q ends and q picks shows as nodes at whole multiples of
1/q cycles per thread off both axes. Stripes of dye lie on the axes and so cannot pass for a weave.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .phase import PX_PER_THREAD, Demodulator, FloatPlane
from .results import Face, WeaveName, WeaveReading
from .rhythm import CLOSED_RATIO, Node, leading_node
from .tracks import Tracks

__all__ = ["RepeatPicture", "average_repeat", "edges_together", "float_classes", "plain_share", "read_weave"]

FloatArray = NDArray[np.float64]

REPEAT_PX = 16  # pixels per thread of the averaged picture
MOST_THREADS = 48  # threads averaged each way: more adds nothing but time
LEAST_CELLS = 8  # repeats, half of which foretell the other half
LEAST_REPEATED = 24  # threads each way: six repeats of four
GAINED = (
    0.1  # share by which a repeat of four threads may explain more than one of two where the weave is plain
)
BOTH_DIAGONALS = 0.6  # share of places with both diagonals that tells a basket from a turning twill


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatPicture:
    """One repeat of the weave, averaged over the cloth.

    Attributes
    ----------
    bgr : ndarray of uint8, shape (REPEAT_PX * picks, REPEAT_PX * ends, 3)
        The picture, at least two threads each way.
    ends, picks : int
        Threads in it.
    cells : int
        Repeats averaged.
    explained : float
        Share of the structure (colour-blind edges and gaps, less what each end and each pick has of its own) in
        one half of the repeats that the average of the other half predicts; 0 where there are too few repeats.
    """

    bgr: NDArray[np.uint8]
    ends: int
    picks: int
    cells: int
    explained: float


def _sites(
    tracks: Tracks, first: tuple[int, int], size: tuple[int, int], px: int
) -> tuple[FloatArray, FloatArray]:
    """Grid coordinates (column, row) of pixels so that thread n of the count lies at px * (n - first + 1/2)."""

    def centres(positions: FloatArray, begin: int, count: int) -> FloatArray:
        number = begin - 0.5 + (np.arange(count * px) + 0.5) / px
        return np.interp(number, np.arange(len(positions)), positions)

    across = centres(tracks.ends.centres_index, first[0], size[0])
    down = centres(tracks.picks.centres_index, first[1], size[1])
    return across, down


def _on_threads(
    bgr: NDArray[np.uint8], tracks: Tracks, first: tuple[int, int], size: tuple[int, int]
) -> NDArray[np.uint8]:
    """Resample the patch on its threads."""
    across, down = _sites(tracks, first, size, REPEAT_PX)
    x, y = tracks.threads.to_patch_grid(across + tracks.threads.first_end, down + tracks.threads.first_pick)
    picture = cv2.remap(
        bgr,
        np.ascontiguousarray(x),
        np.ascontiguousarray(y),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(picture, dtype=np.uint8)


def _middle(places: NDArray[np.int_], repeat: int) -> tuple[int, int]:
    """First thread and number of threads: whole repeats from the middle, beginning at place 0 of the rhythm."""
    count = len(places)
    size = min(count - 2 if count > 4 * repeat else count, MOST_THREADS) // repeat * repeat
    begin = (count - size) // 2
    for shift in range(repeat):
        if begin + shift + size <= count and places[begin + shift] % repeat == 0:
            return begin + shift, size
    return begin, size


def average_repeat(bgr: NDArray[np.uint8], tracks: Tracks, weave: WeaveReading) -> RepeatPicture:
    """Average all repeats of the weave into one picture.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        The patch that was tracked.
    tracks : Tracks
    weave : WeaveReading
        Repeat to average over; unknown repeats are shown as two threads by two.
    """
    m, n = weave.repeat_ends or 2, weave.repeat_picks or 2
    if tracks.ends.count < m or tracks.picks.count < n:
        blank = np.zeros((n * REPEAT_PX, m * REPEAT_PX, 3), np.uint8)
        return RepeatPicture(bgr=blank, ends=m, picks=n, cells=0, explained=0.0)
    begin_end, ends = _middle(tracks.ends.place_in_repeat, m)
    begin_pick, picks = _middle(tracks.picks.place_in_repeat, n)
    picture = _on_threads(bgr, tracks, (begin_end, begin_pick), (ends, picks))
    shape = (picks // n, n * REPEAT_PX, ends // m, m * REPEAT_PX)
    mean = picture.reshape(*shape, 3).mean(axis=(0, 2), dtype=np.float32)
    return RepeatPicture(
        bgr=np.clip(np.round(mean), 0, 255).astype(np.uint8),
        ends=m,
        picks=n,
        cells=shape[0] * shape[2],
        explained=_explained(_cells(tracks, (begin_end, begin_pick), (ends, picks), (m, n))),
    )


def _explained(structure: dict[str, NDArray[np.float32]]) -> float:
    """Share of one half's structure (`_cells`) that the average repeat of the other half predicts."""
    rest = whole = 0.0
    for cells in structure.values():
        if len(cells) < LEAST_CELLS:
            return 0.0
        # Odd and even cells: neighbours fall in different halves, so light and focus do not.
        learned, held = cells[0::2].mean(axis=0), cells[1::2]
        rest += float(((held - learned) ** 2).mean())
        whole += float((held**2).mean())
    return float(np.clip(1.0 - rest / max(whole, 1e-9), 0.0, 1.0))


def _cells(
    tracks: Tracks, first: tuple[int, int], size: tuple[int, int], repeat: tuple[int, int]
) -> dict[str, NDArray[np.float32]]:
    """Edges and gaps repeat by repeat, less what each end and each pick has of its own, shape (repeats, h, w) each."""
    k = PX_PER_THREAD
    across, down = _sites(tracks, first, size, k)
    map_x, map_y = np.meshgrid((across * k).astype(np.float32), (down * k).astype(np.float32))
    shape = (size[1] // repeat[1], repeat[1] * k, size[0] // repeat[0], repeat[0] * k)
    cells = {}
    for name in ("edge_x", "edge_y", "gap_x", "gap_y"):
        plane = cv2.remap(tracks.planes[name], map_x, map_y, cv2.INTER_LINEAR)
        own = plane.mean(axis=0, keepdims=True) + plane.mean(axis=1, keepdims=True) - plane.mean()
        cells[name] = (plane - own).reshape(shape).transpose(0, 2, 1, 3).reshape(-1, shape[1], shape[3])
    return cells


def _middle_both(tracks: Tracks, repeat: int) -> tuple[tuple[int, int], tuple[int, int]]:
    """First end and pick, and numbers of both: whole repeats of so many threads each way from the middle."""
    begin_end, ends = _middle(tracks.ends.place_in_repeat, repeat)
    begin_pick, picks = _middle(tracks.picks.place_in_repeat, repeat)
    return (begin_end, begin_pick), (ends, picks)


def edges_together(tracks: Tracks) -> float:
    """How far upright and level edges lie at the same places of the averaged repeat of two threads by two, from 0 to 1.

    Where ends and picks float in turn, upright edges lie along the one and level edges along the other; in a net of slanting
    wires, in chequers and in many knits both lie along the same lines. The correlation of the two (0 where it is negative) is taken
    times the share of the structure that the repeat explains.

    Parameters
    ----------
    tracks : Tracks
    """
    if min(tracks.ends.count, tracks.picks.count) < 2:
        return 0.0
    first, size = _middle_both(tracks, 2)
    cells = _cells(tracks, first, size, (2, 2))
    if len(cells["edge_x"]) < LEAST_CELLS:
        return 0.0
    # Blurred over a quarter of a thread; the repeat goes on beyond its border.
    upright, level = (
        cv2.GaussianBlur(np.tile(cells[name].mean(axis=0), (3, 3)), (0, 0), PX_PER_THREAD / 4)
        for name in ("edge_x", "edge_y")
    )
    both = float((upright * level).mean())
    alone = float(np.sqrt((upright**2).mean() * (level**2).mean())) + 1e-9
    return max(both / alone, 0.0) * _explained(cells)


def plain_share(tracks: Tracks, weave: WeaveReading) -> float:
    """Share of the structure that comes again after two ends and two picks, from 0 to 1.

    0 where the weave is not plain, where too few threads show, and where a repeat of four threads explains more: then what was
    followed are parts of threads, or groups of them that differ.

    Parameters
    ----------
    tracks : Tracks
    weave : WeaveReading
        Weave read from them.
    """
    if weave.name != "plain" or min(tracks.ends.count, tracks.picks.count) < LEAST_REPEATED:
        return 0.0
    of_two, of_four = (
        _explained(_cells(tracks, *_middle_both(tracks, repeat), (repeat, repeat))) for repeat in (2, 4)
    )
    return of_two if of_four <= of_two + GAINED else 0.0


def float_classes(tracks: Tracks, node: Node) -> FloatArray:
    """Describe how every class of crossings looks, shape (q, 2).

    Crossings of end i and pick j with the same ``(a i + b j) mod q`` are alike in a weave led by the node (a, b, q).
    First column: edges and gaps beside the crossing along the end, less those above and below it (positive where
    the end floats, negative where the pick does). Second: dark lines along the end less those along the pick,
    through the crossing itself.
    """
    a, b, q = node
    x = tracks.ends.centres_index * PX_PER_THREAD
    y = tracks.picks.centres_index * PX_PER_THREAD
    half_x, half_y = 0.5 * np.gradient(x), 0.5 * np.gradient(y)
    planes = {name: cv2.GaussianBlur(plane, (0, 0), 1.0) for name, plane in tracks.planes.items()}

    def at(name: str, dx: int, dy: int) -> FloatPlane:
        place_x, place_y = np.meshgrid(x + dx * half_x, y + dy * half_y)
        sampled = cv2.remap(
            planes[name], place_x.astype(np.float32), place_y.astype(np.float32), cv2.INTER_LINEAR
        )
        return np.asarray(sampled, dtype=np.float32)

    beside = sum(at(name, dx, 0) for name in ("edge_x", "gap_x") for dx in (-1, 1))
    above = sum(at(name, 0, dy) for name in ("edge_y", "gap_y") for dy in (-1, 1))
    through = at("gap_x", 0, 0) - at("gap_y", 0, 0)
    kind = (a * tracks.ends.place_in_repeat[None] + b * tracks.picks.place_in_repeat[:, None]) % q
    looks = (np.asarray(beside - above), through)
    usual = [float(median(look)) for look in looks]  # stands for a class that so few threads leave empty
    return np.array(
        [
            [
                float(median(look[kind == c])) if (kind == c).any() else u
                for look, u in zip(looks, usual, strict=True)
            ]
            for c in range(q)
        ]
    )


def _warp_share(looks: FloatArray, node: Node) -> float:
    """Share of crossings with the end on top, from the best split of the classes into two runs along an end."""
    _, b, q = node
    order = looks[(b * np.arange(q)) % q]  # classes in the order an end meets them
    scaled = order / (order.std(axis=0) + 1e-6)
    worths: dict[float, float] = {}
    for size in range(1, q):
        for begin in range(q):
            run = np.zeros(q, bool)
            run[(begin + np.arange(size)) % q] = True
            if order[run, 0].mean() <= order[~run, 0].mean():
                continue
            gap = scaled[run].mean(axis=0) - scaled[~run].mean(axis=0)
            within = sum(float(((scaled[s] - scaled[s].mean(axis=0)) ** 2).sum()) for s in (run, ~run))
            worth = float((gap**2).sum()) * size * (q - size) / (within + 0.1 * q)
            worths[size / q] = max(worth, worths.get(size / q, 0.0))
    if not worths:  # all classes look alike
        return 0.5
    best = max(worths, key=lambda share: worths[share])
    # Even floats are the rule: a lopsided split must be much the better one.
    return 0.5 if worths.get(0.5, 0.0) > 0.6 * worths[best] else best


def _together(tracks: Tracks, node: Node) -> float:
    """How far both diagonals of a node are present at the same places, 0..1."""
    a, b, q = node
    cloth = tracks.threads.picture.cloth[::PX_PER_THREAD, ::PX_PER_THREAD]
    both = none = 0.0
    for name in ("light", "edge_x", "edge_y"):
        found = Demodulator(tracks.planes[name])
        size = (slice(0, cloth.shape[0]), slice(0, cloth.shape[1]))
        rising = np.abs(found.node(a / q, b / q, width_x=0.06, width_y=0.06)[size]) * cloth
        falling = np.abs(found.node(a / q, -b / q, width_x=0.06, width_y=0.06)[size]) * cloth
        both += float(np.minimum(rising, falling).sum())
        none += float(np.maximum(rising, falling).sum())
    return both / (none + 1e-9)


def _face(tracks: Tracks, name: WeaveName, lead: Node) -> Face:
    ratio = tracks.picks.pitch_px / tracks.ends.pitch_px
    if ratio > CLOSED_RATIO:
        return "warp-faced"
    if ratio < 1.0 / CLOSED_RATIO:
        return "weft-faced"
    if name not in ("twill", "satin"):
        return "balanced"
    looks = float_classes(tracks, lead)
    share, lean = _warp_share(looks, lead), float(looks[:, 0].mean())
    # Two signs of one thing: most crossings belong to one system, and most edges run along its floats. Strong
    # contrast of dye can turn either of them, so both have to agree.
    if share > 0.6 and lean > 0:
        return "warp-faced"
    return "weft-faced" if share < 0.4 and lean < 0 else "balanced"


def read_weave(tracks: Tracks) -> WeaveReading:
    """Name the weave and its face from the rhythm of the floats.

    Parameters
    ----------
    tracks : Tracks

    Notes
    -----
    Only nodes off both axes are looked at: what ends or picks have of their own (dye, thickness) lies on the axes.
    One diagonal family of q threads is a twill, or a satin where the step between neighbouring ends is neither one
    thread nor its complement; both diagonals at the same places are a basket; (1/2, 1/2) alone is plain weave.
    """
    unknown = WeaveReading(name="unknown", repeat_ends=None, repeat_picks=None, face="balanced")
    if tracks.ends.count < 6 or tracks.picks.count < 6:
        return unknown
    lead = leading_node(dict(tracks.nodes))
    if lead is None:
        face = _face(tracks, "unknown", (1, 1, 2))
        return WeaveReading(name="unknown", repeat_ends=None, repeat_picks=None, face=face)
    a, b, q = lead
    name: WeaveName
    if q == 2:
        name = "plain"
    elif np.gcd(a, q) != 1 or np.gcd(b, q) != 1:
        name = "unknown"  # ribs and other weaves whose ends and picks repeat differently
    elif (a - b) % q and (a + b) % q:
        name = "satin"
    elif q == 4 and _together(tracks, lead) > BOTH_DIAGONALS:
        name = "basket"
    else:
        name = "twill"
    ends, picks = q // int(np.gcd(a, q)), q // int(np.gcd(b, q))
    return WeaveReading(name=name, repeat_ends=ends, repeat_picks=picks, face=_face(tracks, name, lead))
