"""A band made up pick by pick, as the tracking would hand it on; nothing here is measured."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from pickglass.measure.stations import BandTrace


def made_trace(
    spacings_mm: np.ndarray,
    *,
    width_mm: float | np.ndarray = 30.0,
    bow_mm: float = 0.0,
    skew: float = 0.0,
    ends: int = 24,
    photo: str = "made.jpg",
    shed_lengths_mm: np.ndarray | None = None,
) -> BandTrace:
    """Return a band with these distances from pick to pick, a parabolic bow and a lean."""
    picks = np.concatenate([[0.0], np.cumsum(spacings_mm)])
    share = np.linspace(-1, 1, 24)
    u = np.tile(share * float(np.mean(width_mm)) / 2, (len(picks), 1))
    v = picks[:, None] + bow_mm * (1 - share**2)[None] + skew * u
    edge = np.arange(0.0, picks[-1] + 1e-9, 5.0)
    half = np.broadcast_to(np.asarray(width_mm, dtype=float) / 2, edge.shape)
    end_u = np.linspace(-0.48, 0.48, ends) * float(np.mean(width_mm))
    along = np.linspace(0, picks[-1], 24)
    if shed_lengths_mm is None:
        shed_lengths_mm = np.full(len(picks), float(np.mean(spacings_mm)))
    runs = len(shed_lengths_mm)
    return BandTrace(
        photo=photo,
        pick_mm=picks,
        inferred=np.zeros(len(picks), dtype=bool),
        pick_u_mm=u,
        pick_v_mm=v,
        end_u_mm=np.tile(end_u[:, None], (1, 24)),
        end_v_mm=np.tile(along, (ends, 1)),
        edge_mm=edge,
        left_mm=-half.copy(),
        right_mm=half.copy(),
        shed_edge_mm=np.concatenate([[0.0], np.cumsum(shed_lengths_mm)]) - float(np.mean(spacings_mm)) / 2,
        shed_strength=np.full(runs, 0.9),
        shed_support=np.full((2, runs), 0.5),
        streaks=np.zeros((0, 4)),
        origin_v_mm=0.0,
        length_factor=1.0,
    )


def nearly_hidden_step() -> np.ndarray:
    """Return distances from pick to pick that scatter by 5 % and are 8 % closer from the 36th on, at about 72 mm."""
    beat = np.random.default_rng(9).normal(0, 0.05, 72)
    beat[36:] -= 0.08
    return np.asarray(2.0 * np.exp(gaussian_filter1d(beat, 0.6, mode="nearest")))
