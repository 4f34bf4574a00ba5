"""What the cloth shows on and beside every end: cells of colour, and how much each colour belongs to the end itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..calibration.errors import UsageError

__all__ = ["HALF", "LEAST_ENDS", "REACH", "cells_of", "end_lines", "scores_of", "shares_of"]

LEAST_ENDS = 3
_STEP = 0.125  # cells lie so many spacings apart across the end
REACH = 6  # cells looked at on either side of the given line: three quarters of a spacing
HALF = 4  # steps from the middle line to the gap beside it
_NUDGE = 2  # steps a middle line may lie off the given one
_NEIGHBOURS = 7  # ends that share one nudge
_STRIP = 0.25  # width of a cell, in spacings
_MAX_ROWS = 300  # rows of cells looked at; more add nothing but time
_GAP_WEIGHT = 0.5

Array = NDArray[np.float64]


def end_lines(ends_px: Array, rows_px: Array | None, height: int) -> Array:
    """Return the column of every end at every row of the picture, shape (height, E).

    Parameters
    ----------
    ends_px : ndarray of shape (E,) or (K, E)
        Columns of the ends, the same at all rows or at each of `rows_px`.
    rows_px : ndarray of shape (K,), optional
        Rows at which the columns hold; straight lines between them.
    height : int
        Rows of the picture.

    Raises
    ------
    UsageError
        If there are fewer than three ends, or they do not increase.
    """
    ends = np.asarray(ends_px, dtype=np.float64)
    flat = ends[None, :] if ends.ndim == 1 else ends
    if (
        flat.ndim != 2
        or flat.shape[1] < LEAST_ENDS
        or not np.all(np.isfinite(flat))
        or np.any(np.diff(flat, axis=1) <= 0)
    ):
        raise UsageError(
            "bad-end-positions",
            "The ends' positions cannot be used.",
            "Give at least three, from left to right.",
        )
    if rows_px is None or flat.shape[0] == 1:
        return np.repeat(flat[:1], height, axis=0)
    rows = np.arange(height)
    return np.stack([np.interp(rows, rows_px, column) for column in flat.T], axis=1)


def cells_of(
    bgr: NDArray[np.uint8], mask: NDArray[np.bool_], lines: Array, pitch: float
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return mean CIELAB of cells, shape (R, E, cells across, 3), and which (row, end) lie fully on cloth."""
    import cv2

    lab = cv2.cvtColor(bgr.astype(np.float32) / 255.0, cv2.COLOR_BGR2LAB)
    step = max(1, round(0.3 * pitch))
    tops = np.arange(0, bgr.shape[0] - step + 1, step)
    if len(tops) > _MAX_ROWS:
        tops = tops[np.linspace(0, len(tops) - 1, _MAX_ROWS).astype(int)]
    rows = tops + step // 2
    at = lines[rows]
    spacing = np.gradient(at, axis=1)
    # One blur of the cell's size, then one interpolated look at every cell.
    size = (max(1, round(_STRIP * pitch)), step)
    smooth = cv2.blur(lab, size)
    clear = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8))
    out = np.empty((len(rows), at.shape[1], 2 * REACH + 1, 3), dtype=np.float32)
    grid_y = np.repeat(rows[:, None], at.shape[1], axis=1).astype(np.float32)
    for k in range(2 * REACH + 1):
        grid_x = (at + (k - REACH) * _STEP * spacing).astype(np.float32)
        out[:, :, k] = cv2.remap(smooth, grid_x, grid_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.remap(clear, at.astype(np.float32), grid_y, cv2.INTER_NEAREST, borderValue=0) > 0
    return out, seen


def shares_of(member: NDArray[np.intp], seen: NDArray[np.bool_], count: int) -> Array:
    """Return the share of each colour in every end's cells, shape (E, cells across, count)."""
    _, ends, across = member.shape
    place = np.arange(ends * across).reshape(1, ends, across) * count
    found = np.bincount((member + place)[seen].ravel(), minlength=ends * across * count)
    shares: Array = found.reshape(ends, across, count) / np.maximum(seen.sum(axis=0), 1)[:, None, None]
    return shares


def scores_of(share: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Return how much each colour belongs to each end, shape (E, count): on its middle line, not beside it.

    Also returns whether the middle line was found at the edge of where it was looked for.

    Positions from elsewhere may be off by a fraction of a spacing, alike for neighbouring ends; the middle line is
    moved, for several ends together, to where colours tell ends and gaps apart best.
    """
    nudges = range(-_NUDGE, _NUDGE + 1)
    every = np.stack(
        [
            share[:, REACH + d]
            - _GAP_WEIGHT * (share[:, REACH + d - HALF] + share[:, REACH + d + HALF]) / 2.0
            for d in nudges
        ]
    )
    clear = every.max(axis=2) - 0.02 * np.abs(np.arange(-_NUDGE, _NUDGE + 1))[:, None]
    kernel = np.ones(min(_NEIGHBOURS, clear.shape[1]))
    together = np.stack([np.convolve(row, kernel, mode="same") for row in clear])
    chosen = together.argmax(axis=0)
    at_limit = np.abs(chosen - _NUDGE) == _NUDGE
    return np.clip(every[chosen, np.arange(every.shape[1])], 0.0, None), at_limit
