"""Threads followed one by one: where every end and every pick lies, how many there are, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .phase import FloatPlane
from .rhythm import Node
from .thread_picture import ThreadPicture

__all__ = ["SystemTrack", "Tracks", "doubt_count"]

FloatArray = NDArray[np.float64]

PASSED_OVER_U = 0.75  # standard uncertainty per thread passed over: spectra smear what they see


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
        The same over the middle six tenths, away from crowded selvedges, at mid length; up to a side that leaves the picture.
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
