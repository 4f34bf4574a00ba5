"""Following the ends of cloth again along its outline, and a piece beside a selvedge that is followed by itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .local_rhythm import LocalRhythm, even_rhythm, index_by_rhythm
from .phase import PX_PER_THREAD, FloatPlane
from .thread_picture import IndexField
from .track import FEWEST_PER_PLACE, MARGIN_THREADS, track_threads
from .tracks import SystemTrack, Tracks

__all__ = ["Cloth", "EdgePiece", "cut_beside", "follow_again", "join"]

WANDER_REACH = 10.0  # ends that go along with the outline
WANDER_SMOOTH = 2.5  # picks over which the outline is smoothed (standard deviation)


@dataclass(frozen=True, slots=True)
class Cloth:
    """What is followed.

    Attributes
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
    mask : ndarray of bool, shape (M, N)
    cut_off : frozenset of str or None
        Sides at which the cloth goes on beyond, as `track.track_threads` takes them.
    """

    bgr: NDArray[np.uint8]
    mask: NDArray[np.bool_]
    cut_off: frozenset[str] | None = None


@dataclass(frozen=True, slots=True)
class EdgePiece:
    """Some ends beside a selvedge along the middle picks.

    Attributes
    ----------
    cloth : Cloth
    corner_px : tuple of int
        Where (x, y) it was cut out of the whole.
    tracks : Tracks
        What was followed there, setting out from what was followed on the whole.
    """

    cloth: Cloth
    corner_px: tuple[int, int]
    tracks: Tracks


def follow_again(cloth: Cloth, tracks: Tracks, ends: LocalRhythm) -> Tracks:
    """Follow the ends again, setting out from a rhythm of theirs; the picks stay where they were followed."""
    return _followed_from(cloth, tracks, _index(tracks, ends))


def _followed_from(cloth: Cloth, tracks: Tracks, guide: IndexField) -> Tracks:
    return track_threads(
        cloth.bgr,
        cloth.mask,
        pitch_x_px=tracks.ends.middle_pitch_px,
        pitch_y_px=tracks.picks.pitch_px,
        cut_off=cloth.cut_off,
        guide=(tracks.threads, guide),
        picks=tracks.picks,
    )


def _index(tracks: Tracks, ends: LocalRhythm) -> IndexField:
    """Thread index by a rhythm of the ends that goes along with the wander of the outline."""
    index = index_by_rhythm(ends, even_rhythm(tracks.picks.centres_index), tracks.threads)
    shift = _edge_wander(tracks, index.cloth.shape)
    return replace(index, end_index=_shifted(index.end_index, shift))


def _shifted(plane: FloatPlane, shift: FloatPlane) -> FloatPlane:
    """Let what stands in every row move right by `shift` columns, and go on evenly at the border."""
    beyond = int(np.ceil(np.abs(shift).max())) + 1
    columns = np.arange(-beyond, plane.shape[1] + beyond, dtype=np.float64)
    row = plane[0].astype(np.float64)
    inside = np.clip(columns, 0, len(row) - 1)
    row = np.interp(inside, np.arange(len(row)), row) + columns - inside
    return np.asarray(np.interp(columns[beyond:-beyond] - shift, columns, row), dtype=np.float32)


def _edge_wander(tracks: Tracks, shape: tuple[int, ...]) -> FloatPlane:
    """How far the outline lies farther out than it mostly does beside ends (positive towards the last), at every thread.

    The phase that straightened the cloth is smoothed over several threads and has less to go by at the edge; the outline
    shows how the outermost ends go on.
    """
    k = PX_PER_THREAD
    rows, columns = shape
    cloth = tracks.threads.picture.cloth
    ends, picks = tracks.ends.centres_index, tracks.picks.centres_index
    row = np.arange(rows)
    inside = np.flatnonzero((row > picks[0] + 1) & (row < picks[-1] - 1))
    shift = np.zeros(shape, np.float32)
    if len(inside) < FEWEST_PER_PLACE:
        return shift
    middle = cloth.shape[1] // 2
    for far, name in ((False, "first-cut"), (True, "last-cut")):
        if name in tracks.ends.flags:
            continue
        half = cloth[:, middle:] if far else cloth[:, :middle]
        reach = half.sum(axis=1, dtype=np.float32)[inside[0] * k : inside[-1] * k + 1] / k
        reach = cv2.GaussianBlur(reach[:, None], (1, 0), sigmaX=1, sigmaY=WANDER_SMOOTH * k)[::k, 0]
        beyond = np.interp(row, inside, reach)
        beyond -= median(beyond[inside])
        inwards = ends[-1] - np.arange(columns) if far else np.arange(columns) - ends[0]
        share = np.clip(1.0 - inwards / WANDER_REACH, 0.0, 1.0)
        shift += np.outer(beyond if far else -beyond, share).astype(np.float32)
    return shift


def cut_beside(
    cloth: Cloth, tracks: Tracks, far: bool, *, ends: int, picks: int, rhythm: LocalRhythm | None = None
) -> EdgePiece:
    """Cut out the outermost ends beside a selvedge along the middle picks, and follow them there.

    Parameters
    ----------
    cloth : Cloth
    tracks : Tracks
        What was followed on it, more ends than `ends`.
    far : bool
        Whether the selvedge is that of the last end.
    ends, picks : int
        How many are left.
    rhythm : LocalRhythm, optional
        What to set out from; by default the ends as they were followed.
    """
    centres = tracks.ends.centres_index
    innermost, next_one = (-ends, -ends - 1) if far else (ends - 1, ends)
    bound = float(centres[[innermost, next_one]].mean())
    first = max(0, (tracks.picks.count - picks) // 2)
    along = _some(tracks.picks, slice(first, first + picks))
    window, mask = _window(cloth, tracks, bound, along.positions_px, far)
    corner_px = window[1].start, window[0].start
    index = _index(tracks, even_rhythm(centres) if rhythm is None else rhythm)
    rows, columns = (np.arange(size) for size in index.cloth.shape)
    inside = columns > bound if far else columns < bound
    kept = (rows > along.centres_index[0] - 1) & (rows < along.centres_index[-1] + 1)
    threads = replace(
        tracks.threads,
        grid_x_px=tracks.threads.grid_x_px - np.float32(corner_px[0]),
        grid_y_px=tracks.threads.grid_y_px - np.float32(corner_px[1]),
    )
    along = replace(
        along, positions_px=along.positions_px - corner_px[1], lines_px=along.lines_px - corner_px[1]
    )
    piece = Cloth(
        bgr=np.ascontiguousarray(cloth.bgr[window]),
        mask=mask,
        cut_off=frozenset({"start", "end", "left" if far else "right"}),
    )
    followed = _followed_from(
        piece,
        replace(tracks, threads=threads, picks=along),
        replace(index, cloth=index.cloth * np.outer(kept, inside).astype(np.float32)),
    )
    return EdgePiece(piece, corner_px, followed)


def _window(
    cloth: Cloth, tracks: Tracks, bound: float, picks_px: NDArray[np.float64], far: bool
) -> tuple[tuple[slice, slice], NDArray[np.bool_]]:
    """Rows and columns of the patch from an end index to the selvedge, and the cloth in them."""
    height, width = cloth.mask.shape
    beyond = (MARGIN_THREADS + 1) * tracks.picks.pitch_px
    top = int(np.clip(picks_px[0] - beyond, 0, height - 2))
    bottom = int(np.clip(picks_px[-1] + beyond, top + 2, height))
    rows = np.arange(len(tracks.threads.grid_y_px), dtype=np.float64)
    x, y = tracks.threads.to_patch_grid(
        np.array([bound + tracks.threads.first_end]), rows + tracks.threads.first_pick
    )
    bound_px = np.interp(np.arange(top, bottom), y[:, 0], x[:, 0])
    beside = (MARGIN_THREADS + 1) * tracks.ends.middle_pitch_px
    if far:
        left, right = int(np.clip(bound_px.min() - beside, 0, width - 2)), width
    else:
        left, right = 0, int(np.clip(bound_px.max() + beside, 2, width))
    window = slice(top, bottom), slice(left, right)
    column = np.arange(left, right)[None]
    inside = column > bound_px[:, None] if far else column < bound_px[:, None]
    return window, np.asarray(cloth.mask[window] & inside)


def _some(track: SystemTrack, which: slice) -> SystemTrack:
    """Leave out all but some threads that follow each other."""
    names = ("positions_px", "lines_px", "stations_px", "centres_index", "place_in_repeat", "likeness")
    some = replace(track, **{name: getattr(track, name)[which] for name in names})
    return replace(some, count=len(some.positions_px))


def join(tracks: Tracks, piece: EdgePiece, far: bool) -> LocalRhythm:
    """Rhythm of the ends of the whole with those beside a selvedge as they were followed on a piece of it.

    Parameters
    ----------
    tracks : Tracks
        What was followed on the whole.
    piece : EdgePiece
    far : bool
        Whether the selvedge is that of the last end.
    """
    grid_x, grid_y = tracks.threads.grid_x_px, tracks.threads.grid_y_px
    wander = _edge_wander(tracks, grid_x.shape)
    rows, columns = (np.arange(size) for size in grid_x.shape)
    lines_px = piece.tracks.ends.lines_px + piece.corner_px[0]
    stations_px = piece.tracks.ends.stations_px.mean(axis=0) + piece.corner_px[1]
    found = np.empty_like(lines_px)
    for station, height in enumerate(np.interp(stations_px, grid_y[:, len(columns) // 2], rows)):
        row = round(float(height))
        at = np.interp(lines_px[:, station], grid_x[row], columns)
        found[:, station] = at - np.interp(at, columns, wander[row])
    outer = median(found, axis=1)
    ends = tracks.ends.centres_index
    if far:
        return even_rhythm(np.concatenate([ends[ends < outer[0] - 0.5], outer]))
    return even_rhythm(np.concatenate([outer, ends[ends > outer[-1] + 0.5]]))
