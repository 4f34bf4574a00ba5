"""How often steps of the beat are found, and where none is, in simulated bands: python -m evenness_bands.power [BANDS]."""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from pickglass.measure.steps import find_changes

PICKS = 72
# Name, scatter of single picks, how far a pick makes up for the one before, slow change within some 25 mm.
KINDS = (
    ("free scatter of 3 %", 0.03, 0.0, 0.0),
    ("free scatter of 5 %", 0.05, 0.0, 0.0),
    ("5 %, picks make up for each other", 0.05, 0.4, 0.0),
    ("5 %, the same, wandering by 1 %", 0.05, 0.4, 0.01),
    ("5 %, the same, wandering by 2 %", 0.05, 0.4, 0.02),
    ("6 %, the same, wandering by 5 %", 0.06, 0.4, 0.05),
)


def simulated(
    rng: np.random.Generator, scatter: float, made_up: float, wander: float, *, step: float = 0.0, at: int = 0
) -> NDArray[np.float64]:
    """Return the logarithms of the spacings of one band, smoothed as the tracking smooths them."""
    beat = rng.standard_normal(PICKS + 1)
    quick = scatter * (beat[1:] - made_up * beat[:-1]) / np.sqrt(1 + made_up**2)
    slow = gaussian_filter1d(rng.standard_normal(PICKS + 100), 6.0)[50:-50] * np.sqrt(12.0 * np.sqrt(np.pi))
    values = quick + wander * slow
    values[at:] += step if at else 0.0
    return np.asarray(gaussian_filter1d(values, 0.6, mode="nearest"))


def main() -> None:
    """Print one line for each kind of scatter."""
    bands = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    rng = np.random.default_rng(20)
    print(f"{'':36s} false   8 % within 3 picks   15 %")
    for name, *kind in KINDS:
        false = sum(bool(find_changes(simulated(rng, *kind), least_size=0.03)) for _ in range(bands))
        shares = []
        for step in (np.log(1.08), np.log(1.15)):
            near = 0
            for _ in range(bands):
                at = int(rng.integers(16, PICKS - 16))
                found = find_changes(simulated(rng, *kind, step=step, at=at), least_size=0.03)
                near += any(abs(c.index - at) <= 3 for c in found)
            shares.append(100 * near / bands)
        print(
            f"{name:36s} {100 * false / bands:4.0f} %   {shares[0]:4.0f} %              {shares[1]:4.0f} %",
            flush=True,
        )


if __name__ == "__main__":
    main()
