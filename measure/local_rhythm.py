"""How many threads pass at every place, read from local spectra: an opinion on the count that does not follow threads.

Tracking unwraps a phase. Where the spacing changes within a few threads by a quarter and more the phase may lose whole
turns, and threads are stepped over though each that was found looks right. Spectra over a few threads know nothing of turns:
added up along the cloth they give a count of their own, and where it runs ahead of the threads followed some were passed over. The short-time spectrum and the path of least cost along its ridge are those of instantaneous frequency
estimation (B. Boashash, "Estimating and interpreting the instantaneous frequency of a signal, part 2", Proc. IEEE 80(4), 1992,
doi:10.1109/5.135378).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .phase import PX_PER_THREAD, FloatPlane
from .thread_picture import IndexField, ThreadPicture

__all__ = ["LocalRhythm", "even_rhythm", "index_by_rhythm", "read_local_rhythm", "threads_passed_over"]

FloatArray = NDArray[np.float64]

# Threads in one mean spacing that are tried; less than an octave, so that no overtone can stand for the thread.
TRIED = np.exp(0.02 * np.arange(-19, 20))
WINDOW_SIGMA = 2.5  # threads; a jump of the spacing is placed to about as much
BLOCK_THREADS = 8  # across; wider blocks would cancel what leans or bows
MOST_BLOCKS = 12
SAMPLES = 4  # a thread: enough for one and a half cycles
FLAT = 2.0  # a route whose spectra rise no more than that over their mean shows no threads
CHANGE_COST = 6.0  # of a change of the spacing by a factor e, in logarithms of the spectrum
FLOOR = 0.3  # of the mean of a spectrum: a place without threads must not outweigh its neighbours
BESIDE = 4  # outermost threads whose windows hang over the edge: nothing is said about them
LENGTH = 10  # threads over which spectra and tracks are compared
CLEAR = 3.0  # of its mean, to which the spectra must rise there for their count to be worth anything; even threads reach 5
DIFFERENT = 0.5
"""Threads in `LENGTH` by which they differ where something was passed over or doubled; where nothing was, they agree to 0.35
(58 directions of path-traced cloth)."""
DIM, DIM_DIFFERENT = 2.0, 1.25
"""The same where the spectra rise less, but not by chance: threads followed wrongly smear the very picture on which they are
compared. More than a whole thread must then be missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalRhythm:
    """Threads that pass, at places evenly spread from the first to the last that was followed.

    Attributes
    ----------
    at : ndarray of shape (count,)
        Places on the grid of the straightened cloth (`SystemTrack.centres_index`).
    followed : ndarray of shape (count,)
        Threads followed up to there.
    rate : ndarray of shape (count,)
        Threads that pass in one mean spacing; 1 where nothing shows.
    clearness : ndarray of shape (count,)
        Height of the spectrum at that rate over its mean.
    """

    at: FloatArray
    followed: FloatArray
    rate: FloatArray
    clearness: FloatArray

    @property
    def passed(self) -> FloatArray:
        """Threads that have passed up to every place."""
        return np.concatenate([[0.0], np.cumsum((self.rate[1:] + self.rate[:-1]) / 2)])


def read_local_rhythm(
    planes: dict[str, FloatPlane], positions_px: FloatArray, centres: FloatArray, along: int
) -> LocalRhythm:
    """Read how many threads pass at every place.

    Parameters
    ----------
    planes : dict of ndarray of float32, shape (M, N)
        Feature planes of the cloth straightened on its threads (`phase.feature_planes`).
    positions_px, centres : ndarray of shape (count,)
        The threads followed, in the photo and on the grid of the straightened cloth.
    along : int
        0 for ends, 1 for picks.
    """
    count = len(centres)
    if count <= 2 * BESIDE:
        return even_rhythm(centres)
    other = "y" if along == 0 else "x"
    reach = round(3 * WINDOW_SIGMA * SAMPLES)
    step = np.arange(-reach, reach + 1) / SAMPLES
    # Even in the photo: the straightening may have stretched what it lost count of.
    places_px = np.linspace(positions_px[0], positions_px[-1], SAMPLES * (count - 1) + 1)
    samples = np.interp(places_px, positions_px, centres)
    total = np.zeros((count, len(TRIED)))
    for name, plane in planes.items():
        if name == f"gap_{other}":
            continue
        for spectrum in _spectra(plane.T if along == 0 else plane, samples * PX_PER_THREAD, step):
            sharpness = float(median(spectrum.max(axis=1))) * len(TRIED)
            total += max(sharpness - FLAT, 0.0) ** 2 * spectrum
    weights = (total + 1e-12) / (total + 1e-12).sum(axis=1, keepdims=True)
    ridge = _ridge(weights)
    rate, clearness = TRIED[ridge], weights[np.arange(count), ridge] * len(TRIED)
    followed = np.interp(places_px[::SAMPLES], positions_px, np.arange(count))
    rate[:BESIDE], rate[-BESIDE:] = rate[BESIDE], rate[-BESIDE - 1]
    return LocalRhythm(at=samples[::SAMPLES], followed=followed, rate=rate, clearness=clearness)


def even_rhythm(centres: FloatArray) -> LocalRhythm:
    """Return the rhythm of threads of which each was followed once, at the threads themselves."""
    even = np.ones(len(centres))
    return LocalRhythm(at=centres, followed=np.cumsum(even) - 1.0, rate=even, clearness=0.0 * even)


def threads_passed_over(rhythm: LocalRhythm) -> float:
    """Threads passed over or doubled in all; 0 where spectra and the threads followed agree."""
    ahead = (rhythm.passed - rhythm.followed)[BESIDE:-BESIDE]
    if len(ahead) <= LENGTH:
        return 0.0
    change = ahead[LENGTH:] - ahead[:-LENGTH]
    windows = np.lib.stride_tricks.sliding_window_view(rhythm.clearness[BESIDE:-BESIDE], LENGTH + 1)
    clear = median(windows, axis=1)
    least = np.where(clear > CLEAR, DIFFERENT, np.where(clear > DIM, DIM_DIFFERENT, np.inf))
    told = np.abs(change) > least
    sign = np.where(told, np.sign(change), 0.0)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(sign)) + 1, [len(sign)]])
    total = 0.0
    for first, after in pairwise(edges.tolist()):
        if sign[first]:
            whole_run = abs(float(ahead[after - 1 + LENGTH] - ahead[first]))
            total += max(whole_run, float(np.abs(change[first:after]).max()))
    return total


def index_by_rhythm(ends: LocalRhythm, picks: LocalRhythm, threads: ThreadPicture) -> IndexField:
    """Thread index of ends and picks as the spectra count them, over the cloth (`threads`) they were read on."""
    cloth = np.ascontiguousarray(threads.picture.cloth[::PX_PER_THREAD, ::PX_PER_THREAD])
    rows, cols = cloth.shape
    end_index = _continued(np.arange(cols), ends.at, ends.passed)
    pick_index = _continued(np.arange(rows), picks.at, picks.passed)
    surely = np.ones_like(cloth)
    return IndexField(
        end_index=np.broadcast_to(end_index[None], cloth.shape).copy(),
        pick_index=np.broadcast_to(pick_index[:, None], cloth.shape).copy(),
        end_coherence=surely,
        pick_coherence=surely,
        cloth=cloth,
        x_px=np.arange(cols, dtype=np.float64) * PX_PER_THREAD,
        y_px=np.arange(rows, dtype=np.float64) * PX_PER_THREAD,
    )


def _continued(at: NDArray[np.int_], known: FloatArray, value: FloatArray) -> FloatPlane:
    """Interpolate, and go on with slope 1 beyond what is known."""
    outside = np.minimum(at - known[0], 0.0) + np.maximum(at - known[-1], 0.0)
    return np.asarray(np.interp(at, known, value) + outside, dtype=np.float32)


def _spectra(plane: FloatPlane, samples: FloatArray, step: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Power of the tried rates at every thread, (count, F), each thread's sum 1: its own rhythm, and the half nodes'.

    Where threads show only in the staggered rhythm of the floats, neighbours along the thread stand half a turn apart.
    """
    low = np.clip(np.floor(samples).astype(int), 0, len(plane) - 2)
    share = np.clip(samples - low, 0.0, 1.0).astype(np.float32)[:, None]
    sums = (plane @ block for block in _block_sums(plane.shape[1]))
    own, cosine, sine = (np.asarray(s[low] * (1 - share) + s[low + 1] * share) for s in sums)
    reach = len(step) // 2
    window = np.exp(-0.5 * (step / WINDOW_SIGMA) ** 2)[:, None]
    middles = np.arange(0, len(samples), SAMPLES)

    def power(signals: FloatPlane, turns: float) -> FloatArray:
        angle = 2 * np.pi * turns * step[:, None] * TRIED
        kernel = np.asarray(window * np.concatenate([np.cos(angle), np.sin(angle)], axis=1), dtype=np.float32)
        padded = np.pad(signals, ((reach, reach), (0, 0)))
        cut = np.lib.stride_tricks.sliding_window_view(padded, len(step), axis=0)[middles]
        parts = ((cut @ kernel) ** 2).reshape(len(middles), -1, len(TRIED))  # blocks, cosine and sine
        total = parts.sum(axis=1, dtype=np.float64)
        return np.asarray(total / (total.sum(axis=1, keepdims=True) + 1e-9))

    # The sum over both half nodes: what mixes cosine and sine has opposite signs in them.
    return power(own, 1.0), power(np.concatenate([cosine, sine], axis=1), 0.5)


def _block_sums(columns: int) -> tuple[FloatPlane, FloatPlane, FloatPlane]:
    """Matrices (N, B) that sum a row block by block: plain, and turned by half a turn a thread (cosine and sine)."""
    count = int(np.clip(columns // (BLOCK_THREADS * PX_PER_THREAD), 1, MOST_BLOCKS))
    block = np.arange(columns) * count // columns
    plain = (block[:, None] == np.arange(count)).astype(np.float32)
    turn = np.pi * np.arange(columns, dtype=np.float32)[:, None] / PX_PER_THREAD
    return plain, plain * np.cos(turn), plain * np.sin(turn)


def _ridge(weights: FloatArray) -> NDArray[np.int_]:
    """Likeliest path of rates along the threads, by dynamic programming."""
    worth = np.log(weights * len(TRIED) + FLOOR)
    change = CHANGE_COST * np.abs(np.subtract.outer(np.log(TRIED), np.log(TRIED)))
    best, came = worth[0], []
    for row in worth[1:]:
        reached = best[None] - change
        came.append(reached.argmax(axis=1))
        best = reached.max(axis=1) + row
    path = [int(best.argmax())]
    for source in came[::-1]:
        path.append(int(source[path[-1]]))
    return np.array(path[::-1], dtype=int)
