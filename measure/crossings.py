"""Every crossing of an end and a pick, compared with what the averaged weave shows there.

The cloth straightened on its threads is cut into one tile for each crossing. Crossings of one class (the same place in
the repeat of the weave) look alike but for what the end, the pick and the light have of their own; these are learned by
medians along the end and along the pick. What is left is the residual of the crossing: small in even cloth, large where
something else lies there.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .phase import PX_PER_THREAD
from .repeat import float_classes
from .rhythm import leading_node
from .selvedge import cloth_evidence
from .silhouette import linear_light
from .tracks import Tracks

__all__ = ["TILE", "Crossings", "end_on_top", "read_classes", "read_crossings", "read_tiles"]

FloatArray = NDArray[np.float64]

TILE = 4  # samples of a tile each way
LEAST_PER_CLASS = 5  # crossings of one class that an end or a pick must have, else its median is chance
LEAST_SPREAD = 0.75  # L*a*b* units: below, eight bits and JPEG make the scatter
STRAY = 0.16  # spacings; standard deviation of a thread's place against the track
TURNING = 0.15  # share of ends that are shifted where a twill turns; of straight ones at most one end is
SHIFTED = 1.5  # times as like the usual looks some classes on: inner ends of even twills, baskets and satins stay below 1.4
ROUNDS = 3  # of medians along the ends and along the picks in turn (Tukey's median polish)


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossings:
    """Residuals of all crossings, picks down and ends across.

    Attributes
    ----------
    turned : ndarray of shape (P, N)
        How far the crossing looks like one with the other thread on top: 0 as it should, 1 as the other.
    turned_z : ndarray of shape (P, N)
        The same in robust standard deviations of the whole cloth.
    oddness : ndarray of shape (P, N)
        Size of the residual against the usual size, natural logarithm; 0 is usual.
    side : ndarray of int, shape (P, N)
        1 or -1: crossings of the same sign show the same thread on top (which one is not told).
    cloth : ndarray of shape (P, N)
        Share of the crossing that lies inside the outline of the cloth.
    pick_turned : ndarray of shape (P,)
        The same for whole picks: 1 where the pick looks as if it lay in the other shed.
    cloth_look : ndarray of shape (P, N)
        Logarithm of how much likelier the colours of the crossing are in the cloth than on the (shaded) table beside it;
        0 everywhere when no table is seen.
    """

    turned: FloatArray
    turned_z: FloatArray
    oddness: FloatArray
    side: NDArray[np.int_]
    cloth: FloatArray
    pick_turned: FloatArray
    cloth_look: FloatArray


def _places(centres: FloatArray) -> FloatArray:
    """Grid coordinates of the samples of all tiles along one axis: `TILE` from half-way to half-way."""
    number = (np.arange(len(centres) * TILE) + 0.5) / TILE - 0.5
    before, after = 2 * centres[0] - centres[1], 2 * centres[-1] - centres[-2]
    places = np.interp(number, np.arange(-1, len(centres) + 1), np.concatenate([[before], centres, [after]]))
    return np.asarray(places, dtype=np.float64)


def read_tiles(tracks: Tracks, *, linear: bool = False) -> FloatArray:
    """Return the tiles of all crossings in CIE L*a*b* (or linear BGR), shape (P, N, TILE * TILE, 3)."""
    k = PX_PER_THREAD
    soft = cv2.GaussianBlur(tracks.threads.picture.bgr, (0, 0), 0.4 * k / TILE)
    x, y = np.meshgrid(_places(tracks.ends.centres_index) * k, _places(tracks.picks.centres_index) * k)
    picture = cv2.remap(soft, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    picture = np.clip(picture, 0, 255)
    lab = cv2.cvtColor(picture.astype(np.float32) / 255, cv2.COLOR_BGR2Lab)
    colours = np.asarray(linear_light(picture.astype(np.uint8)) if linear else lab)
    p, n = tracks.picks.count, tracks.ends.count
    tiles = colours.reshape(p, TILE, n, TILE, 3).transpose(0, 2, 1, 3, 4).reshape(p, n, TILE * TILE, 3)
    return np.asarray(tiles, dtype=np.float64)


def _median_where(values: FloatArray, chosen: NDArray[np.bool_], axis: int) -> FloatArray:
    """Median along an axis of the chosen crossings only."""
    return np.asarray(np.nanmedian(np.where(chosen[..., None], values, np.nan), axis=axis))


def _usual(tiles: FloatArray, classes: NDArray[np.int_], count: int) -> tuple[FloatArray, FloatArray]:
    """Return the looks of every class on every end (q, N, D), and what every pick adds to them (q, P, D)."""
    on_end = np.zeros((count, tiles.shape[1], tiles.shape[2]))
    on_pick = np.zeros((count, tiles.shape[0], tiles.shape[2]))
    for c in range(count):
        chosen = classes == c
        for _ in range(ROUNDS):
            on_end[c] = _median_where(tiles - on_pick[c][:, None], chosen, 0)
            on_pick[c] = _median_where(tiles - on_end[c][None], chosen, 1)
    return on_end, on_pick


def read_classes(tracks: Tracks) -> tuple[NDArray[np.int_], int] | None:
    """Return the class of every crossing, shape (P, N), and the number of classes; None where they cannot be told."""
    node = leading_node(dict(tracks.nodes))
    if node is None or {"untracked", "faint"} & (tracks.ends.flags | tracks.picks.flags):
        return None
    a, b, q = node
    classes = (a * tracks.ends.place_in_repeat[None] + b * tracks.picks.place_in_repeat[:, None]) % q
    fewest = min(int((classes == c).sum(axis=axis).min()) for axis in (0, 1) for c in range(q))
    return (classes, q) if fewest >= LEAST_PER_CLASS else None


def read_crossings(tracks: Tracks) -> Crossings | None:
    """Compare every crossing with its class.

    Parameters
    ----------
    tracks : Tracks
        Every end and pick, with the cloth straightened on them.

    Returns
    -------
    Crossings or None
        None where the weave shows no rhythm or too few threads share a place in it.
    """
    read = read_classes(tracks)
    if read is None:
        return None
    classes, q = read
    tiles = read_tiles(tracks)
    flat = tiles.reshape(*classes.shape, -1)
    on_end, on_pick = _usual(flat, classes, q)
    expected = np.zeros_like(flat)
    other = np.zeros_like(flat)
    opposite = _opposite(on_end)
    for c in range(q):
        here = (classes == c)[..., None]
        expected += here * (on_end[c][None] + on_pick[c][:, None])
        o = int(opposite[c])
        other += here * (on_end[o][None] + on_pick[o][:, None])
    turned, left, weight = _explained(flat - expected, other - expected, _slopes(expected))
    change = np.sqrt(((other - expected) ** 2 * weight).sum(axis=-1)) + 1e-9
    scatter = 1.4826 * float(np.median(np.abs(turned * change)))
    oddness = np.log((left**2 * weight).mean(axis=-1) + 1e-9)
    # Ends of two colours fit their class worse than others all along; that is no fault.
    oddness -= np.median(oddness, axis=0)
    oddness -= np.maximum(np.median(oddness, axis=1, keepdims=True), 0.0)
    return Crossings(
        turned=turned,
        turned_z=turned * change / max(scatter, 1e-9),
        oddness=oddness,
        side=_sides(on_end, classes),
        cloth=_cloth_share(tracks),
        pick_turned=_pick_turned(on_end, on_pick, opposite, weight),
        cloth_look=_cloth_look(tracks),
    )


def _slopes(expected: FloatArray) -> FloatArray:
    """Change of the expected looks for a shift by one thread along and across the picks, shape (2, P, N, D)."""
    p, n, _ = expected.shape
    picture = expected.reshape(p, n, TILE, TILE, 3).transpose(0, 2, 1, 3, 4).reshape(p * TILE, n * TILE, 3)
    slopes = np.stack(np.gradient(picture, 1.0 / TILE, axis=(1, 0)))
    return np.asarray(
        slopes.reshape(2, p, TILE, n, TILE, 3).transpose(0, 1, 3, 2, 4, 5).reshape(2, *expected.shape)
    )


def _explained(
    rest: FloatArray, change: FloatArray, slopes: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Split residuals into a turned crossing, a shift of the threads, and what is left.

    Returns
    -------
    turned : ndarray of shape (P, N)
    left : ndarray of shape (P, N, D)
        Residual without the shift; a turned crossing stays in it.
    weight : ndarray of shape (D,)
        One over the variance of every sample of the tiles.
    """
    spread = 1.4826 * np.median(np.abs(rest), axis=(0, 1))
    weight = 1.0 / np.maximum(spread, LEAST_SPREAD) ** 2
    basis = np.stack([change, *slopes], axis=-1)
    normal = np.einsum("pndk,pndl,d->pnkl", basis, basis, weight)
    # Threads stray by a sixth of their spacing; no shift explains a whole thread.
    normal += np.diag([1e-6, 1.0 / STRAY**2, 1.0 / STRAY**2])
    right = np.einsum("pndk,pnd,d->pnk", basis, rest, weight)
    solution = np.linalg.solve(normal, right[..., None])[..., 0]
    shift = np.clip(solution[..., 1:], -2 * STRAY, 2 * STRAY)
    left = rest - np.einsum("kpnd,pnk->pnd", slopes, shift)
    return solution[..., 0], left, weight


def _pick_turned(
    on_end: FloatArray, on_pick: FloatArray, opposite: NDArray[np.int_], weight: FloatArray
) -> FloatArray:
    """How far every pick turns all its crossings: what it adds to its classes, along the change to their opposites."""
    along, size = np.zeros(on_pick.shape[1]), 0.0
    for c, o in enumerate(opposite):
        change = np.median(on_end[o] - on_end[c], axis=0)
        along += (on_pick[c] * change * weight).sum(axis=-1)
        size += float((change**2 * weight).sum())
    return np.asarray(along / max(size, 1e-9))


def _sides(on_end: FloatArray, classes: NDArray[np.int_]) -> NDArray[np.int_]:
    """Split the crossings in two by the direction in which the looks of their classes differ most, shape (P, N).

    Where a twill turns (herringbone) the classes go on as before, and an end beyond shows each of them some picks early or late:
    its sides are put where its own looks have them. Looks that are the other way round are other colours, unless many ends are
    shifted.
    """
    looks = on_end.mean(axis=1)
    looks = looks - looks.mean(axis=0)
    main = np.linalg.svd(looks, full_matrices=False)[2][0]
    usual = looks @ main
    own = (on_end - on_end.mean(axis=0)) @ main
    # Where many ends are shifted they blunt what is usual: it is found again with those put in place that look at all shifted.
    first = _shifts(usual, own, 1.0)
    every, ends = np.arange(len(usual))[:, None], np.arange(own.shape[1])
    placed = own[(every - first) % len(usual), ends]
    usual = (placed * np.sign(usual @ placed)).mean(axis=1)
    side = np.where(usual >= 0, 1, -1)
    shifts = _shifts(usual, own, SHIFTED)
    if np.mean(shifts > 0) > TURNING:
        shifts = _shifts(usual, own, SHIFTED, colours=False)
    return np.asarray(side[(classes + shifts) % len(usual)])


def _shifts(usual: FloatArray, own: FloatArray, least: float, *, colours: bool = True) -> NDArray[np.int_]:
    """How many classes on the looks of every end agree best with the usual ones; 0 unless `least` times better.

    With `colours` looks that are the other way round agree as well.
    """
    likeness = np.stack([np.roll(usual, -shift) @ own for shift in range(len(usual))])
    likeness = np.abs(likeness) if colours else likeness
    return np.where(likeness.max(axis=0) > least * (1 + 1e-9) * likeness[0], likeness.argmax(axis=0), 0)


def end_on_top(tracks: Tracks, classes: NDArray[np.int_], count: int) -> NDArray[np.bool_] | None:
    """Tell at which crossings the end lies on top, shape (P, N).

    The floats' shape tells: beside a thread that lies on top run edges and gaps along it. None where both sides of the
    weave show the same shape.
    """
    node = leading_node(dict(tracks.nodes))
    if node is None:
        return None
    along_end = float_classes(tracks, node)[:, 0]
    tiles = read_tiles(tracks).reshape(*classes.shape, -1)
    looks = np.stack([np.median(tiles[classes == c], axis=0) for c in range(count)])
    looks = looks - looks.mean(axis=0)
    side = np.where(looks @ np.linalg.svd(looks, full_matrices=False)[2][0] >= 0, 1, -1)
    if abs(int(side.sum())) == count:
        return None
    lean = float(along_end[side > 0].mean() - along_end[side < 0].mean())
    if lean == 0.0:
        return None
    return np.asarray((side if lean > 0 else -side)[classes] > 0)


def _opposite(on_end: FloatArray) -> NDArray[np.int_]:
    """For every class the one that looks least like it: the other thread on top."""
    looks = on_end.mean(axis=1)
    apart = ((looks[:, None] - looks[None]) ** 2).sum(axis=-1)
    return np.asarray(np.argmax(apart, axis=1))


def _cloth_share(tracks: Tracks) -> FloatArray:
    k = PX_PER_THREAD
    return _at_crossings(tracks, cv2.blur(tracks.threads.picture.cloth, (k, k)))


def _cloth_look(tracks: Tracks) -> FloatArray:
    """Evidence of colour for cloth against table, averaged over every crossing."""
    k = PX_PER_THREAD
    picture = tracks.threads.picture
    cloth = (picture.cloth > 0).astype(np.uint8)
    inside = cv2.erode(cloth, np.ones((k, k), np.uint8)) > 0
    outside = cv2.dilate(cloth, np.ones((1, 3 * k), np.uint8)) == 0
    # Beyond the first and last pick lies fringe.
    share = cloth.mean(axis=1)
    outside &= (share > 0.5 * np.quantile(share, 0.8))[:, None] & tracks.threads.seen
    evidence = cloth_evidence(np.clip(picture.bgr, 0, 255).astype(np.uint8), inside, outside)
    if evidence is None:
        return np.zeros((tracks.picks.count, tracks.ends.count))
    return _at_crossings(tracks, cv2.blur(evidence, (k, k)))


def _at_crossings(tracks: Tracks, plane: cv2.typing.MatLike) -> FloatArray:
    k = PX_PER_THREAD
    x, y = np.meshgrid(tracks.ends.centres_index * k, tracks.picks.centres_index * k)
    found = cv2.remap(plane, x.astype(np.float32), y.astype(np.float32), cv2.INTER_NEAREST)
    return np.asarray(found, dtype=np.float64)
