"""Grouping of cells of cloth by colour in CIELAB, and which groups are one yarn in light and shade."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["find_clusters", "group_clusters", "histogram_codes"]

_BIN = 3.0  # CIELAB units
_BINS_L, _BINS_AB = 35, 86
_MAX_CLUSTERS = 10
_NEAR = 8.0  # CIELAB distance below which two clusters of cells are one colour under another light

Array = NDArray[np.float64]


def histogram_codes(cells: NDArray[np.float32]) -> NDArray[np.intp]:
    """Return each cell's bin in a CIELAB histogram with bins three units wide."""
    bins = np.round(cells / _BIN).astype(np.intp)
    bins[..., 1:] += _BINS_AB // 2
    np.clip(bins[..., 0], 0, _BINS_L - 1, out=bins[..., 0])
    np.clip(bins[..., 1:], 0, _BINS_AB - 1, out=bins[..., 1:])
    codes: NDArray[np.intp] = (bins[..., 0] * _BINS_AB + bins[..., 1]) * _BINS_AB + bins[..., 2]
    return codes


def _colours_of(codes: NDArray[np.intp]) -> Array:
    """Return the CIELAB colours in the middle of bins, shape (K, 3)."""
    light, rest = np.divmod(codes, _BINS_AB * _BINS_AB)
    red, yellow = np.divmod(rest, _BINS_AB)
    return np.stack([light, red - _BINS_AB // 2, yellow - _BINS_AB // 2], axis=-1) * _BIN


def find_clusters(codes: NDArray[np.intp]) -> tuple[Array, NDArray[np.intp]]:
    """Group cells by colour: farthest-point seeds, then k-means on the histogram (nothing random).

    Returns the clusters' colours, shape (K, 3), and the cluster of every bin of the histogram.
    """
    counts = np.bincount(codes.ravel(), minlength=_BINS_L * _BINS_AB * _BINS_AB)
    present = np.flatnonzero(counts)
    often = counts[present] >= max(2.0, 2e-4 * codes.size)
    points, weight = _colours_of(present), counts[present] * (often if often.any() else 1.0)
    centres = points[np.argmax(weight)][None]
    while len(centres) < _MAX_CLUSTERS:
        distance2 = ((points[:, None] - centres[None]) ** 2).sum(axis=-1).min(axis=1)
        far = int(np.argmax(distance2 * np.sqrt(weight)))
        if distance2[far] < _NEAR**2 or weight[far] == 0:
            break
        centres = np.concatenate([centres, points[far][None]])
    for _ in range(25):
        nearest = ((points[:, None] - centres[None]) ** 2).sum(axis=-1).argmin(axis=1)
        total = np.bincount(nearest, weights=weight, minlength=len(centres))
        sums = [np.bincount(nearest, weights=weight * c, minlength=len(centres)) for c in points.T]
        full = total > 0
        moved = np.where(full[:, None], np.stack(sums, axis=1) / np.maximum(total, 1e-9)[:, None], centres)
        if np.array_equal(moved, centres):
            break
        centres = moved
    table = np.zeros(len(counts), dtype=np.intp)
    table[present] = ((points[:, None] - centres[None]) ** 2).sum(axis=-1).argmin(axis=1)
    return centres, table


def _shadow_of(dark: Array, light: Array) -> bool:
    """Return whether `dark` can be `light` in the shade: the same hue, chroma falling with lightness.

    Scaling linear light by s scales L*+16, a* and b* by the cube root of s (CIE 15, above the linear toe). Light
    thrown from yarn to yarn makes shadows richer in colour than that, so chroma may be up to twice as high.
    """
    if dark[0] > light[0] + 2.0:
        return False
    scale = (dark[0] + 16.0) / (light[0] + 16.0)
    if scale < 0.62:  # a quarter of the light: deeper shadows carry no colour worth trusting
        return False
    expected = scale * light[1:]
    chroma = float(np.hypot(*expected))
    if chroma < 9.0:
        return float(np.hypot(*(dark[1:] - expected))) < 9.0
    along = float(dark[1:] @ expected) / chroma
    across = float(abs(dark[1] * expected[1] - dark[2] * expected[0])) / chroma
    return across < max(5.0, 0.2 * along) and 0.6 * chroma - 3.0 < along < 2.0 * chroma + 3.0


def group_clusters(centres: Array, share: Array) -> NDArray[np.intp]:
    """Join clusters that are one yarn in light and shade: alike in hue and found on the same ends.

    `share` is each cluster's share of the ends' middle lines, shape (E, K). Returns the group of every cluster.
    """
    table = np.zeros(len(centres), dtype=np.intp)
    leads: list[int] = []
    for k in np.argsort(-share.sum(axis=0), kind="stable").tolist():
        for group, lead in enumerate(leads):
            dark, light = (k, lead) if centres[k][0] < centres[lead][0] else (lead, k)
            near = float(np.linalg.norm(centres[k] - centres[lead])) < _NEAR
            if near or (_shadow_of(centres[dark], centres[light]) and _together(share[:, k], share[:, lead])):
                table[k] = group
                break
        else:
            table[k] = len(leads)
            leads.append(k)
    return table


def _together(first: Array, second: Array) -> bool:
    """Return whether the scarcer of two clusters shows mostly on ends that also show the other."""
    scarce, other = (first, second) if first.sum() < second.sum() else (second, first)
    if scarce.sum() < 1e-9:
        return True
    return float((scarce * (other > 0.35 * scarce)).sum() / scarce.sum()) > 0.5
