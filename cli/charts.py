"""Charts for reports as SVG: small files that stay sharp in print, with a title and a description to be read aloud.

Matplotlib is loaded only when a chart is drawn.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Reading", "Spacings", "compare_chart", "spacing_chart", "stretches"]

INK, QUIET, RULE = "#1b1a18", "#55514a", "#d5d0c5"
DOT, LINE = "#8a8478", "#1f3f66"
FIGURE_IN = (5.0, 3.0)  # drawn for a phone's width, so that its letters can be read there
LETTER_PT = 12.0
RUN = 8  # an even number: spacings that alternate (threads in pairs) cancel; short enough to show a step
STRETCHES = 5
MM_PER_INCH = 25.4
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"


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

    number: int
    value: float
    u95: float
    sure: bool


def compare_chart(key: str, readings: Sequence[Reading], *, unit: str, title: str, description: str) -> str:
    """Return an SVG element: readings of several photos below each other, by the number of the photo."""
    with _style(key):
        figure = _figure(max(2.2, 0.9 + 0.26 * len(readings)))
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
        axes.set_yticks(rows, [str(reading.number) for reading in readings])
        axes.set_ylim(len(readings) - 0.5, -0.5)
        axes.margins(x=0.06)
        axes.set_xlabel(unit)
        axes.set_ylabel("photo")
        axes.grid(axis="x", color=RULE, linewidth=0.8)
        axes.set_axisbelow(True)
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
        return _accessible(_saved(figure), key, title, description)


def spacing_chart(spacings: Spacings, *, title: str, description: str) -> str:
    """Return an SVG element: every spacing as a dot, the running mean as a line, density on the right."""
    with _style(spacings.name):
        figure = _figure(FIGURE_IN[1])
        _draw(figure.add_subplot(), spacings)
        return _accessible(_saved(figure), spacings.name, title, description)


@contextmanager
def _style(key: str) -> Iterator[None]:
    import matplotlib

    style: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": key,  # fixed, so that the same photo gives the same file
        "font.size": LETTER_PT,
        "font.family": "DejaVu Sans",
        "axes.edgecolor": QUIET,
        "axes.labelcolor": INK,
        "xtick.color": QUIET,
        "ytick.color": QUIET,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
    }
    with matplotlib.rc_context(style):
        yield


def _figure(height_in: float) -> Figure:
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(FIGURE_IN[0], height_in), layout="constrained")
    FigureCanvasSVG(figure)
    return figure


def _saved(figure: Figure) -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", transparent=True, metadata={"Date": None})
    return out.getvalue()


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
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    scale = MM_PER_INCH if spacings.scaled else 1000.0
    # a density is the unit length over a spacing, and the other way round
    right = axes.secondary_yaxis("right", functions=(lambda s: _over(scale, s), lambda d: _over(scale, d)))
    right.set_ylabel(f"{spacings.name} per inch" if spacings.scaled else f"{spacings.name} per 1000 px")
    right.spines["right"].set_visible(False)


def _over(scale: float, value: Any) -> NDArray[np.float64]:
    return scale / np.maximum(np.asarray(value, dtype=np.float64), 1e-6)


def _accessible(svg: str, key: str, title: str, description: str) -> str:
    """Return the bare `svg` element with a title and a description, without what only a drawing program needs."""
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", _XLINK)
    root = ElementTree.fromstring(svg[svg.index("<svg") :])
    for child in list(root):
        if child.tag == f"{{{_SVG}}}metadata":
            root.remove(child)
    for name in ("width", "height"):
        root.attrib.pop(name, None)
    root.set("role", "img")
    root.set("class", "chart")
    root.set("aria-labelledby", f"chart-{key}-title chart-{key}-text")
    for place, (tag, text) in enumerate((("title", title), ("desc", description))):
        element = ElementTree.Element(f"{{{_SVG}}}{tag}", id=f"chart-{key}-{'text' if place else 'title'}")
        element.text = text
        root.insert(place, element)
    text = ElementTree.tostring(root, encoding="unicode")
    # Two charts stand in one page: what they refer to inside themselves must not be mixed up.
    text = re.sub(r'id="(?!chart-)', f'id="{key}-', text)
    text = re.sub(r'(href="#|url\(#)', rf"\g<1>{key}-", text)
    return text
