"""Choose between candidate thread pitches with a small trained network, and say whether it is cloth at all.

The pitch itself is measured elsewhere from the spectrum; readings there go wrong by whole factors (a twill reads
four times too coarse, the picks of a warp-faced band twice). The network looks at crops in which a *candidate*
pitch has been scaled to `THREAD_PX` pixels both ways and says by which ratio that candidate is wrong. Every crop
at every candidate votes for absolute pitches, so wrong candidates help too. It never makes a number of its own.

How the network was trained and how far it can be trusted: ``tests/arbiter/README.md``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from .network import Network

__all__ = [
    "CROP_PX",
    "CROP_THREADS",
    "FAMILIES",
    "RATIOS",
    "THREAD_PX",
    "ArbiterJudgement",
    "SecondLook",
    "cut_crop",
    "judge",
    "look_again",
    "spectrum",
]

Floats = NDArray[np.float32]

THREAD_PX = 8  # the candidate pitch after scaling
CROP_THREADS = 12  # candidate threads that one crop shows each way
CROP_PX = CROP_THREADS * THREAD_PX
NETWORK = Path(__file__).with_name("arbiter.onnx")
RATIOS = (
    1 / 4,
    1 / 3,
    1 / 2,
    2 / 3,
    1.0,
    3 / 2,
    2.0,
    3.0,
    4.0,
)  # true pitch / candidate pitch; last class: other
FAMILIES = ("plain", "plain warp-faced", "plain weft-faced", "twill", "satin", "basket")


def cut_crop(
    lightness: Floats,
    mask: NDArray[np.bool_] | None,
    centre_xy: tuple[float, float],
    pitch_xy: tuple[float, float],
) -> Floats:
    """Cut twelve by twelve candidate threads, scale them to `THREAD_PX` and even out the contrast.

    Parameters
    ----------
    lightness : ndarray of float32, shape (M, N)
        Any scale; only local differences matter.
    mask : ndarray of bool, shape (M, N), or None
        Where there is cloth. Beyond it, and beyond the picture, the crop is 0.
    centre_xy, pitch_xy : pixels

    Returns
    -------
    ndarray of float32, shape (2, CROP_PX, CROP_PX)
        The crop with contrast evened over about one and over about four threads.
    """
    threads = CROP_PX / THREAD_PX
    rows, cols = lightness.shape
    width, height = (max(round(threads * p), 4) for p in pitch_xy)
    left, top = round(centre_xy[0] - width / 2), round(centre_xy[1] - height / 2)
    x0, x1, y0, y1 = max(left, 0), min(left + width, cols), max(top, 0), min(top + height, rows)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return np.zeros((2, CROP_PX, CROP_PX), np.float32)
    piece = np.ascontiguousarray(lightness[y0:y1, x0:x1])
    inside: Floats | None = None
    if mask is not None and not mask[y0:y1, x0:x1].all():
        inside = mask[y0:y1, x0:x1].astype(np.float32)
    if (x1 - x0, y1 - y0) != (width, height):
        inside = np.ones(piece.shape, np.float32) if inside is None else inside
        frame = (y0 - top, top + height - y1, x0 - left, left + width - x1)
        piece = cv2.copyMakeBorder(piece, *frame, cv2.BORDER_REPLICATE).astype(np.float32)
        inside = cv2.copyMakeBorder(inside, *frame, cv2.BORDER_CONSTANT, value=0.0).astype(np.float32)
    scaled = _scale(piece)
    if inside is None:
        return np.stack([_even_out(scaled, None, sigma) for sigma in (5, 20)])
    known = _scale(inside)
    return np.stack([_even_out(scaled, known, sigma) for sigma in (5, 20)])


def _scale(piece: Floats) -> Floats:
    """Resize to the crop, each direction by itself: averaging where it shrinks, cubic where it grows."""
    rows, cols = piece.shape
    for size, shrinks in (((CROP_PX, rows), cols > CROP_PX), ((CROP_PX, CROP_PX), rows > CROP_PX)):
        piece = cv2.resize(piece, size, interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC)  # type: ignore[assignment]
    return piece


def _even_out(crop: Floats, known: Floats | None, sigma_px: float) -> Floats:
    """Subtract the local mean, divide by the local contrast; 0 where nothing is known."""
    step = 2 if sigma_px < 10 else 4
    small = (CROP_PX // step, CROP_PX // step)

    def local(values: Floats) -> Floats:
        coarse = cv2.resize(values, small, interpolation=cv2.INTER_AREA)
        coarse = cv2.GaussianBlur(coarse, (0, 0), sigma_px / step, borderType=cv2.BORDER_REFLECT_101)
        return np.asarray(cv2.resize(coarse, (CROP_PX, CROP_PX), interpolation=cv2.INTER_LINEAR), np.float32)

    if known is None:
        rest = crop - local(crop)
        energy = local(rest * rest)
    else:
        weight = local(known) + np.float32(1e-3)
        rest = (crop - local(crop * known) / weight) * known
        energy = local(rest * rest) / weight
    # A quarter of the overall contrast keeps empty patches from being blown up into texture.
    floor = 0.25 * float(np.sqrt(np.mean(rest * rest))) + 1e-6
    return np.clip(rest / (np.sqrt(np.maximum(energy, 0)) + np.float32(floor)), -4, 4).astype(np.float32)


def spectrum(crops: Floats) -> Floats:
    """Log power spectrum of evened crops (K, 2, 96, 96): shape (K, 1, 96, 48), one bin = 1/12 cycle per candidate thread.

    Rows run from -48 to 47, columns from 0 to 47 bins.
    """
    hann = np.hanning(CROP_PX + 2)[1:-1].astype(np.float32)
    power = np.abs(np.fft.rfft2(crops[:, 0] * np.outer(hann, hann)).astype(np.complex64)) ** 2
    power = np.fft.fftshift(power, axes=1)[:, :, : CROP_PX // 2]
    level = power.mean(axis=(1, 2), keepdims=True) + np.float32(1e-6)
    log = np.log(power / level + np.float32(1e-3)) + np.float32(2.5)
    return np.asarray(log[:, None] * np.float32(0.4), np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArbiterJudgement:
    """What all crops at all candidates say together.

    Attributes
    ----------
    pitch_x_px, pitch_y_px : ndarray of shape (K,), (L,)
        Hypotheses for the true pitch, increasing: every candidate times every ratio, those within 8 % merged.
    log_p_x, log_p_y : ndarray of shape (K,), (L,)
        Natural log-probability of each hypothesis. Together with `other_log_p_x` (none of them) they sum to 1.
    other_log_p_x, other_log_p_y : float
    woven_probability : float
        Probability that this is woven cloth, from 0 to 1, if before looking it was as likely as not.
    family_probability : ndarray of shape (6,)
        Probabilities of `FAMILIES`. A hint only.
    crops : int
        How many crops were looked at.
    """

    pitch_x_px: NDArray[np.float64]
    log_p_x: NDArray[np.float64]
    other_log_p_x: float
    pitch_y_px: NDArray[np.float64]
    log_p_y: NDArray[np.float64]
    other_log_p_y: float
    woven_probability: float
    family_probability: NDArray[np.float64]
    crops: int

    def log_p_of(self, pitch_x_px: float, pitch_y_px: float) -> tuple[float, float]:
        """Log-probabilities that these pitches (within about 8 %) are the true ones, along x and along y."""
        return (
            _log_p_near(self.pitch_x_px, self.log_p_x, pitch_x_px),
            _log_p_near(self.pitch_y_px, self.log_p_y, pitch_y_px),
        )


def _log_p_near(pitch_px: NDArray[np.float64], log_p: NDArray[np.float64], wanted_px: float) -> float:
    near = np.abs(np.log(pitch_px / wanted_px)) < 0.08
    return float(np.logaddexp.reduce(log_p[near])) if near.any() else float("-inf")


def judge(
    lightness: Floats,
    mask: NDArray[np.bool_] | None,
    candidates: Sequence[tuple[float, float]],
    *,
    max_crops: int = 4,
) -> ArbiterJudgement:
    """Judge candidate pitches of a straightened patch of cloth.

    Parameters
    ----------
    lightness : ndarray of float32, shape (M, N)
        Ends run down the rows, picks across; a lean of up to 4 degrees does no harm. Colour is not used.
    mask : ndarray of bool, shape (M, N), or None
        Where there is cloth.
    candidates : sequence of (pitch_x_px, pitch_y_px)
        Readings to choose between, at least one. Listing also the double and the half of a reading makes the
        judgement surer: each is looked at by itself.
    max_crops : int
        Crops looked at per candidate, spread over the cloth; fewer where the first ones leave no doubt.

    Returns
    -------
    ArbiterJudgement

    Raises
    ------
    ValueError
        If there is no candidate, or one is not a positive number.
    """
    pairs = np.array(candidates, np.float64).reshape(-1, 2)
    if len(pairs) == 0 or not np.isfinite(pairs).all() or pairs.min() <= 0:
        raise ValueError("candidates must be positive pitches in pixels, at least one pair")
    lightness = np.ascontiguousarray(lightness, np.float32)
    places = [_crop_centres(lightness.shape, mask, (x, y), max_crops) for x, y in pairs]
    first = [(number, centre) for number, at in enumerate(places) for centre in at[:FIRST_CROPS]]
    logits, of = _look(lightness, mask, pairs, first)
    votes = _votes(pairs, logits, of)
    trust = _trust(pairs, votes)
    further = [(number, centre) for number, at in enumerate(places) for centre in at[FIRST_CROPS:]]
    if further and not _stands_out(trust):
        more, owner = _look(lightness, mask, pairs, further)
        logits, of = np.concatenate([logits, more]), np.concatenate([of, owner])
        votes = _votes(pairs, logits, of)
        trust = _trust(pairs, votes)
    (x_px, log_x, other_x), (y_px, log_y, other_y) = votes
    weight = (np.exp(trust - trust.max()) + 0.1)[of]
    weight /= weight.sum()
    woven = float(weight @ _woven(logits))
    family = np.exp(weight @ _log_softmax(logits[:, 2 * (len(RATIOS) + 1) + 1 :]))
    return ArbiterJudgement(
        pitch_x_px=x_px,
        log_p_x=log_x,
        other_log_p_x=other_x,
        pitch_y_px=y_px,
        log_p_y=log_y,
        other_log_p_y=other_y,
        woven_probability=1 / (1 + float(np.exp(-woven))),
        family_probability=family / family.sum(),
        crops=len(logits),
    )


def _look(
    lightness: Floats,
    mask: NDArray[np.bool_] | None,
    pairs: NDArray[np.float64],
    places: list[tuple[int, tuple[float, float]]],
) -> tuple[NDArray[np.float64], NDArray[np.int_]]:
    """Logits of crops, each at a pair of pitches and a place, and the number of its pair."""
    crops = [cut_crop(lightness, mask, centre, tuple(pairs[number])) for number, centre in places]
    return _run(np.stack(crops)), np.array([number for number, _ in places])


def _votes(
    pairs: NDArray[np.float64], logits: NDArray[np.float64], owner: NDArray[np.int_]
) -> tuple[_Vote, _Vote]:
    classes = len(RATIOS) + 1
    parts = logits[:, :classes], logits[:, classes : 2 * classes]
    along_x, along_y = (_vote(pairs[:, axis], owner, _log_softmax(part)) for axis, part in enumerate(parts))
    return along_x, along_y


def _trust(pairs: NDArray[np.float64], votes: tuple[_Vote, _Vote]) -> NDArray[np.float64]:
    """Log-probability of every pair of candidates after these votes."""
    (x_px, log_x, _), (y_px, log_y, _) = votes
    return np.array([_log_p_near(x_px, log_x, x) + _log_p_near(y_px, log_y, y) for x, y in pairs])


def _stands_out(trust: NDArray[np.float64]) -> bool:
    """Tell whether one pair of candidates is far likelier than all others."""
    ranked = np.sort(trust)
    return len(ranked) == 1 or bool(ranked[-1] - ranked[-2] > STANDS_OUT)


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondLook:
    """What crops of cloth already straightened on its threads say of the pitch it was straightened by.

    Attributes
    ----------
    log_p_x, log_p_y : float
        Mean natural log-probability that each pitch is neither a fraction nor a multiple of the true one.
    woven_log_odds : float
        Mean natural logarithm of the odds that this is woven.
    """

    log_p_x: float
    log_p_y: float
    woven_log_odds: float


def look_again(lightness: Floats, mask: NDArray[np.bool_] | None, *, max_crops: int = 9) -> SecondLook:
    """Look at cloth sampled `THREAD_PX` pixels per thread both ways and say whether those are the threads.

    Unlike `judge` it sees threads that neither wander nor change their spacing, at one pitch only, and in more places.

    Parameters
    ----------
    lightness : ndarray of float32, shape (M, N)
    mask : ndarray of bool, shape (M, N), or None
        Where there is cloth.
    max_crops : int
        Crops looked at, spread over the cloth.
    """
    pitch = (float(THREAD_PX), float(THREAD_PX))
    centres = _crop_centres(lightness.shape, mask, pitch, max_crops)
    logits = _run(np.stack([cut_crop(lightness, mask, centre, pitch) for centre in centres]))
    classes, share = len(RATIOS) + 1, np.log(TRAINING_SHARE)
    same = RATIOS.index(1.0)
    log_x, log_y = (
        float(_log_softmax(part - share)[:, same].mean())
        for part in (logits[:, :classes], logits[:, classes : 2 * classes])
    )
    return SecondLook(log_p_x=log_x, log_p_y=log_y, woven_log_odds=float(_woven(logits).mean()))


def _woven(logits: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log-odds of woven for each crop, from even odds beforehand."""
    raw = logits[:, 2 * (len(RATIOS) + 1)] - np.log(TRAINING_WOVEN / (1 - TRAINING_WOVEN))
    return np.asarray(WOVEN_SCALE * raw)


# Shares of the classes among the training crops: dividing by them turns the network's answer into evidence.
TRAINING_SHARE = np.array([0.09, 0.07, 0.15, 0.05, 0.27, 0.05, 0.13, 0.05, 0.04, 0.10])
# Crops and candidates of one cloth err together: n candidates count as n ** VOTE_POWER independent looks.
# This and WOVEN_SCALE were fitted on drawn cloth that was not trained on.
VOTE_POWER = 0.3
WOVEN_SCALE = 1.0
# Share of woven crops in training; taken out again, so that the probability starts from one half.
TRAINING_WOVEN = 0.67
FIRST_CROPS = 2
STANDS_OUT = 3.0  # natural logarithm by which the likeliest pair must lead for its first crops to be enough
UNLISTED = 0.25  # prior weight of a pitch that is no candidate, only a ratio away from one


_Vote = tuple[NDArray[np.float64], NDArray[np.float64], float]


def _vote(candidate_px: NDArray[np.float64], owner: NDArray[np.int_], log_p: NDArray[np.float64]) -> _Vote:
    """Let every crop vote for absolute pitches: returns hypotheses, their log-probabilities, that of none."""
    hypotheses = _merge(np.outer(candidate_px, RATIOS).ravel())
    evidence = log_p - np.log(TRAINING_SHARE)  # (crops, classes)
    per_candidate = np.stack([evidence[owner == k].mean(axis=0) for k in range(len(candidate_px))])
    distance = np.log(hypotheses[None, :] / candidate_px[:, None])[..., None] - np.log(RATIOS)
    nearest = np.abs(distance).argmin(axis=2)
    off = np.clip((np.abs(distance).min(axis=2) - 0.06) / 0.07, 0, 1)  # 0 belongs to the class, 1 is "other"
    own = np.take_along_axis(per_candidate, nearest, axis=1)
    other = per_candidate[:, -1:]
    support = np.logaddexp(own + np.log1p(-off + 1e-9), other + np.log(off + 1e-9)).mean(axis=0)
    listed = np.abs(np.log(hypotheses[None, :] / candidate_px[:, None])).min(axis=0) < 0.06
    prior = np.where(listed, 1.0, UNLISTED)
    looks = len(candidate_px) ** VOTE_POWER
    score = np.append(looks * support + np.log(prior), looks * float(other.mean()))
    score -= np.logaddexp.reduce(score)
    return hypotheses, score[:-1], float(score[-1])


def _merge(pitch_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Join pitches within 8 % of their neighbour to their geometric mean."""
    groups: list[list[float]] = []
    for value in np.sort(pitch_px):
        if groups and value < groups[-1][0] * 1.08:
            groups[-1].append(float(value))
        else:
            groups.append([float(value)])
    return np.array([float(np.exp(np.mean(np.log(g)))) for g in groups])


def _crop_centres(
    shape: tuple[int, ...], mask: NDArray[np.bool_] | None, pitch_xy: tuple[float, float], count: int
) -> list[tuple[float, float]]:
    """Spread crops over the cloth: best covered first, then far from those already chosen."""
    rows, cols = shape[:2]
    half_x, half_y = 6 * pitch_xy[0], 6 * pitch_xy[1]
    grid = [(x, y) for y in _places(rows, half_y) for x in _places(cols, half_x)]
    if mask is None:
        cover = np.ones(len(grid))
    else:
        step = max(int(min(half_x, half_y) // 6), 1)
        coarse = cv2.integral(mask[::step, ::step].astype(np.uint8)).astype(np.float64)
        cover = _covered(coarse, np.array(grid) / step, (half_x / step, half_y / step))
    chosen: list[int] = []
    spots = np.array(grid) / (max(cols, 1), max(rows, 1))
    apart = 0.5 - np.hypot(*(spots - 0.5).T) * 0.5
    for _ in range(min(count, len(grid))):
        value = cover + 0.6 * np.minimum(apart, 0.6)
        value[chosen] = -1
        best = int(value.argmax())
        away = np.hypot(*(spots - spots[best]).T)
        apart = np.minimum(apart, away) if chosen else away
        chosen.append(best)
    return [grid[k] for k in chosen]


def _places(size: int, half: float) -> NDArray[np.float64]:
    """Centres along one direction, five where there is room, else the middle."""
    room = size / 2 - half
    return size / 2 + np.linspace(-room, room, 5) if room > 0.25 * half else np.array([size / 2])


def _covered(
    integral: NDArray[np.float64], centres: NDArray[np.float64], half: tuple[float, float]
) -> NDArray[np.float64]:
    """Share of cloth in boxes about centres of shape (N, 2), from the integral of the mask."""
    rows, cols = integral.shape[0] - 1, integral.shape[1] - 1
    low = np.clip(centres - half, 0, (cols, rows)).astype(int)
    high = np.clip(centres + half, 0, (cols, rows)).astype(int)
    (x0, y0), (x1, y1) = low.T, high.T
    inside = integral[y1, x1] - integral[y0, x1] - integral[y1, x0] + integral[y0, x0]
    return np.asarray(inside / max(4 * half[0] * half[1], 1))


def _log_softmax(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(values - np.logaddexp.reduce(values, axis=1, keepdims=True))


@cache
def _network() -> Network:
    return Network(NETWORK)


def _run(crops: Floats) -> NDArray[np.float64]:
    """Logits of crops (K, 2, 96, 96)."""
    return _network().logits(crops, spectrum(crops)).astype(np.float64)
