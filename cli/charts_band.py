"""The band to scale with beat and width beneath it, for a report: one chart whose places lie above each other."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import cv2
import numpy as np

from ..calibration.units import MM_PER_INCH
from .svg import DOT, INK, LINE, QUIET, RULE, WARM, bare, chart_figure, chart_style, svg_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..measure.evenness import Evenness
    from .evenness_chart import View

__all__ = ["band_chart", "calm_limits"]

STRIP_IN = (0.45, 1.9)  # the picture of the band is never thinner or taller
AXES_IN = 4.1  # about what the labels leave of the width
BEAT_IN, WIDTH_ROW_IN = 1.9, 1.6
LEAST_RANGE = 0.06  # an even band must not look wild: the axis spans at least this share of the mean


def band_chart(key: str, evenness: Evenness, views: Sequence[View], *, title: str, description: str) -> str:
    """Return an SVG element: the cloth, picks per inch and width along the warp, steps and faults marked by number."""
    at = [edge for view in views for edge in view.at_mm]
    across = [edge for view in views for edge in view.u_mm]
    length, height = max(at) - min(at), max(across) - min(across)
    strip_in = float(np.clip(AXES_IN * height / length, *STRIP_IN))
    widths = [(s.at_mm, s.width_mm) for s in evenness.stations if s.width_mm is not None]
    rows = [strip_in, BEAT_IN, *([WIDTH_ROW_IN] if widths else [])]
    with chart_style(key):
        figure = chart_figure(sum(rows) + 0.9)
        strip, beat, *rest = figure.subplots(len(rows), 1, sharex=True, height_ratios=rows)
        for view in views:
            strip.imshow(
                view.rgb,
                extent=(*view.at_mm, *view.u_mm),
                origin="lower",
                aspect="auto",
                interpolation="none",
            )
        strip.set_xlim(min(at), max(at))
        strip.set_ylim(min(across), max(across))
        strip.set_yticks([])
        bare(strip, keep=())
        _draw_beat(beat, evenness)
        for axes in rest:
            places, values = zip(*widths, strict=True)
            axes.plot(places, values, color=WARM, marker="s", markersize=4, linewidth=1.8, linestyle="--")
            calm_limits(axes, values)
            axes.set_ylabel("width, mm")
        below = [beat, *rest]
        for axes in below:
            axes.grid(color=RULE, linewidth=0.8)
            bare(axes)
        below[-1].set_xlabel("mm along the warp")
        _mark(strip, below, evenness)
        text = svg_text(figure, key, title, description)
    return re.sub(r'data:image/png;base64,([^"]*)', _as_jpeg, text)


def _draw_beat(axes: Axes, evenness: Evenness) -> None:
    trace = evenness.trace
    middle = (trace.pick_mm[1:] + trace.pick_mm[:-1]) / 2
    axes.plot(middle, MM_PER_INCH / np.maximum(trace.spacings_mm, 1e-6), color=DOT, linewidth=0.9)
    values = [s.picks_per_inch for s in evenness.stations]
    axes.plot(
        [s.at_mm for s in evenness.stations], values, color=LINE, marker="o", markersize=4, linewidth=2.0
    )
    calm_limits(axes, values, spread=MM_PER_INCH / np.maximum(trace.spacings_mm, 1e-6))
    axes.set_ylabel("picks / inch")


def calm_limits(
    axes: Axes, values: Sequence[float], *, spread: np.typing.NDArray[np.float64] | None = None
) -> None:
    """Let the axis hold all of `values`, and of `spread` the middle, but never so near that an even band looks wild."""
    low, high = min(values), max(values)
    if spread is not None:  # single picks may stick out of the picture, the stations never
        low, high = min(low, float(np.quantile(spread, 0.03))), max(high, float(np.quantile(spread, 0.97)))
    middle, reach = (low + high) / 2, max((high - low) * 0.58, LEAST_RANGE / 2 * (low + high) / 2)
    axes.set_ylim(middle - reach, middle + reach)


def _mark(strip: Axes, below: Sequence[Axes], evenness: Evenness) -> None:
    for number, step in enumerate(evenness.steps, 1):
        for axes in (strip, *below):
            axes.axvline(step.at_mm, color=INK, linestyle=(0, (5, 3)), linewidth=1.4)
        axes = below[0] if step.of == "beat" else below[-1]
        axes.annotate(
            f"step {number}", (step.at_mm, 1.0), xycoords=("data", "axes fraction"), xytext=(3, -11),
            textcoords="offset points", bbox={"facecolor": "white", "edgecolor": "none", "pad": 1, "alpha": 0.85},
        )  # fmt: skip
    for number, fault in enumerate(evenness.faults, 1):
        for axes in below:
            axes.axvline(fault.at_mm, color=QUIET, linestyle=":", linewidth=1.2)
        # The triangle points at the place itself, the number stands beside it.
        for text, side, away in (("▾", "center", 0), (str(number), "right", -6)):
            strip.annotate(
                text, (fault.at_mm, 1.0), xycoords=("data", "axes fraction"), xytext=(away, 1),
                textcoords="offset points", ha=side, va="bottom", annotation_clip=False,
            )  # fmt: skip


def _as_jpeg(found: re.Match[str]) -> str:
    """Turn the picture that matplotlib laid into the chart into a JPEG, a tenth of the size."""
    data = np.frombuffer(base64.b64decode(re.sub(r"\s|&#10;", "", found[1])), np.uint8)
    picture = cv2.imdecode(data, cv2.IMREAD_COLOR)
    if picture is None:
        return found[0]
    done, coded = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 82])
    return f"data:image/jpeg;base64,{base64.b64encode(bytes(coded)).decode('ascii')}" if done else found[0]
