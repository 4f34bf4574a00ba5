"""Charts for reports: spacings of threads, readings beside each other, shares of a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..calibration.units import MM_PER_INCH
from .svg import DOT, LINE, QUIET, RULE, bare, chart_figure, chart_style, svg_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Reading", "Spacings", "compare_chart", "line_chart", "shares_chart", "spacing_chart", "stretches"]

HEIGHT_IN = 3.0
RUN = 8  # an even number: spacings that alternate (threads in pairs) cancel; short enough to show a step
STRETCHES = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Spacings:
    """Spacings of neighbouring threads of one system.

    Attributes
    ----------
    name : str
        ``"ends"`` or ``"picks"``.
    at : ndarray of shape (N,)
        Where each spacing lies, counted from the first thread; millimetres, or pixels without a scale.
    spacing : ndarray of shape (N,)
        Distance between two neighbours, in the same unit.
    scaled : bool
        True when the unit is the millimetre.
    """

    name: str
    at: NDArray[np.float64]
    spacing: NDArray[np.float64]
    scaled: bool

    @property
    def running(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Where, and the mean of every `RUN` neighbouring spacings (of all, where there are fewer)."""
        run = min(RUN, len(self.spacing))
        weights = np.full(run, 1.0 / run)
        return np.convolve(self.at, weights, "valid"), np.convolve(self.spacing, weights, "valid")


def stretches(spacings: Spacings) -> list[tuple[float, float, float]]:
    """Return (from, to, threads per inch) of five equal stretches; threads per 1000 px without a scale."""
    edges = np.linspace(0.0, float(spacings.at[-1] + spacings.spacing[-1] / 2), STRETCHES + 1)
    rows = []
    for low, high in pairwise(edges):
        inside = spacings.spacing[(spacings.at >= low) & (spacings.at < high)]
        if len(inside):
            unit = MM_PER_INCH if spacings.scaled else 1000.0
            rows.append((float(low), float(high), unit / float(inside.mean())))
    return rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One dot of a comparison: a density with its 95 % uncertainty, and whether it is sure."""

    label: str
    value: float
    u95: float
    sure: bool = True


def compare_chart(
    key: str,
    readings: Sequence[Reading],
    *,
    unit: str,
    title: str,
    description: str,
    of: str = "photo",
    zero: bool = False,
) -> str:
    """Return an SVG element: readings below each other by their label; `of` names the labels, `zero` draws a line at 0."""
    with chart_style(key):
        figure = chart_figure(max(2.2, 0.9 + 0.26 * len(readings)))
        axes = figure.add_subplot()
        rows = np.arange(len(readings))
        values = np.array([reading.value for reading in readings])
        doubts = np.array([reading.u95 for reading in readings])
        axes.hlines(rows, values - doubts, values + doubts, color=DOT, linewidth=2.2)
        for row, reading in zip(rows, readings, strict=True):
            face = LINE if reading.sure else "white"
            axes.plot(
                reading.value, row, "o", color=LINE, markerfacecolor=face, markersize=7, markeredgewidth=1.8
            )
        axes.set_yticks(rows, [reading.label for reading in readings])
        axes.set_ylim(len(readings) - 0.5, -0.5)
        axes.margins(x=0.06)
        axes.set_xlabel(unit)
        axes.set_ylabel(of)
        if zero:
            axes.axvline(0.0, color=QUIET, linewidth=1.0)
        axes.grid(axis="x", color=RULE, linewidth=0.8)
        bare(axes, keep=("bottom",))
        return svg_text(figure, key, title, description)


def line_chart(
    key: str,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    *,
    band: tuple[NDArray[np.float64], NDArray[np.float64]],
    x_words: str,
    y_words: str,
    title: str,
    description: str,
) -> str:
    """Return an SVG element: a line with its 95 % band, zero marked."""
    with chart_style(key):
        figure = chart_figure(HEIGHT_IN)
        axes = figure.add_subplot()
        axes.fill_between(x, *band, color=RULE, linewidth=0)
        axes.axhline(0.0, color=QUIET, linewidth=1.0, linestyle=(0, (4, 3)))
        axes.plot(x, y, color=LINE, linewidth=2.2)
        axes.margins(x=0.0)
        axes.set_xlabel(x_words)
        axes.set_ylabel(y_words)
        axes.grid(axis="y", color=RULE, linewidth=0.8)
        bare(axes)
        return svg_text(figure, key, title, description)


def shares_chart(
    key: str, shares: Sequence[tuple[str, float]], *, unit: str, title: str, description: str
) -> str:
    """Return an SVG element: bars below each other, each with its name over it so that long names have room."""
    with chart_style(key):
        figure = chart_figure(0.7 + 0.52 * len(shares))
        axes = figure.add_subplot()
        rows = np.arange(len(shares))
        axes.barh(rows, [value for _, value in shares], height=0.36, color=LINE)
        for row, (name, value) in zip(rows, shares, strict=True):
            axes.annotate(
                f"{name}: {value:z.0f} {unit}",
                (0.0, row - 0.24),
                xytext=(2, 0),
                textcoords="offset points",
                va="bottom",
            )
        axes.set_ylim(len(shares) - 0.6, -0.95)
        axes.set_xlim(0, max(100.0 if unit == "%" else 0.0, *(value for _, value in shares)))
        axes.set_yticks([])
        axes.set_xlabel(unit)
        bare(axes, keep=("bottom",))
        return svg_text(figure, key, title, description)


def spacing_chart(spacings: Spacings, *, title: str, description: str) -> str:
    """Return an SVG element: every spacing as a dot, the running mean as a line, density on the right."""
    with chart_style(spacings.name):
        figure = chart_figure(HEIGHT_IN)
        _draw(figure.add_subplot(), spacings)
        return svg_text(figure, spacings.name, title, description)


def _draw(axes: Axes, spacings: Spacings) -> None:
    unit = "mm" if spacings.scaled else "px"
    mean = float(spacings.spacing.mean())
    axes.axhline(mean, color=QUIET, linewidth=1.0, linestyle=(0, (4, 3)))
    axes.plot(spacings.at, spacings.spacing, ".", color=DOT, markersize=5)
    axes.plot(*spacings.running, color=LINE, linewidth=2.2)
    reach = float(np.quantile(np.abs(spacings.spacing - mean), 0.98)) * 1.25
    reach = min(max(reach, 0.12 * mean), 0.8 * mean)  # an even cloth must not look wild
    axes.set_ylim(mean - reach, mean + reach)
    axes.margins(x=0.02)
    way = "across the width from end 1" if spacings.name == "ends" else "along the warp from pick 1"
    axes.set_xlabel(f"{unit} {way}")
    axes.set_ylabel(f"spacing, {unit}")
    axes.grid(axis="y", color=RULE, linewidth=0.8)
    bare(axes)
    scale = MM_PER_INCH if spacings.scaled else 1000.0
    # a density is the unit length over a spacing, and the other way round
    right = axes.secondary_yaxis("right", functions=(lambda s: _over(scale, s), lambda d: _over(scale, d)))
    right.set_ylabel(f"{spacings.name} per inch" if spacings.scaled else f"{spacings.name} per 1000 px")
    right.spines["right"].set_visible(False)


def _over(scale: float, value: Any) -> NDArray[np.float64]:
    return scale / np.maximum(np.asarray(value, dtype=np.float64), 1e-6)
