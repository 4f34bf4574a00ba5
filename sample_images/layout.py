"""Where every end and pick lies in the plane of the cloth: uneven beat, draw-in, bow, skew, steps and gaps."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from drafts import interlacing, sheds
from numpy.typing import NDArray
from scene_spec import Cloth
from scipy.ndimage import gaussian_filter1d

__all__ = ["INCH_MM", "Layout", "make_layout", "smooth_noise", "stream"]

INCH_MM = 25.4
Array = NDArray[np.float64]

# Share of the crimp that the warp takes, where the spec leaves it open.
CRIMP_SHARE = {"warp_faced": 0.9, "weft_faced": 0.1, "satin5": 0.42, "satin8": 0.4}
# Ends that no pick separates slide together; hand-sleyed pairs do so in other weaves.
PAIRING = {"basket22": 0.08, "weft_rib": 0.08}
CROWDED = 0.62  # of the usual distance between ends, at an edge that was drawn in too hard
STEP_MM = 3.0  # within which the width follows a step: cloth does not kink


def stream(seed: int, name: str) -> np.random.Generator:
    """Return a random generator of its own for each purpose, so that one change does not move all others."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def smooth_noise(rng: np.random.Generator, shape: tuple[int, ...], sigma: float) -> Array:
    """Return noise of unit variance, smoothed along the last axis with a Gaussian of `sigma` samples."""
    pad = int(4 * sigma) + 1
    raw = rng.standard_normal((*shape[:-1], shape[-1] + 2 * pad))
    out = gaussian_filter1d(raw, sigma, axis=-1, mode="nearest")[..., pad:-pad]
    # The variance of white noise after a Gaussian filter is 1 / (2 sigma sqrt(pi)).
    return np.asarray(out * np.sqrt(2.0 * max(sigma, 0.29) * np.sqrt(np.pi)))


@dataclass(frozen=True)
class Layout:
    """Threads in the fabric frame.

    Attributes
    ----------
    warp_up : ndarray of bool, shape (P, N)
    pick_v_mm, end_u_mm : ndarray, shape (P,), (N,)
        Nominal positions: picks at u = 0, ends at the middle of the length.
    grid_v, grid_u : ndarray, shape (Mv,), (Mu,)
        Nodes at which the wandering of ends and picks is given.
    end_wander, pick_wander : ndarray, shape (N, Mv), (P, Mu)
    width_factor, drift : ndarray, shape (Mv,)
    """

    cloth: Cloth
    warp_up: NDArray[np.bool_]
    pick_v_mm: Array
    end_u_mm: Array
    grid_v: Array
    grid_u: Array
    end_wander: Array
    pick_wander: Array
    width_factor: Array
    drift: Array

    @property
    def length_mm(self) -> float:
        """Distance from the first to the last pick."""
        return float(self.pick_v_mm[-1] - self.pick_v_mm[0])

    @property
    def half_width_mm(self) -> float:
        """Half the distance between the outermost ends."""
        return float(self.end_u_mm[-1] - self.end_u_mm[0]) / 2.0

    def ends_at(self, v: Array) -> Array:
        """Return u of every end at its own v; `v` has shape (N, K)."""
        flat = v.ravel()
        factor = np.interp(flat, self.grid_v, self.width_factor).reshape(v.shape)
        drift = np.interp(flat, self.grid_v, self.drift).reshape(v.shape)
        wander = np.stack([np.interp(row, self.grid_v, w) for row, w in zip(v, self.end_wander, strict=True)])
        return np.asarray(self.end_u_mm[:, None] * factor + drift + wander)

    def picks_at(self, u: Array) -> Array:
        """Return v of every pick at its own u; `u` has shape (P, K)."""
        wander = np.stack(
            [np.interp(row, self.grid_u, w) for row, w in zip(u, self.pick_wander, strict=True)]
        )
        bow = -self.cloth.bow_mm * (u / self.half_width_mm) ** 2
        return np.asarray(self.pick_v_mm[:, None] + bow + self.cloth.skew_mm_per_mm * u + wander)

    def crossings(self) -> tuple[Array, Array]:
        """Return (u, v) of every crossing, each of shape (P, N)."""
        picks, ends = len(self.pick_v_mm), len(self.end_u_mm)
        v = np.broadcast_to(self.pick_v_mm[:, None], (picks, ends))
        for _ in range(3):
            u = self.ends_at(np.ascontiguousarray(v.T)).T
            v = self.picks_at(np.ascontiguousarray(u))
        return u, v


def _end_positions(cloth: Cloth, seed: int) -> Array:
    rng = stream(seed, "ends")
    n = cloth.ends
    spacing = 1.0 + cloth.end_cv * np.clip(rng.standard_normal(n - 1), -2.5, 2.5)
    middle = (np.arange(n - 1) + 0.5) / (n - 1)
    edge = np.minimum(middle, 1.0 - middle)
    spacing *= 1.0 - cloth.selvedge_crowding * np.exp(-edge / 0.06)
    pairing = PAIRING.get(cloth.weave, 0.0) if cloth.pairing is None else cloth.pairing
    spacing[::2] *= 1.0 - pairing
    spacing[1::2] *= 1.0 + pairing
    spacing *= INCH_MM / cloth.epi / spacing.mean()
    for fault in cloth.faults:
        if fault.kind == "missing_end":
            spacing[fault.end_index] *= 1.75
        elif fault.kind == "crowded_edge":
            side = slice(0, fault.length) if fault.end_index < n / 2 else slice(n - 1 - fault.length, n - 1)
            spacing[side] *= CROWDED
    u = np.concatenate([[0.0], np.cumsum(spacing)])
    return np.asarray((u - u[-1] / 2.0) * (1.0 - cloth.wash.weft_percent / 100.0))


def _pick_positions(cloth: Cloth, seed: int) -> Array:
    rng = stream(seed, "picks")
    n = cloth.picks - 1
    spacing_mm = INCH_MM / cloth.ppi
    slow = smooth_noise(rng, (n,), 12.0 / spacing_mm)
    # Successive picks make up for each other: one beaten hard leaves room that the next one takes.
    fast = np.clip(rng.standard_normal(n + 1), -2.3, 2.3)
    fast = (fast[1:] - 0.4 * fast[:-1]) / np.sqrt(1.16)
    spacing = 1.0 + cloth.beat_cv * fast + cloth.beat_drift * slow
    spacing *= spacing_mm / spacing.mean()
    for step in cloth.steps:
        spacing[step.pick_index :] *= step.factor
    for fault in cloth.faults:
        if fault.kind == "missed_pick":
            spacing[fault.pick_index] *= 1.75
        elif fault.kind == "double_pick":
            spacing[fault.pick_index] *= 0.62
    v = np.concatenate([[0.0], np.cumsum(spacing)])
    return v * (1.0 - cloth.wash.warp_percent / 100.0)


def make_layout(cloth: Cloth, seed: int) -> Layout:
    """Place all ends and picks."""
    end_u, pick_v = _end_positions(cloth, seed), _pick_positions(cloth, seed)
    rows = sheds(cloth.picks, cloth.faults)
    edge_ends = cloth.sides == "selvedge" and cloth.weave not in ("plain", "warp_faced", "weft_faced")
    edge_ends = edge_ends or any(f.kind in ("missed_pick", "double_pick") for f in cloth.faults)
    up = interlacing(cloth.weave, cloth.ends, rows, cloth.faults, edge_ends=edge_ends)
    # Noise lives on the grid of the unwashed cloth, so that washing moves the same threads.
    keep_v = 1.0 - cloth.wash.warp_percent / 100.0
    keep_u = 1.0 - cloth.wash.weft_percent / 100.0
    margin = cloth.fringe_mm + 5.0
    length, width = pick_v[-1] / keep_v, (end_u[-1] - end_u[0]) / keep_u
    mv, mu = int(length + 2 * margin) + 1, int(2 * width) + 20
    grid_v = np.linspace(-margin, length + margin, mv) * keep_v
    grid_u = np.linspace(-width / 2 - 4.0, width / 2 + 4.0, mu) * keep_u
    rng = stream(seed, "wander")
    pick_mm, end_mm = INCH_MM / cloth.ppi, INCH_MM / cloth.epi
    du = (width + 8.0) / (mu - 1)
    wave = smooth_noise(rng, (mv,), 22.0)
    width_factor = 1.0 + 0.5 * cloth.draw_in * (wave - np.interp(grid_v.mean(), grid_v, wave))
    for step in cloth.width_steps:
        turn = (grid_v - pick_v[step.pick_index]) / STEP_MM
        width_factor *= 1.0 + (step.factor - 1.0) * np.clip(turn + 0.5, 0.0, 1.0)
    drift = 0.25 * smooth_noise(rng, (mv,), 30.0)
    # Neighbours share most of their wandering (they press on each other), the rest is their own.
    ends_own = smooth_noise(rng, (cloth.ends, mv), 4.0) * 0.045 * end_mm
    ends_shared = gaussian_filter1d(smooth_noise(rng, (cloth.ends, mv), 8.0), 3.0, axis=0) * 0.35 * end_mm
    picks_own = smooth_noise(rng, (cloth.picks, mu), 3.0 / du) * 0.04 * pick_mm
    picks_shared = smooth_noise(rng, (cloth.picks, mu), 10.0 / du)
    picks_shared = gaussian_filter1d(picks_shared, 3.0, axis=0) * 0.25 * pick_mm
    for fault in cloth.faults:
        if fault.kind == "loose_end":
            at = pick_v[fault.pick_index]
            bump = np.exp(-(((grid_v - at) / (0.5 * fault.length * pick_mm)) ** 2))
            ends_own[fault.end_index] += 0.3 * end_mm * bump * np.sin(grid_v / (1.7 * pick_mm))
    return Layout(
        cloth=cloth,
        warp_up=up,
        pick_v_mm=pick_v,
        end_u_mm=end_u,
        grid_v=grid_v,
        grid_u=grid_u,
        end_wander=ends_own + ends_shared,
        pick_wander=picks_own + picks_shared,
        width_factor=width_factor,
        drift=drift,
    )
