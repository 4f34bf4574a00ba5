"""Which way the warp runs, told by the fringe: at two opposite sides threads stick out that no others cross.

A fringe changes across its threads and hardly along them (`fringe.pick_energy`), so beside the sides where the warp ends the
share of change that runs towards the side is far lower than inside the cloth. Beside a selvedge it is as inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .fringe import pick_energy
from .placing import REGION_HALO_CELLS, WorkPicture

__all__ = ["FringeSides", "fringe_sides"]

Mask = NDArray[np.bool_]

# About millimetres inside the region's blurred border that are looked at: shorter fringes tell nothing.
ZONE_UNITS = (1.0, 4.0)
# Of a side's length left out at either corner, where the other sides' fringes may hang over.
CORNER_SHARE = 0.15
CORE = (0.35, 0.65)  # of the region both ways: cloth, however long the fringe
LEAST_SEEN = 0.5  # of a zone that neither the card nor the photo's border may take
# Natural logarithm of the share beside a side over that of the core. In 26 photos of samples with a fringe it lay below -0.4
# at both of its sides in 23, and above -0.6 beside selvedges, save one that reached -0.7 where the fringe had -1.9.
FRINGE, APART = -0.4, 0.4
LEAST_CELLS = 4  # of a region each way, below which there is no side to look at
NOTHING = 1e-6  # keeps the logarithm finite where nothing changes at all


@dataclass(frozen=True, slots=True, kw_only=True)
class FringeSides:
    """How little the picture changes towards each side of a sample beside it, against its middle.

    Attributes
    ----------
    along : tuple of float
        Natural logarithms at both ends of the way taken for the warp's; about 0 in cloth, below in a fringe.
    across : tuple of float
        The same at the two other sides. NaN where the photo or the card hides a side.
    """

    along: tuple[float, float]
    across: tuple[float, float]

    @property
    def warp_along(self) -> bool:
        """Whether the fringe tells that the warp runs as taken."""
        return _clear(self.along, self.across)

    @property
    def warp_across(self) -> bool:
        """Whether the fringe tells that the warp runs at right angles to the way taken."""
        return _clear(self.across, self.along)


def _clear(fringe: tuple[float, float], other: tuple[float, float]) -> bool:
    # A side that is not seen tells nothing, and `max` and `min` may pass over its NaN.
    return max(fringe) < min(FRINGE, min(other) - APART) and not np.isnan((*fringe, *other)).any()


def fringe_sides(work: WorkPicture, energy: NDArray[np.float32]) -> FringeSides:
    """Compare the picture beside the four sides of a sample with its middle.

    Parameters
    ----------
    work : WorkPicture
        The sample straightened along the way taken for the warp's.
    energy : ndarray of float32, shape (M, N)
        `fringe.pick_energy` of that picture.
    """
    if min(np.count_nonzero(work.region.any(axis=axis)) for axis in (0, 1)) < LEAST_CELLS * work.cell_px:
        unseen = (float("nan"), float("nan"))
        return FringeSides(along=unseen, across=unseen)
    crossed = pick_energy(np.ascontiguousarray(work.bgr.transpose(1, 0, 2)), work.inner.T, work.unit_px)
    seen = work.in_photo & ~work.card
    found = []
    for change, region, free in ((energy, work.region, seen), (crossed, work.region.T, seen.T)):
        core = _core(region)
        inside = change[core][free[core]]
        usual = float(inside.mean()) if inside.size else float("nan")
        first, last = (
            _beside_top(change[w], region[w], free[w], work) for w in (slice(None), slice(None, None, -1))
        )
        found.append((_apart(first, usual), _apart(last, usual)))
    return FringeSides(along=found[0], across=found[1])


def _apart(beside: float, usual: float) -> float:
    return float(np.log((beside + NOTHING) / (usual + NOTHING)))


def _core(region: Mask) -> tuple[slice, slice]:
    rows, columns = (np.flatnonzero(region.any(axis=axis)) for axis in (1, 0))
    low, high = ([places[int(share * (len(places) - 1))] for places in (rows, columns)] for share in CORE)
    return slice(low[0], high[0]), slice(low[1], high[1])


def _beside_top(energy: NDArray[np.float32], region: Mask, seen: Mask, work: WorkPicture) -> float:
    """Mean share of change beside the side at the top, NaN where too little of it is seen."""
    columns = np.flatnonzero(region.any(axis=0))
    corner = int(CORNER_SHARE * len(columns))
    chosen = columns[corner : len(columns) - corner]
    border = np.argmax(region[:, chosen], axis=0) + round(REGION_HALO_CELLS * work.cell_px)
    depth = np.arange(round(ZONE_UNITS[0] * work.unit_px), round(ZONE_UNITS[1] * work.unit_px))
    at = border[None, :] + depth[:, None]
    if at.size == 0 or at.max() >= _core(region)[0].stop:
        return float("nan")
    free = seen[at, chosen[None, :]]
    return float(energy[at, chosen[None, :]][free].mean()) if free.mean() >= LEAST_SEEN else float("nan")
