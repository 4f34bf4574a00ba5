"""A drawn piece of cloth on a table whose outermost ends may lie closer and whose selvedges may wander.

The selvedges show the turns of the weft, the table has a grain, and the outline is as rough as the product finds it. One maker for the
tests and for the table of accuracy (`accuracy/edges.py`), which draws its pieces at random.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from cloth import Camera, Setting, Yarn, make_cloth

__all__ = ["Piece", "Selvedges", "draw_selvedges", "random_selvedges"]

CLOSENESS = (1.0, 1.0, 0.85, 0.75, 0.65, 0.55)  # of the usual spacing; every third piece is not crowded
WANDER = (0.0, 0.3, 0.6, 1.0)  # spacings
BESIDE = 6.0  # spacings of table beside the cloth
Rng = np.random.Generator


@dataclass(frozen=True, kw_only=True)
class Selvedges:
    """What to draw: `crowded` ends at the right selvedge lie at `closeness` of their spacing, both wander by `wander` spacings."""

    pitch_px: float = 12.0
    pick_pitch_px: float = 12.0
    ends: int = 30
    rows: int = 420
    weave: str = "plain"
    yarns: tuple[Yarn, Yarn] = field(default_factory=lambda: (Yarn(), Yarn()))
    end_setting: Setting = field(default_factory=Setting)
    pick_setting: Setting = field(default_factory=Setting)
    closeness: float = 1.0
    crowded: int = 5
    wander: float = 0.0
    seed: int = 5


@dataclass(frozen=True)
class Piece:
    """A drawn piece: the picture, its rough outline, and what is true of it."""

    bgr: NDArray[np.uint8]
    mask: NDArray[np.bool_]
    drawn: Selvedges


@dataclass(frozen=True)
class _Place:
    """Where on the table every pixel lies: `across` from the left selvedge, in a piece `length_px` wide."""

    across: NDArray[np.float64]
    length_px: float
    left: NDArray[np.float64]
    right: NDArray[np.float64]
    x: NDArray[np.float64]

    @property
    def inside(self) -> NDArray[np.bool_]:
        return (self.across >= 0) & (self.across <= self.length_px)


def _wave(rng: Rng, rows: int, sigma_px: float) -> NDArray[np.float64]:
    """Smooth noise of mean 0 and spread 1."""
    reach = 4 * int(sigma_px)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_px) ** 2)
    noise = np.convolve(rng.standard_normal(rows + 2 * reach), kernel, "valid")[:rows]
    return np.asarray((noise - noise.mean()) / noise.std())


def _yarns(rng: Rng) -> tuple[Yarn, Yarn]:
    ends, picks = (tuple(float(v) for v in rng.uniform(0.25, 0.9, 3)) for _ in range(2))
    if rng.random() < 0.35:
        picks = ends
    return (
        Yarn(
            cover=float(rng.uniform(0.55, 1.0)),
            cover_cv=float(rng.uniform(0.04, 0.12)),
            slub=float(rng.uniform(0, 0.1)),
            wander=float(rng.uniform(0, 0.08)),
            colours=(ends,),
        ),
        Yarn(
            cover=float(rng.uniform(0.55, 1.0)),
            slub=float(rng.uniform(0, 0.1)),
            wander=float(rng.uniform(0, 0.05)),
            colours=(picks,),
        ),
    )


def random_selvedges(rng: Rng) -> Selvedges:
    """Return a piece drawn at random; what is drawn next from `rng` is its picture."""
    pitch = float(rng.uniform(6.5, 13.0))
    pick_pitch = pitch * float(rng.uniform(0.75, 1.4))
    count = int(rng.integers(24, 60))
    rows = int(pick_pitch * rng.integers(50, 100))
    return Selvedges(
        pitch_px=pitch,
        pick_pitch_px=pick_pitch,
        ends=count,
        rows=rows,
        yarns=_yarns(rng),
        weave=str(rng.choice(["plain", "plain", "plain", "twill 2/2"])),
        end_setting=Setting(cv=float(rng.uniform(0.02, 0.08))),
        pick_setting=Setting(cv=float(rng.uniform(0.02, 0.08))),
        seed=int(rng.integers(1 << 30)),
        closeness=float(rng.choice(CLOSENESS)),
        crowded=int(rng.integers(3, 7)),
        wander=float(rng.choice(WANDER)),
    )


def draw_selvedges(what: Selvedges, rng: Rng) -> Piece:
    """Draw one piece; `rng` gives the course of its selvedges, their turns, the table and the noise."""
    pitch, pick_pitch = what.pitch_px, what.pick_pitch_px
    cloth = make_cloth(
        (what.rows, int(pitch * (what.ends + 8))),
        end_pitch_px=pitch,
        pick_pitch_px=pick_pitch,
        weave=what.weave,
        ends=what.yarns[0],
        picks=what.yarns[1],
        end_setting=what.end_setting,
        pick_setting=what.pick_setting,
        camera=Camera(blur_px=0.0, noise=0.0),
        seed=what.seed,
    )
    inside = np.sort(cloth.ends_px)[3 : 3 + what.ends]
    first_px, last_px = inside[0] - pitch / 2, inside[-1] + pitch / 2
    knee_px = inside[-1 - what.crowded] + pitch / 2 - first_px
    length_px = knee_px + (last_px - first_px - knee_px) * what.closeness
    place = _placed(rng, what.rows, length_px, what.wander * pitch, (pitch, pick_pitch))
    drawn_px = np.where(
        place.across < knee_px, place.across, knee_px + (place.across - knee_px) / what.closeness
    )
    level = np.broadcast_to(np.arange(what.rows, dtype=np.float32)[:, None], drawn_px.shape)
    piece = cv2.remap(cloth.bgr, (first_px + drawn_px).astype(np.float32), level, cv2.INTER_CUBIC)
    turn_px = pitch * float(rng.uniform(0.3, 0.7))
    bgr = _on_table(rng, piece, place, turn_px, np.sort(cloth.picks_px), what.yarns[1].colours[0])
    return Piece(bgr, _outline(rng, place, turn_px, (pitch, pick_pitch)), what)


def _placed(rng: Rng, rows: int, length_px: float, wander_px: float, pitch_px: tuple[float, float]) -> _Place:
    beside = int(BESIDE * pitch_px[0])
    left = 0.7 * wander_px * _wave(rng, rows, 10 * pitch_px[1])
    right = length_px + wander_px * _wave(rng, rows, 10 * pitch_px[1])
    x = np.arange(int(length_px) + 2 * beside, dtype=np.float64)[None] - beside
    across = (x - left[:, None]) * (length_px / (right - left)[:, None])
    return _Place(across, length_px, left, right, x)


def _on_table(
    rng: Rng,
    piece: NDArray[np.uint8],
    place: _Place,
    turn_px: float,
    picks_px: NDArray[np.float64],
    colour: tuple[float, float, float],
) -> NDArray[np.uint8]:
    """Lay the cloth on a table, with a turn of the weft beside every second pick."""
    rows = len(piece)
    table = rng.uniform(40, 210, 3) + rng.normal(0, 4, (rows, piece.shape[1], 1))
    picture = np.where(place.inside[..., None], piece, table)
    passed = np.interp(np.arange(rows), picks_px, np.arange(len(picks_px)))
    shade = (0.8 + 0.2 * np.sin(np.pi * passed))[:, None, None]
    for far in (False, True):
        bump = turn_px * np.sqrt(np.clip(1 - ((passed + far) % 2 - 1) ** 2 / 0.36, 0, 1))[:, None]
        beyond = place.across - place.length_px if far else -place.across
        picture = np.where(
            ((beyond > 0) & (beyond < bump))[..., None], np.array(colour) * 200 * shade, picture
        )
    blurred = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), float(rng.uniform(0.4, 0.9)))
    return np.clip(blurred + rng.normal(0, 3, blurred.shape), 0, 255).astype(np.uint8)


def _outline(rng: Rng, place: _Place, turn_px: float, pitch_px: tuple[float, float]) -> NDArray[np.bool_]:
    """Outline as the product finds it: means over some picks, the turns counted by half."""
    rows = np.arange(len(place.left))
    width = int(2.8 * pitch_px[1]) | 1
    stations = np.linspace(0, rows[-1], max(4, len(rows) // width))

    def smooth(edge: NDArray[np.float64]) -> NDArray[np.float64]:
        mean = cv2.blur(edge[:, None], (1, width))[:, 0]
        return np.interp(rows, stations, np.interp(stations, rows, mean))[:, None]

    low = smooth(place.left - turn_px / 2) + rng.normal(0, 0.1 * pitch_px[0])
    high = smooth(place.right + turn_px / 2) + rng.normal(0, 0.1 * pitch_px[0])
    return np.asarray((place.x >= low) & (place.x <= high))
