"""Chart of a series of washes: both directions, with error bars, told apart without colour."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

from ..calibration.errors import UsageError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .shrinkage_run import Series

__all__ = ["draw_series", "series_svg"]


def draw_series(series: Series, path: Path) -> bytes:
    """Return the chart in the format that `path` ends in (.png or .svg)."""
    try:
        import matplotlib
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise UsageError(
            "no-matplotlib",
            "Drawing the chart needs the package matplotlib, which is not installed.",
            "Install it with: pip install matplotlib",
        ) from error
    matplotlib.rcParams["svg.hashsalt"] = "pickglass"  # the same chart, the same file
    figure = Figure(figsize=(6.4, 4.0), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    _draw(axes, series)
    axes.set_title("Change of size; bars: 95 % uncertainty; minus is shrinkage", fontsize=10)
    axes.legend()
    out = io.BytesIO()
    kind = path.suffix.lower().lstrip(".")
    figure.savefig(out, format=kind, dpi=150, metadata={"Date": None} if kind == "svg" else None)
    return out.getvalue()


def series_svg(series: Series) -> str:
    """Return the chart as an SVG element for a report."""
    from .svg import bare, chart_figure, chart_style, svg_text

    told = "; ".join(
        f"{k + 2}. {stage}: length {size.warpwise.change_percent:+z.1f} %, width {size.weftwise.change_percent:+z.1f} %"
        for k, (stage, size) in enumerate(zip(series.stages[1:], series.from_first, strict=True))
    )
    with chart_style("washes"):
        figure = chart_figure(3.3)
        axes = figure.add_subplot()
        _draw(axes, series)
        axes.set_ylabel("change, %")
        axes.legend(frameon=False, fontsize=11, loc="lower left")
        bare(axes)
        return svg_text(figure, "washes", "Change against the first photo after each wash", f"{told}.")


def _draw(axes: Axes, series: Series) -> None:
    places = range(len(series.stages))
    for way, marker, line, colour, shift in (
        ("warpwise", "o", "-", "#000000", -0.04),
        ("weftwise", "s", "--", "#0072b2", 0.04),
    ):
        changes = [getattr(size, way) for size in series.from_first]
        axes.errorbar(
            [k + shift for k in places],
            [0.0, *(c.change_percent for c in changes)],
            yerr=[0.0, *(c.u95_percent for c in changes)],
            marker=marker,
            linestyle=line,
            color=colour,
            capsize=4,
            label=f"{way} ({'length' if way == 'warpwise' else 'width'})",
        )
    axes.set_xticks(list(places), [f"{k + 1}. {stage}" for k, stage in enumerate(series.stages)])
    axes.axhline(0.0, color="0.6", linewidth=0.8)
    axes.set_ylabel(f"change against the first photo ({series.stages[0]}), %")
