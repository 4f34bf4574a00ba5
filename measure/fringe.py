"""Where weaving begins and ends along the warp: the first and the last pick, with the fringe left out.

In a fringe the warp ends run on without weft: the picture changes across them but hardly along them. What the
picture changes along the warp, once the slant of the threads is taken out, marks the picks.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.ranks import median, percentile

__all__ = ["pick_energy", "pulse_spacing", "row_profile", "woven_limit"]

FloatImage = NDArray[np.float32]
Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]

PICKS_ON_LEVEL = 0.6  # crests outside a limit against those inside, where the weaving goes on
PICKS_ON_REGULAR = 0.45  # the same of the autocorrelation at one pick: in a fringe it stays about 0
LEAST_REGULAR = 0.15
# The same without the table that lies outside a hem, from where the crests reach a part of the inner ones: what is so regular
# then is woven, however dim (checks, log cabin). In 60 pictures fringes reached 0.55 of it, weaving 0.85 and more.
CLOTH_BEGINS, REGULAR_AS_INSIDE = 0.3, 0.65
# Where not even the inside is regular (loosely beaten bands, rugs) crests alone tell: in 60 fringes their lower quartile reached 0.63
# of the inner ones, in woven stretches taken for fringe 0.77.
TELLS_REGULAR, CRESTS_AS_INSIDE = 0.3, 0.7
LEAST_BEYOND = 2.0  # picks; less than that outside a limit is not judged
RETRIES = 3
STRIPS = 16  # parts of the width that are compared to follow slope and bow of the picks
# What the greatest slope must match better by than none at all: a share of the best match, and what chance brings.
SQUARE_SHARE, SQUARE_NOISE = 0.25, 0.1
LEAST_STEP = (
    0.3  # natural logarithm: a change below a third between cloth and fringe is within the cloth's own
)


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
    across = cv2.multiply(gx, gx)
    window = (max(3, round(0.8 * px_per_mm)) | 1, max(3, round(0.5 * px_per_mm)) | 1)
    usual = np.asarray(cv2.blur(across, window), dtype=np.float32)
    usual += np.float32(1.0)
    slope = cv2.divide(cv2.blur(cv2.multiply(gx, gy), window), usual, dst=usual)
    along = cv2.subtract(gy, cv2.multiply(slope, gx, dst=slope), dst=slope)
    along = cv2.multiply(along, along, dst=along)
    area = (max(3, round(3 * px_per_mm)) | 1, max(3, round(1.5 * px_per_mm)) | 1)
    change = np.asarray(cv2.blur(cv2.add(across, along, dst=across), area), dtype=np.float32)
    floor = 0.2 * float(median(change[inside])) if inside.any() else 1.0
    change += np.float32(max(floor, 1.0))
    return np.asarray(cv2.divide(along, change, dst=along), dtype=np.float32)


def row_profile(energy: FloatImage, seen: Mask) -> Floats:
    """Mean energy of every row over the pixels seen, NaN where too few are."""
    count = seen.sum(axis=1)
    total = np.where(seen, energy, np.float32(0)).sum(axis=1, dtype=np.float64)
    return np.where(count >= 0.15 * seen.shape[1], total / np.maximum(count, 1), np.nan)


def _first_pick(profile: Floats, px_per_mm: float, weak_first: bool) -> float | None:
    """Find the outer edge of the first pick in a profile that runs from the fringe into the cloth.

    Every pick makes a pulse. The greatest value within one pick spacing is therefore even over the cloth, low over
    the fringe; beyond it lie ragged tips and the table: four levels, cut where the squares of the logarithm's residuals are least.
    The outermost pulse at the inner cut is the first pick.
    """
    good = np.isfinite(profile)
    half = len(profile) // 2
    if np.count_nonzero(good) < 12 or np.count_nonzero(good[half:]) < 8:
        return None
    known = np.interp(np.arange(len(profile)), np.flatnonzero(good), profile[good])
    sigma = max(0.7, 0.08 * px_per_mm)
    blurred = cv2.GaussianBlur(known.reshape(-1, 1), (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    level = blurred[:, 0].astype(np.float64)
    pitch = pulse_spacing(level[half:], px_per_mm)
    window = np.ones((max(3, round(1.1 * pitch)) | 1, 1), np.uint8)
    crest = cv2.dilate(level.reshape(-1, 1), window)[:, 0]
    step = max(1, round(pitch / 5))
    log_crest = np.log(crest[::step] + 0.05 * float(median(crest[half:])))
    cut = _levels(log_crest, max(2, round(pitch / step)), len(log_crest) // 2)
    if cut is None:
        return None
    outer, inner = cut[0] * step, cut[1] * step
    quiet = level[outer:inner]
    base = float(median(quiet))
    pulse = float(median(crest[inner : inner + max(8, round(6 * pitch))]))
    threshold = base + 0.4 * (pulse - base)
    expected = inner + 0.55 * pitch
    low, high = max(0, round(expected - 0.9 * pitch)), min(len(level), round(expected + 0.9 * pitch) + 1)
    strong = np.flatnonzero(level[low:high] > threshold)
    if not len(strong):
        return expected
    first = low + int(strong[0])
    # The outermost pick often makes smaller pulses, for nothing holds it down from outside.
    low = max(0, round(first - 1.7 * pitch))
    calm = level[max(0, round(low - 1.5 * pitch)) : low]
    if weak_first and len(calm) > 2:
        floor = float(median(calm))
        small = max(1.8 * float(percentile(calm, 75)), floor + 0.12 * (pulse - floor))
        for row in low + np.flatnonzero(level[low:first] > small)[::-1]:
            if first - row > 1.2 * pitch:
                break
            first, threshold = int(row), small
    # Centre of gravity of the outermost pulse: the flank of the first pick against the fringe.
    last = first
    while last + 1 < len(level) and level[last + 1] > threshold and last - first < 0.6 * px_per_mm:
        last += 1
    weight = level[first : last + 1]
    return float(np.sum((first + np.arange(len(weight))) * weight) / np.sum(weight))


def pulse_spacing(level: Floats, px_per_mm: float) -> float:
    """Return a spacing within which a pick's pulse is nearly always met, in rows.

    Pulses are counted where the logarithm rises through its own moving mean: bright and dim stripes count alike.
    """
    log_level = np.log(level + 0.05 * float(median(level))).reshape(-1, 1)
    smooth = cv2.GaussianBlur(log_level, (0, 0), max(0.7, 0.12 * px_per_mm), borderType=cv2.BORDER_REFLECT)
    mean = cv2.blur(log_level, (1, max(5, round(5 * px_per_mm)) | 1), borderType=cv2.BORDER_REFLECT)
    above = smooth[:, 0] > mean[:, 0]
    gaps = np.diff(np.flatnonzero(above[1:] & ~above[:-1]))
    spacing = float(percentile(gaps, 80)) if len(gaps) >= 3 else 2.0 * px_per_mm
    return float(np.clip(spacing, 0.4 * px_per_mm, 6 * px_per_mm))


def _levels(values: Floats, least_fringe: int, least_cloth: int) -> tuple[int, int] | None:
    """Cut values (outside first) into table, tips, fringe and cloth; return where fringe and where cloth begins."""
    n = len(values)
    if n < least_cloth + least_fringe:
        return None
    total = np.concatenate([[0.0], np.cumsum(values)])
    squares = np.concatenate([[0.0], np.cumsum(values**2)])

    def misfit(low: NDArray[np.intp], high: NDArray[np.intp]) -> Floats:
        count = np.maximum(high - low, 1)
        return np.asarray(squares[high] - squares[low] - (total[high] - total[low]) ** 2 / count)

    fringe, cloth = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    # What lies beyond the fringe may itself have two levels, the table and the ragged tips.
    beyond = np.min(
        np.where(cloth <= fringe, misfit(np.zeros_like(cloth), cloth) + misfit(cloth, fringe), np.inf), axis=1
    )
    cost = beyond[:, None] + misfit(fringe, cloth) + misfit(cloth, np.full_like(cloth, n))
    fringe_mean = (total[cloth] - total[fringe]) / np.maximum(cloth - fringe, 1)
    cloth_mean = (total[n] - total[cloth]) / np.maximum(n - cloth, 1)
    allowed = (cloth - fringe >= least_fringe) & (n - cloth >= least_cloth)
    allowed &= cloth_mean - fringe_mean > LEAST_STEP
    if not allowed.any():
        return None
    # A dim stripe of the cloth is no fringe: the cloth's own lowest level is met again further in.
    darker = allowed & (fringe_mean < percentile(values[n // 2 :], 5) - 0.1)
    allowed = darker if darker.any() else allowed
    # Nor is a stretch of cloth that is only a little dimmer, when something far quieter lies outside.
    running = (total[least_fringe:] - total[:-least_fringe]) / least_fringe
    # Beyond tips livelier than any cloth there is only the table, and that is quieter than every fringe.
    tips = values[: n // 2] > percentile(values[n // 2 :], 95) + LEAST_STEP
    lowest = float(running[int(np.argmax(tips)) : max(1, n // 2)].min())
    quiet = allowed & (fringe_mean < cloth_mean - 0.3 * (cloth_mean - lowest))
    allowed = quiet if quiet.any() else allowed
    at = np.unravel_index(int(np.argmin(np.where(allowed, cost, np.inf))), cost.shape)
    return int(at[0]), int(at[1])


def woven_limit(
    energy: FloatImage,
    seen: Mask,
    columns: tuple[int, int],
    rows: tuple[int, int],
    px_per_mm: float,
    *,
    weak_first: bool = True,
    straight_end: bool = False,
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
    rows : tuple of int
        A row outside the woven part (at most the tip of the fringe) and one well inside.
    px_per_mm : float
        Scale of the patch.
    weak_first : bool
        Whether a small pulse just outside the first strong one may be the first pick. Picks at the fringe lie
        loose and show less; the outermost end lies tight.
    straight_end : bool
        Whether the cloth's colours end along a smooth line, as under a hem or cut close, not in tips.

    Returns
    -------
    ndarray of shape (3,) or None
        Row of the limit as a polynomial of second degree in the column, highest power first; None when no step
        is seen, as when the cloth runs out of the photo.
    """
    outer_row, inner_row = rows
    for _ in range(RETRIES):
        curve = _outermost_step(energy, seen, columns, rows, px_per_mm, weak_first)
        if curve is None:
            return None
        row = float(np.polyval(curve, (columns[0] + columns[1]) / 2))
        if not _weaves_on(energy, seen, columns, curve, (outer_row, row, inner_row), px_per_mm, straight_end):
            return curve
        # Only a stripe of the cloth ended there: the fringe, if any is seen, begins farther out.
        rows = (outer_row, min(inner_row, round(2 * row - outer_row)))
    return None


def _inner_columns(columns: tuple[int, int]) -> tuple[int, int]:
    margin = round(0.06 * (columns[1] - columns[0]))
    return columns[0] + margin, columns[1] - margin


def _outermost_step(
    energy: FloatImage,
    seen: Mask,
    columns: tuple[int, int],
    rows: tuple[int, int],
    px_per_mm: float,
    weak_first: bool,
) -> Floats | None:
    """Find the limit as a curve over the width, whether or not the weaving goes on beyond it."""
    left, right = _inner_columns(columns)
    outer_row, inner_row = rows
    middle_row = (outer_row + inner_row) // 2
    zone = (middle_row, min(inner_row, round(middle_row + 20 * px_per_mm)))
    # Columns under a card tell nothing.
    open_columns = seen[outer_row:inner_row, left:right].mean(axis=0) > 0.85
    if 0.2 < open_columns.mean() < 1:
        seen = seen.copy()
        seen[:, left:right] &= open_columns[None, :]
    curve = _pick_course(energy, seen, (left, right), zone)
    row = _limit_along(energy, seen, (left, right), curve, rows, px_per_mm, weak_first)
    if row is None:
        return None
    # Once more with the course of the picks that lie next to the limit.
    zone = (round(row), min(inner_row, round(row + 15 * px_per_mm)))
    curve = _pick_course(energy, seen, (left, right), zone)
    again = _limit_along(energy, seen, (left, right), curve, rows, px_per_mm, weak_first)
    curve[2] += row if again is None else again
    return curve


def _weaves_on(
    energy: FloatImage,
    seen: Mask,
    columns: tuple[int, int],
    curve: Floats,
    rows: tuple[int, float, int],
    px_per_mm: float,
    straight_end: bool = False,
) -> bool:
    """Whether picks follow each other outside a limit as they do inside: as strong, and as regularly.

    Parameters
    ----------
    rows : tuple
        Where the search began, the limit at mid width, and a row well inside.
    """
    outer_row, limit, inner_row = rows
    beyond = round(limit) - outer_row
    stop = min(inner_row, round(limit) + max(beyond, round(8 * px_per_mm)))
    offset = curve - np.array([0.0, 0.0, limit])
    profile = _profile_along(energy, seen, _inner_columns(columns), offset, (outer_row, stop))
    good = np.isfinite(profile)
    if min(np.count_nonzero(good[:beyond]), np.count_nonzero(good[beyond:])) < 10:
        return False
    known = np.interp(np.arange(len(profile)), np.flatnonzero(good), profile[good])
    level = cv2.GaussianBlur(known.reshape(-1, 1), (0, 0), max(0.7, 0.08 * px_per_mm))[:, 0].astype(
        np.float64
    )
    pitch = pulse_spacing(level[beyond:], px_per_mm)
    if beyond < LEAST_BEYOND * pitch:
        return False
    crest = cv2.dilate(level.reshape(-1, 1), np.ones((max(3, round(1.1 * pitch)) | 1, 1), np.uint8))[:, 0]
    usual = float(median(crest[beyond:]))
    log_level = np.log(level + 0.05 * float(median(level[beyond:])))
    inside = _regularity(log_level[beyond:], pitch)
    begins = int(np.argmax(crest[:beyond] >= CLOTH_BEGINS * usual)) + round(0.55 * pitch)
    regular = 0.0
    for start, share in ((0, PICKS_ON_REGULAR), (begins, REGULAR_AS_INSIDE)):
        if beyond - start < LEAST_BEYOND * pitch:
            continue
        if median(crest[start:beyond]) < PICKS_ON_LEVEL * usual:
            continue
        regular = _regularity(log_level[start:beyond], pitch)
        if regular >= max(LEAST_REGULAR, share * inside):
            return True
    stretch = crest[begins:beyond]
    if len(stretch) < LEAST_BEYOND * pitch or percentile(stretch, 25) < CRESTS_AS_INSIDE * usual:
        return False
    if inside < TELLS_REGULAR:
        return True
    # Such crests need less of a rhythm where no ragged tips lie beyond them; `regular` is theirs, for they passed the lower bound above.
    return straight_end and regular >= PICKS_ON_REGULAR * inside


def _regularity(log_level: Floats, pitch: float) -> float:
    """Greatest autocorrelation at lags about one pick, with slow changes taken out."""
    window = (1, max(5, round(2.2 * pitch)) | 1)
    rest = log_level - cv2.blur(log_level.reshape(-1, 1), window, borderType=cv2.BORDER_REFLECT)[:, 0]
    variance = float(rest.var())
    lags = range(max(2, int(0.5 * pitch)), int(min(1.5 * pitch, 0.6 * len(rest))) + 1)
    products = np.array([float(rest[lag:] @ rest[:-lag]) / (len(rest) - lag) for lag in lags])
    # A single hump, as of tips before the table, only falls with the lag; what comes again rises once more.
    again = products[1:-1][(products[1:-1] >= products[:-2]) & (products[1:-1] >= products[2:])]
    return float(again.max()) / variance if len(again) and variance > 1e-12 else 0.0


def _pick_course(energy: FloatImage, seen: Mask, columns: tuple[int, int], zone: tuple[int, int]) -> Floats:
    """Return slope and bow of the picks: the curve that makes the profile of the rows of a zone liveliest.

    Returns
    -------
    ndarray of shape (3,)
        Polynomial in the column with mean zero over the width: the offset of a pick's row.
    """
    left, right = columns
    half = (right - left) / 2
    part = slice(*zone), slice(left, right)
    block = np.where(seen[part], energy[part], np.float32(0))
    strips = cv2.resize(block, (STRIPS, block.shape[0]), interpolation=cv2.INTER_AREA)
    strips = cv2.GaussianBlur(strips, (1, 5), 0)
    strips = (strips - strips.mean(axis=0)) / (strips.std(axis=0) + 1e-6)
    slopes, bows = np.linspace(-0.16, 0.16, 65), np.linspace(-0.15, 0.15, 25)
    t = (np.arange(STRIPS) + 0.5) * 2 / STRIPS - 1
    score, pairs = np.zeros((len(slopes), len(bows))), 0
    for apart in (1, 2, 4):
        # Neighbouring strips hardly shift against each other: no pick is taken for the next one.
        reach = int(np.ceil(0.5 * half * apart * 2 / STRIPS)) + 1
        lags = np.arange(-reach, reach + 1)
        for i in range(STRIPS - apart):
            one, two = strips[reach:-reach, i], strips[:, i + apart]
            if len(one) < 8:
                continue
            match = np.correlate(two, one, mode="valid") / len(one)
            shift = half * (
                slopes[:, None] * (t[i + apart] - t[i]) + bows[None, :] * (t[i + apart] ** 2 - t[i] ** 2)
            )
            score += np.interp(shift, lags, match)
            pairs += 1
    # Strips match as well when every pick meets the next one: of such slopes the least is meant, for picks cross the warp squarely.
    score /= max(pairs, 1)
    doubt = (SQUARE_NOISE + SQUARE_SHARE * float(score.max())) * (slopes / slopes[-1]) ** 2
    best = np.unravel_index(int(np.argmax(score - doubt[:, None])), score.shape)
    slope, bow = float(slopes[best[0]]), float(bows[best[1]])
    slope, bow = _liveliest(strips, half * t, half * (t * t - 1 / 3), slope, bow)
    middle = (left + right) / 2
    a, b = bow / half, slope
    return np.array([a, b - 2 * a * middle, a * middle**2 - b * middle - half * bow / 3])


def _liveliest(
    strips: FloatImage, linear: Floats, bent: Floats, slope: float, bow: float
) -> tuple[float, float]:
    """Refine slope and bow: the sum over all strips varies most when they are in step."""
    # Shifts are turns of the spectrum, and by Parseval's theorem the spectrum tells the variance.
    spectrum = np.fft.rfft(strips, axis=0)[1:]
    turn = 2j * np.pi * np.arange(1, len(spectrum) + 1) / len(strips)
    for size in (0.006, 0.002):
        pairs = np.array([(slope + i * size, bow + j * size) for i in range(-2, 3) for j in range(-2, 3)])
        shift = pairs[:, :1] * linear[None, :] + pairs[:, 1:] * bent[None, :]
        total = np.einsum("fs,psf->pf", spectrum, np.exp(shift[:, :, None] * turn))
        slope, bow = pairs[int(np.argmax(np.sum(np.abs(total) ** 2, axis=1)))]
    return float(slope), float(bow)


def _limit_along(
    energy: FloatImage,
    seen: Mask,
    columns: tuple[int, int],
    curve: Floats,
    rows: tuple[int, int],
    px_per_mm: float,
    weak_first: bool,
) -> float | None:
    """Straighten the rows along a curve and find the limit, as an offset from the curve."""
    profile = _profile_along(energy, seen, columns, curve, rows)
    found = _first_pick(profile, px_per_mm, weak_first)
    return None if found is None else found + rows[0]


def _profile_along(
    energy: FloatImage, seen: Mask, columns: tuple[int, int], curve: Floats, rows: tuple[int, int]
) -> Floats:
    """Profile of rows that follow a curve."""
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
    return row_profile(flat.astype(np.float32), free)
