"""How much of the surface shows warp: from the colours, where warp and weft differ in colour."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .crossings import TILE, end_on_top, read_classes, read_tiles
from .tracks import Tracks

__all__ = ["warp_cover"]

FloatArray = NDArray[np.float64]

APART = 3.0
"""Standard deviations (of single crossings about the usual colour of their thread) between the colours of an end and a
pick from which the points of their crossing are shared out between the two."""
LEAST_SHARE = 0.5  # of the crossings of a pick that must be told apart
LEAST_HUE = 0.02  # of the sum of the channels; below, the light's own colour makes as much
LIGHT_REACH = 4.0  # crossings
DARK = 0.004  # of full light: no colour can be told there


def warp_cover(tracks: Tracks) -> FloatArray | None:
    """Measure the share of the yarn surface that shows warp along every pick.

    Parameters
    ----------
    tracks : Tracks
        Every end and pick of a balanced cloth, straightened on them. Where one system covers the other, the colour of
        the hidden one is not seen and this is not for it.

    Returns
    -------
    ndarray of shape (P,) or None
        0..1; NaN along picks whose crossings the colours do not tell apart (ends of the weft's own colour). None where
        the weave is not read or warp and weft do not differ in colour.

    Notes
    -----
    The colour of an end is that of the middles of the crossings at which it lies on top, that of a pick likewise. A
    point is taken as a mixture of the two colours in linear light under an unknown shade, so that only its chromaticity
    (channels over their sum) counts: round yarns are dark at their sides. Dark gaps are left out.
    """
    read = read_classes(tracks)
    if read is None:
        return None
    on_top = end_on_top(tracks, *read)
    if on_top is None:
        return None
    tiles = read_tiles(tracks, linear=True)
    dark = tiles.mean(axis=-1) < DARK
    tiles = _evenly_lit(tiles)
    p, n = on_top.shape
    middle = tiles.reshape(p, n, TILE, TILE, 3)[:, :, 1:-1, 1:-1].mean(axis=(2, 3))
    end, pick = _median(middle, on_top, axis=0)[None], _median(middle, ~on_top, axis=1)[:, None]
    end_hue, pick_hue = _hue(end), _hue(pick)
    scatter = _scatter(_hue(middle), on_top, end_hue, pick_hue)
    change = end_hue - pick_hue
    size = np.sqrt((change**2).sum(axis=-1))
    told = (size > APART * scatter) & (size > LEAST_HUE)
    enough = told.mean(axis=1) >= LEAST_SHARE
    if enough.mean() < LEAST_SHARE:
        return None
    share = _end_share(tiles, change, pick_hue, size, end.sum(axis=-1), pick.sum(axis=-1))
    share[dark] = np.nan
    out = np.full(p, np.nan)
    for row in np.flatnonzero(enough):
        out[row] = float(np.nanmean(share[row][told[row]]))
    return out


def _end_share(
    tiles: FloatArray,
    change: FloatArray,
    pick_hue: FloatArray,
    size: FloatArray,
    end: FloatArray,
    pick: FloatArray,
) -> FloatArray:
    """Share of the end in every point of every crossing.

    A mixture of a share s of the end (sum of channels E) and 1 - s of the pick (sum P) lies t = s E / (s E + (1 - s) P)
    of the way from the pick's chromaticity to the end's; solved for s.
    """
    way = ((_hue(tiles) - pick_hue[:, :, None]) * change[:, :, None]).sum(axis=-1)
    way = np.clip(way / np.maximum(size, 1e-9)[..., None] ** 2, 0.0, 1.0)
    from_end = way * np.broadcast_to(pick, size.shape)[..., None]
    from_pick = (1.0 - way) * np.broadcast_to(end, size.shape)[..., None]
    return np.asarray(from_end / np.maximum(from_end + from_pick, 1e-9))


def _evenly_lit(tiles: FloatArray) -> FloatArray:
    """Divide by the light of the neighbourhood: the colour of an end is compared with picks all along it."""
    light = cv2.GaussianBlur(tiles.mean(axis=(2, 3)), (0, 0), LIGHT_REACH, borderType=cv2.BORDER_REFLECT)
    return np.asarray(tiles / np.maximum(light, 1e-4)[:, :, None, None])


def _hue(linear: FloatArray) -> FloatArray:
    return np.asarray(linear / np.maximum(linear.sum(axis=-1, keepdims=True), 1e-6))


def _median(values: FloatArray, chosen: NDArray[np.bool_], axis: int) -> FloatArray:
    return np.asarray(np.nanmedian(np.where(chosen[..., None], values, np.nan), axis=axis))


def _scatter(hue: FloatArray, on_top: NDArray[np.bool_], end: FloatArray, pick: FloatArray) -> float:
    """Robust standard deviation of the middles about the chromaticity of their thread."""
    rest = hue - np.where(on_top[..., None], end, pick)
    return float(np.sqrt(((1.4826 * np.median(np.abs(rest), axis=(0, 1))) ** 2).sum()))
