"""Settle the pitch of both systems: the candidates are tried on the cloth, and what makes sense there is believed.

The lattice ranks pairs of pitches by spectra and network. Here the likeliest pairs are tracked thread by thread and
weighed by the structure they lay bare. All pairs, and the possibility that none is right (nothing woven, or nothing to be
seen), share one probability: a conditional logit (D. McFadden, "Conditional logit analysis of qualitative choice behavior",
1974) whose weights were fitted on drawn cloth, on drawn surfaces that are no cloth, on rendered bands, and on the pictures with
true counts that the accuracy table uses; DEVELOPERS.md gives the cross-validated figures beside the table.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median
from .arbiter import look_again
from .decision import MOST_TRIALS, NOT_WOVEN, SAME_PITCH
from .edge_ends import follow_edges
from .lattice import Lattice, PitchReading
from .lightness import cloth_lightness
from .local_rhythm import LocalRhythm, index_by_rhythm, read_local_rhythm, threads_passed_over
from .refine import refine_pitch
from .repeat import read_weave
from .results import WeaveReading
from .structure import structure_features
from .track import MOST_CROSSINGS, track_threads
from .tracks import SystemTrack, Tracks, doubt_count
from .trial_weights import WEIGHTS

__all__ = [
    "Pair",
    "Prior",
    "Settled",
    "Trial",
    "no_prior",
    "rank_pairs",
    "settle",
    "try_pair",
]

Prior = Callable[[float], float]
"""Weight of a pitch in pixels, from what the weaver knows; 1 when nothing is known."""

_NEGLIGIBLE = 0.01  # share of the likeliest pair below which a pair is tried only while nothing has convinced
_CONVINCING = 0.97
_PLAUSIBLE = 0.5  # probability of woven from which pairs of negligible weight no longer deserve a trial
_FINEST_PX = 2.5
_STEADY = 0.015  # logarithm; tracking catches threads that far off its start all over the cloth
_MOST_RETRACKS = 3
_TRIAL_CROSSINGS = 90_000  # enough to judge a pair by; noise can be tried on a million and more
_IDENTICAL = 0.02
# Led by a wrong count of the spectra the threads look like none (warp-faced bands: median likeness 5 before, 0 after): then
# the spectra are not to be believed. Led by a right one they keep four fifths of it and more (drawn jumps of the spacing).
_UNCLEAR = 0.5

_UNLIKELY = -5.0  # logarithm; spectra and network together are no surer than that
_FINE_PX = 5.0
_ASPECT = 1.3  # logarithm of pick over end spacing beyond which a pair is unusual even for a faced cloth


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """The pair of readings that is believed, with everything tracked at it.

    Attributes
    ----------
    lattice : Lattice
        Pitches with their final probabilities; `woven_probability` is the probability that any pair is right.
    tracks : Tracks
        Threads tracked at the believed pair.
    weave : WeaveReading
        Weave read from them.
    photo_alone : tuple of PitchReading
        Pitches of ends and picks that would be believed if the weaver had told nothing.
    """

    lattice: Lattice
    tracks: Tracks
    weave: WeaveReading
    photo_alone: tuple[PitchReading, PitchReading]


@dataclass(frozen=True, slots=True)
class Trial:
    """One pair of pitches tried on the cloth."""

    pitch_x_px: float
    pitch_y_px: float
    features: NDArray[np.float64]
    log_prior: float
    tracks: Tracks | None  # None where it was put aside
    weave: WeaveReading

    @property
    def score(self) -> float:
        """Log-odds of this pair against "none is right"."""
        return float(self.features @ WEIGHTS)

    def same_threads(self, other: Trial) -> bool:
        """Tell whether two trials have ended on the same threads, though they set out from different pitches."""
        return _alike((self.pitch_x_px, self.pitch_y_px), (other.pitch_x_px, other.pitch_y_px))


def no_prior(pitch_px: float) -> float:
    """Weigh every pitch alike: nothing is known beforehand."""
    return 1.0


def settle(
    bgr: NDArray[np.uint8],
    mask: NDArray[np.bool_],
    lattice: Lattice,
    *,
    ends_prior: Prior = no_prior,
    picks_prior: Prior = no_prior,
    woven_log_odds: float = 0.0,
) -> Settled:
    """Try the likeliest pairs of pitches and settle on one.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Straightened patch.
    mask : ndarray of bool, shape (M, N)
        True where there is cloth.
    lattice : Lattice
        Candidates with the probabilities of spectra and network.
    ends_prior, picks_prior : callable
        What the weaver knows; it decides between readings but does not make a surface woven.
    woven_log_odds : float
        What speaks beforehand for (or against) something woven, natural logarithm of the odds.
    """
    trials: list[Trial] = []
    starts: list[tuple[float, float]] = []
    shares = np.zeros(0)
    pairs = rank_pairs(lattice, ends_prior, picks_prior)
    most = pairs[0].weight
    # What the weaver told is checked: the pair that the photo alone makes likeliest is tried whatever was told.
    likeliest_seen = max(pairs, key=lambda pair: pair.probability)
    for pair in dict.fromkeys((likeliest_seen, *pairs[:MOST_TRIALS])):
        negligible = pair.weight < _NEGLIGIBLE * most
        if trials and negligible and _convinced(trials, shares, woven_log_odds):
            break
        start = refine_pitch(bgr, mask, (pair.pitch_x_px, pair.pitch_y_px))
        # Candidates some percent apart are often drawn to the same threads.
        if any(_alike(start, known) for known in starts):
            continue
        starts.append(start)
        trial = try_pair(bgr, mask, lattice, start, pair.probability, pair.prior)
        if any(trial.same_threads(known) for known in trials):
            continue
        trials.append(trial)
        weights = np.array([trial.score + trial.log_prior for trial in trials])
        shares = np.exp(weights - np.logaddexp.reduce(weights))
        # Only the likeliest is looked at again; the threads of five trials of a large photo would fill the memory.
        likeliest = int(np.argmax(shares))
        trials = [t if k == likeliest else replace(t, tracks=None) for k, t in enumerate(trials)]
    woven = _woven(trials, woven_log_odds)
    best = int(np.argmax(shares))
    chosen = trials[best]
    if woven >= NOT_WOVEN:  # else it will be refused
        chosen = _checked(bgr, mask, _followed_whole(bgr, mask, chosen))
    trials[best] = chosen  # the same threads, though more of them may have been found since
    ends, picks = _readings(trials, shares, (chosen.pitch_x_px, chosen.pitch_y_px))
    scores = np.array([trial.score for trial in trials])
    seen = trials[int(np.argmax(scores))]
    photo_alone = _readings(
        trials, np.exp(scores - np.logaddexp.reduce(scores)), (seen.pitch_x_px, seen.pitch_y_px)
    )
    settled = replace(lattice, ends=ends, picks=picks, woven_probability=woven)
    assert chosen.tracks is not None, "the likeliest trial keeps its threads"
    return Settled(lattice=settled, tracks=chosen.tracks, weave=chosen.weave, photo_alone=photo_alone)


def _readings(
    trials: list[Trial], shares: NDArray[np.float64], chosen_px: tuple[float, float]
) -> tuple[PitchReading, PitchReading]:
    """Pitches of ends and picks, their probabilities added up over the trials."""
    chances = [float(share) for share in shares]
    ends = [(trial.pitch_x_px, chance) for trial, chance in zip(trials, chances, strict=True)]
    picks = [(trial.pitch_y_px, chance) for trial, chance in zip(trials, chances, strict=True)]
    return _merged(ends, chosen_px[0]), _merged(picks, chosen_px[1])


@dataclass(frozen=True, slots=True)
class Pair:
    """A pair of candidate pitches, its probability beforehand and what the weaver thinks of it."""

    pitch_x_px: float
    pitch_y_px: float
    probability: float
    prior: float

    @property
    def weight(self) -> float:
        """How early the pair deserves a trial."""
        return self.probability * self.prior


def rank_pairs(lattice: Lattice, ends_prior: Prior = no_prior, picks_prior: Prior = no_prior) -> list[Pair]:
    """Return the pairs of candidates, likeliest first."""
    ends, picks = (
        ((reading.pitch_px, reading.probability), *reading.alternatives)
        for reading in (lattice.ends, lattice.picks)
    )
    # The weaver is wrong about both no more rarely than about one: counts for 10 cm were given for those of an inch.
    pairs = [
        Pair(x, y, p * q, max(min(ends_prior(x), picks_prior(y)), 1e-9)) for x, p in ends for y, q in picks
    ]
    ranked = sorted(pairs, key=lambda pair: -pair.weight)
    resolved = [pair for pair in ranked if min(pair.pitch_x_px, pair.pitch_y_px) >= _FINEST_PX]
    return resolved or ranked[:1]


def _woven(trials: list[Trial], log_odds: float) -> float:
    """Probability that any of the pairs is right, whatever the weaver expects."""
    odds = np.logaddexp.reduce([trial.score for trial in trials]) + log_odds
    return float(1.0 / (1.0 + np.exp(-odds)))


def _convinced(trials: list[Trial], shares: NDArray[np.float64], log_odds: float) -> bool:
    return float(shares.max()) > _CONVINCING and _woven(trials, log_odds) > _PLAUSIBLE


def _alike(pitch_px: tuple[float, float], other_px: tuple[float, float]) -> bool:
    """Whether two pairs of pitches, ends and picks, are one."""
    return all(abs(float(np.log(a / b))) < _IDENTICAL for a, b in zip(pitch_px, other_px, strict=True))


def try_pair(
    bgr: NDArray[np.uint8],
    mask: NDArray[np.bool_],
    lattice: Lattice,
    pitch_px: tuple[float, float],
    probability: float,
    prior: float = 1.0,
) -> Trial:
    """Track the cloth at one pair of pitches, refined (`refine.refine_pitch`), and weigh what is seen."""
    pitch_x, pitch_y = pitch_px
    tracks = _follow(bgr, mask, pitch_px, _TRIAL_CROSSINGS)
    weave = read_weave(tracks)
    woven = float(np.clip(lattice.woven_probability, 1e-3, 1 - 1e-3))
    before = [max(float(np.log(probability + 1e-9)), _UNLIKELY), float(np.log(woven / (1 - woven))), 1.0]
    after = [
        max(0.0, abs(float(np.log(pitch_y / pitch_x))) - _ASPECT),
        min(0.0, float(np.log(min(pitch_x, pitch_y) / _FINE_PX))),
    ]
    features = np.concatenate([before, structure_features(tracks, weave), after, _second_look(tracks)])
    return Trial(
        pitch_x_px=_pitch_px(tracks.ends, pitch_x),
        pitch_y_px=_pitch_px(tracks.picks, pitch_y),
        features=features,
        log_prior=float(np.log(prior)),
        tracks=tracks,
        weave=weave,
    )


def _second_look(tracks: Tracks) -> list[float]:
    """Ask the network about the cloth straightened on these threads."""
    picture = tracks.threads.picture
    look = look_again(cloth_lightness(picture.bgr), np.asarray(picture.cloth > 0.5))
    return [max(look.log_p_x, _UNLIKELY), max(look.log_p_y, _UNLIKELY), look.woven_log_odds]


def _followed_whole(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], trial: Trial) -> Trial:
    """Follow the threads of the whole cloth where the trial took the middle of a large one."""
    assert trial.tracks is not None, "a trial that was put aside is not followed again"
    if "part" not in trial.tracks.ends.flags:
        return trial
    tracks = _follow(bgr, mask, (trial.pitch_x_px, trial.pitch_y_px), MOST_CROSSINGS)
    return replace(
        trial,
        tracks=tracks,
        weave=read_weave(tracks),
        pitch_x_px=_pitch_px(tracks.ends, trial.pitch_x_px),
        pitch_y_px=_pitch_px(tracks.picks, trial.pitch_y_px),
    )


def _pitch_px(track: SystemTrack, start_px: float) -> float:
    """Spacing that was found, or the one set out from where no thread was."""
    return track.pitch_px if track.count else start_px


def _follow(
    bgr: NDArray[np.uint8], mask: NDArray[np.bool_], pitch_px: tuple[float, float], most_crossings: int
) -> Tracks:
    """Track the threads, again from the mean spacing that was found while that lies off the start.

    Where the beat drifts along the cloth the most coherent stretch sets the start, and threads at the other end are lost.
    """

    def follow(start_px: tuple[float, float]) -> Tracks:
        return track_threads(
            bgr, mask, pitch_x_px=start_px[0], pitch_y_px=start_px[1], most_crossings=most_crossings
        )

    tracks = follow(pitch_px)
    for _ in range(_MOST_RETRACKS):
        found_px = (tracks.ends.pitch_px, tracks.picks.pitch_px)
        if min(tracks.ends.count, tracks.picks.count) == 0:
            break
        if max(abs(np.log(found / start)) for found, start in zip(found_px, pitch_px, strict=True)) < _STEADY:
            break
        again = follow(found_px)
        if _clarity(again) < _clarity(tracks):
            break
        tracks, pitch_px = again, found_px
    return tracks


def _checked(bgr: NDArray[np.uint8], mask: NDArray[np.bool_], trial: Trial) -> Trial:
    """Compare the threads followed with what local spectra count; follow them again where the two differ.

    Where what is then followed hardly looks like threads, the spectra counted something else, and nothing is doubted. What still
    differs otherwise goes into the doubt of the count.
    """
    tracks = trial.tracks
    assert tracks is not None, "a trial that was put aside is not looked at again"
    systems = (tracks.ends, tracks.picks)
    if min(track.count for track in systems) == 0 or any("part" in track.flags for track in systems):
        return trial
    tracks = follow_edges(bgr, mask, tracks)
    rhythms, over = _compare(tracks)
    if not any(over):
        return replace(trial, tracks=tracks)
    doubted = over
    # First led by the spectra; then, from the spacing so found, once more without help.
    for led in (True, False):
        again = track_threads(
            bgr,
            mask,
            pitch_x_px=tracks.ends.pitch_px,
            pitch_y_px=tracks.picks.pitch_px,
            guide=(tracks.threads, index_by_rhythm(*rhythms, tracks.threads)) if led else None,
        )
        if min(again.ends.count, again.picks.count) == 0 or _counts(again) == _counts(tracks):
            break
        clear, clear_before = _clarity(again, doubted), _clarity(tracks, doubted)
        if led and clear < _UNCLEAR * clear_before:
            return replace(trial, tracks=tracks)
        found, still = _compare(again)
        if sum(still) >= sum(over):
            break
        tracks, rhythms, over = again, found, still
    tracks = replace(tracks, ends=doubt_count(tracks.ends, over[0]), picks=doubt_count(tracks.picks, over[1]))
    return replace(
        trial,
        tracks=tracks,
        weave=read_weave(tracks),
        pitch_x_px=tracks.ends.pitch_px,
        pitch_y_px=tracks.picks.pitch_px,
    )


def _counts(tracks: Tracks) -> tuple[int, int]:
    return tracks.ends.count, tracks.picks.count


def _compare(tracks: Tracks) -> tuple[tuple[LocalRhythm, LocalRhythm], tuple[float, float]]:
    """Local rhythm of ends and picks, and the threads by which those followed differ from it."""
    ends, picks = (
        read_local_rhythm(tracks.planes, track.positions_px, track.centres_index, along)
        for along, track in enumerate((tracks.ends, tracks.picks))
    )
    return (ends, picks), (threads_passed_over(ends), threads_passed_over(picks))


def _clarity(tracks: Tracks, doubted: tuple[float, float] = (1.0, 1.0)) -> float:
    """How clearly the fainter of the systems `doubted` (not 0) shows; minus infinity when one could not be followed."""
    systems = (tracks.ends, tracks.picks)
    if any(track.count == 0 for track in systems):
        return -np.inf
    return min(
        float(median(track.likeness)) for track, counts in zip(systems, doubted, strict=True) if counts
    )


def _merged(readings: list[tuple[float, float]], chosen_px: float) -> PitchReading:
    """Add up the probability of trials that share a pitch."""
    groups: list[list[float]] = []
    for pitch, chance in [(chosen_px, 0.0), *readings]:
        for group in groups:
            if abs(np.log(pitch / group[0])) < SAME_PITCH:
                group[1] += chance
                break
        else:
            groups.append([pitch, chance])
    others = sorted(((p, c) for p, c in groups[1:]), key=lambda item: -item[1])
    return PitchReading(pitch_px=chosen_px, probability=groups[0][1], alternatives=tuple(others))
