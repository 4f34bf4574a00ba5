"""Where weaving begins and ends along the warp: the first and the last pick, with the fringe left out.

In a fringe the warp ends run on without weft: the picture changes across them but hardly along them. What the
picture changes along the warp, once the slant of the threads is taken out, marks the picks.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["pick_energy", "woven_limit"]

FloatImage = NDArray[np.float32]
Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]

MIN_FALL = 4.6  # natural logarithm of 100: odds against cloth before weaving is taken to have ended


def pick_energy(bgr: NDArray[np.uint8], inside: Mask, px_per_mm: float) -> FloatImage:
    """Return the share of the picture's change that runs along the warp and no slanting thread explains.

    Within a window of about one thread a slanting end obeys ``gy = slope * gx``; the slope that fits best is
    taken out and the square of what is left is divided by all change nearby. About 0 in fringe and on a plain
    table, pulses well above 0.1 at every pick.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Straightened picture, ends running down the rows.
    inside : ndarray of bool, shape (M, N)
        Pixels surely in the cloth; they tell what counts as change at all.
    px_per_mm : float
        Scale of the picture.
    """
    gray = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    gx = cv2.Sobel(gray, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(gray, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    across = gx * gx
    window = (max(3, round(0.8 * px_per_mm)) | 1, max(3, round(0.5 * px_per_mm)) | 1)
    slope = cv2.blur(gx * gy, window) / (cv2.blur(across, window) + np.float32(1.0))
    along = (gy - slope * gx) ** 2
    area = (max(3, round(3 * px_per_mm)) | 1, max(3, round(1.5 * px_per_mm)) | 1)
    change = cv2.blur(across + along, area)
    floor = 0.2 * float(np.median(change[inside])) if inside.any() else 1.0
    return np.asarray(along / (change + max(floor, 1.0)), dtype=np.float32)


def _profile(energy: FloatImage, seen: Mask) -> Floats:
    """Mean energy of every row over the pixels seen, NaN where too few are."""
    count = seen.sum(axis=1)
    total = np.where(seen, energy, 0).sum(axis=1, dtype=np.float64)
    return np.where(count >= 0.4 * seen.shape[1], total / np.maximum(count, 1), np.nan)


def _first_pick(profile: Floats, start: int, stop: int, px_per_mm: float) -> float | None:
    """Find the outer edge of the first pick in a profile that runs from the fringe into the cloth.

    `start` is surely outside the woven part or its very edge, `stop` well inside. Rows of the inner half tell how
    high the pulses of the picks are and how densely they lie; weaving begins where rows stop looking like that
    and look quiet instead (change point of greatest likelihood, from the running sum), at the outermost pulse.
    """
    part = profile[start:stop]
    good = np.isfinite(part)
    if np.count_nonzero(good) < 12 or np.count_nonzero(good[len(part) // 2 :]) < 6:
        return None
    known = np.interp(np.arange(len(part)), np.flatnonzero(good), part[good])
    sigma = max(0.7, 0.08 * px_per_mm)
    level = cv2.GaussianBlur(known.reshape(-1, 1), (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)[:, 0]
    inner = level[len(level) // 2 :]
    threshold = 0.5 * float(np.percentile(inner, 85))
    dense = float(np.clip(np.mean(inner > threshold), 0.05, 0.9))
    sparse = float(np.clip(0.25 * dense, 0.02, 0.1))
    strong = level > threshold
    gain = np.where(strong, np.log(dense / sparse), np.log((1 - dense) / (1 - sparse)))
    gain[~good] = 0
    # From the inside outwards the sum climbs through cloth; it is stopped by the first fall that is deeper than
    # any inside the cloth, so that the ragged tips of the fringe, further out, have no say.
    outward = gain[::-1]
    running = np.cumsum(outward)
    highest = np.maximum.accumulate(running)
    fall = highest - running
    half = len(level) // 2
    allowed = max(1.25 * float(fall[:half].max(initial=0.0)), MIN_FALL)
    fallen = np.flatnonzero(fall > allowed)
    stop_at = int(fallen[0]) if len(fallen) else len(level) - 1
    reached = int(np.argmax(running[: stop_at + 1]))
    first = len(level) - 1 - reached
    if not strong[first:].any():
        return None
    first += int(np.argmax(strong[first:]))
    # Centre of gravity of the outermost pulse: the flank of the first pick against the fringe.
    last = first
    while last + 1 < len(level) and strong[last + 1] and last - first < 0.6 * px_per_mm:
        last += 1
    pulse = level[first : last + 1]
    return start + float(np.sum((first + np.arange(len(pulse))) * pulse) / np.sum(pulse))


def woven_limit(
    energy: FloatImage, seen: Mask, columns: tuple[int, int], outer_row: int, inner_row: int, px_per_mm: float
) -> Floats | None:
    """Find the outer edge of the first pick as a curve over the width.

    Parameters
    ----------
    energy : ndarray of shape (M, N)
        From `pick_energy`, the wanted limit at the top (turn the picture for the other end).
    seen : ndarray of bool, shape (M, N)
        Pixels the photo shows and the card leaves free.
    columns : tuple of int
        First and last column of the cloth.
    outer_row, inner_row : int
        A row outside the woven part (at most the tip of the fringe) and one well inside.
    px_per_mm : float
        Scale of the patch.

    Returns
    -------
    ndarray of shape (3,) or None
        Row of the limit as a polynomial of second degree in the column, highest power first; None when no step
        is seen, as when the cloth runs out of the photo.
    """
    left, right = columns
    width = right - left
    left, right = left + round(0.06 * width), right - round(0.06 * width)
    slope = _skew(energy, seen, (left, right), outer_row, inner_row)
    curve = np.array([0.0, slope, -slope * (left + right) / 2])
    depth = inner_row - outer_row
    row = _limit_along(energy, seen, (left, right), curve, (outer_row, inner_row), px_per_mm)
    if row is None:
        return None
    curve[2] += row
    chunks = int(np.clip(width / (10 * px_per_mm), 0, 8))
    if chunks < 4:
        return curve
    # A wide sample: bow shows between parts of the width.
    bounds = np.linspace(left, right, chunks + 1).astype(int)
    middle, found = [], []
    near = (-round(5 * px_per_mm), min(depth, round(15 * px_per_mm)))
    for a, b in zip(bounds[:-1], bounds[1:], strict=True):
        off = _limit_along(energy, seen, (int(a), int(b)), curve, near, px_per_mm)
        if off is not None and abs(off) < 4 * px_per_mm:
            middle.append((a + b - 1) / 2)
            found.append(off)
    if len(found) < max(3, chunks // 2):
        return curve
    bent = curve + _robust_curve(np.array(middle), np.array(found), px_per_mm, 2 if len(found) >= 6 else 1)
    off = _limit_along(energy, seen, (left, right), bent, near, px_per_mm)
    if off is None or abs(off) > 2 * px_per_mm:
        return curve
    bent[2] += off
    return bent


def _skew(energy: FloatImage, seen: Mask, columns: tuple[int, int], outer_row: int, inner_row: int) -> float:
    """Return the slope of the picks (rows per column) that makes the profile of the inner rows liveliest."""
    left, right = columns
    top = (outer_row + inner_row) // 2
    block = np.where(seen, energy, 0)[top:inner_row, left:right]
    stride = max(1, (right - left) // 200)
    block = np.ascontiguousarray(block[:, ::stride])
    x = (np.arange(block.shape[1]) - block.shape[1] / 2) * stride
    rows = np.arange(block.shape[0])

    def liveliness(slope: float) -> float:
        y = np.clip(np.round(rows[:, None] + slope * x[None, :]).astype(int), 0, len(rows) - 1)
        return float(np.var(np.take_along_axis(block, y, axis=0).mean(axis=1)))

    coarse = np.linspace(-0.15, 0.15, 31)
    best = float(coarse[int(np.argmax([liveliness(s) for s in coarse]))])
    fine = best + np.linspace(-0.01, 0.01, 9)
    return float(fine[int(np.argmax([liveliness(s) for s in fine]))])


def _limit_along(
    energy: FloatImage,
    seen: Mask,
    columns: tuple[int, int],
    curve: Floats,
    rows: tuple[int, int],
    px_per_mm: float,
) -> float | None:
    """Straighten the rows along a curve and find the limit, as an offset from the curve."""
    x = np.arange(*columns)
    shift = np.polyval(curve, x)
    grid_y = (shift[None, :] + np.arange(*rows)[:, None]).astype(np.float32)
    grid_x = np.broadcast_to(x.astype(np.float32), grid_y.shape)
    flat = cv2.remap(energy, grid_x, grid_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    free = (
        cv2.remap(seen.astype(np.uint8), grid_x, grid_y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
        > 0
    )
    free &= (grid_y >= 0) & (grid_y <= energy.shape[0] - 1)
    found = _first_pick(_profile(flat.astype(np.float32), free), 0, len(flat), px_per_mm)
    return None if found is None else found + rows[0]


def _robust_curve(x: Floats, y: Floats, px_per_mm: float, degree: int) -> Floats:
    """Fit a polynomial of degree 1 or 2 by iteratively re-weighted least squares (Cauchy weights)."""
    centre, span = float(x.mean()), max(float(np.ptp(x)), 1.0)
    t = (x - centre) / span
    slopes = [(y[j] - y[i]) / (t[j] - t[i]) for i in range(len(t)) for j in range(i + 1, len(t))]
    fit = np.array([0.0, float(np.median(slopes)), 0.0])  # Theil-Sen start
    fit[2] = float(np.median(y - fit[1] * t))
    for _ in range(8):
        residual = y - np.polyval(fit, t)
        scale = max(1.4826 * float(np.median(np.abs(residual))), 0.15 * px_per_mm)
        weight = 1.0 / (1.0 + (residual / (2 * scale)) ** 2)
        fit = np.polyfit(t, y, degree, w=np.sqrt(weight))
        fit = np.concatenate([np.zeros(3 - len(fit)), fit])
    a, b, c = fit
    a, b = a / span**2, b / span
    return np.array([a, b - 2 * a * centre, a * centre**2 - b * centre + c])
