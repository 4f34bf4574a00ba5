"""Charts as SVG: small files that stay sharp in print, with a title and a description to be read aloud.

Matplotlib is loaded only when a chart is drawn.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "DOT",
    "INK",
    "LETTER_PT",
    "LINE",
    "QUIET",
    "RULE",
    "WARM",
    "WIDTH_IN",
    "bare",
    "chart_figure",
    "chart_style",
    "svg_text",
]

INK, QUIET, RULE = "#1b1a18", "#55514a", "#d5d0c5"
DOT, LINE, WARM = "#8a8478", "#1f3f66", "#a8430a"
WIDTH_IN = 5.0  # drawn for a phone's width, so that its letters can be read there
LETTER_PT = 12.5
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"


@contextmanager
def chart_style(key: str) -> Iterator[None]:
    """Draw in the look of the reports while the block runs; `key` makes what the file refers to inside itself its own."""
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


def chart_figure(height_in: float) -> Figure:
    """Return an empty figure of the one width that charts have."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
    FigureCanvasSVG(figure)
    return figure


def bare(axes: Axes, *, keep: tuple[str, ...] = ("left", "bottom")) -> None:
    """Take away the frame but for the sides in `keep`."""
    axes.set_axisbelow(True)
    for side in ("top", "right", "left", "bottom"):
        axes.spines[side].set_visible(side in keep)


def svg_text(figure: Figure, key: str, title: str, description: str) -> str:
    """Return the figure as a bare `svg` element that can be read aloud; `key` is its own among those of a page."""
    out = io.StringIO()
    figure.savefig(out, format="svg", transparent=True, metadata={"Date": None})
    return _accessible(out.getvalue(), key, title, description)


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
