"""The band drawn to scale, with charts of beat and width under it on the same axis, and crops of the faults.

Everything can be read in grey: lines differ by stroke and marker, steps and faults carry letters and numbers.
"""
# ruff: noqa: TID253  (loaded only when a picture is to be drawn)

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..calibration.errors import UsageError
from ..calibration.units import MM_PER_INCH
from .charts_band import calm_limits
from .drawing import stroke
from .evenness_words import FAULT_NAMES

if TYPE_CHECKING:
    from ..measure.evenness import Evenness
    from ..measure.faults import Fault
    from .evenness_run import Part, Run

__all__ = ["View", "draw_chart", "fault_crops", "fault_views", "views_of"]

Picture = NDArray[np.uint8]

CHART_WIDTH_IN = 11.0
MARGIN_IN = (0.9, 0.4)  # left and right of the axes
BAND_HEIGHT_IN = (0.7, 7.0)  # never thinner or taller
ROW_IN = 1.9
HEAD_IN = 0.45  # the title
LABEL_PT, LABEL_ROW_IN, POINTS_PER_INCH = 8.0, 0.17, 72.0  # words over the band that name its faults
LONGEST_PX = 2400
DOTS_PER_INCH = 150
BLUE, ORANGE, GREY = (
    "#0072B2",
    "#D55E00",
    "#777777",
)  # told apart by every kind of colour vision (Okabe and Ito)
CROP_MM = 12.0
LEAST_CROP_PX = 480


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One piece of cloth lying along the chart: at_mm to the right, u_mm up."""

    rgb: Picture
    at_mm: tuple[float, float]
    u_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Label:
    """Words over the band that point at a fault: which row above the cloth, and whether left of the place."""

    text: str
    at_mm: float
    row: int
    to_left: bool


def draw_chart(found: Run, suffix: str) -> bytes:
    """Return the chart as a file's bytes, ``".png"`` or ``".svg"``.

    Raises
    ------
    UsageError
        If matplotlib is not installed.
    """
    try:
        import matplotlib
        from matplotlib.figure import Figure
    except ImportError as error:
        raise UsageError(
            "no-matplotlib",
            "The chart is drawn with matplotlib, which is not installed.",
            "Install it with: pip install matplotlib",
        ) from error

    bands = views_of(found)
    axes_in = CHART_WIDTH_IN - sum(MARGIN_IN)
    heights = [_band_height(views, axes_in) for _, _, views in bands]
    labels = [_fault_labels(evenness, *_span(views)[:2], axes_in) for _, evenness, views in bands]
    heads = [HEAD_IN + LABEL_ROW_IN * _rows(placed) for placed in labels]
    total = sum(head + h + 2 * ROW_IN + 1.0 for head, h in zip(heads, heights, strict=True))
    with matplotlib.rc_context({"svg.hashsalt": "pickglass", "font.size": 9}):
        figure = Figure(figsize=(CHART_WIDTH_IN, total), dpi=DOTS_PER_INCH, facecolor="white")
        top = total
        for (name, evenness, views), height, head, placed in zip(bands, heights, heads, labels, strict=True):
            top -= head
            _draw_band(figure, name, evenness, views, placed, top_in=top, height_in=height, total_in=total)
            top -= height + 2 * ROW_IN + 1.0
        out = io.BytesIO()
        kind = suffix.lstrip(".")
        figure.savefig(out, format=kind, metadata={"Date": None} if kind == "svg" else {"Software": None})
    return out.getvalue()


def views_of(found: Run, *, longest_px: int = LONGEST_PX) -> list[tuple[str, Evenness, list[View]]]:
    """Return (name, what is known, pictures in their places) of every band: one when the photos were joined."""
    if found.joined is not None:
        views = [
            _view(part, put.start_mm, longest_px) for part, put in zip(found.parts, found.placed, strict=True)
        ]
        return [(f"{len(found.parts)} photos of one band", found.joined, views)]
    return [(p.measurement.result.photo, p.evenness, [_view(p, 0.0, longest_px)]) for p in found.parts]


def _span(views: Sequence[View]) -> tuple[float, float, float, float]:
    at = [edge for view in views for edge in view.at_mm]
    u = [edge for view in views for edge in view.u_mm]
    return min(at), max(at), min(u), max(u)


def _band_height(views: Sequence[View], axes_in: float) -> float:
    at_low, at_high, u_low, u_high = _span(views)
    return float(np.clip(axes_in * (u_high - u_low) / (at_high - at_low), *BAND_HEIGHT_IN))


def _draw_band(
    figure: Any,
    name: str,
    evenness: Evenness,
    views: Sequence[View],
    labels: Sequence[_Label],
    *,
    top_in: float,
    height_in: float,
    total_in: float,
) -> None:
    at_low, at_high, u_low, u_high = _span(views)
    left, width = MARGIN_IN[0] / CHART_WIDTH_IN, 1 - sum(MARGIN_IN) / CHART_WIDTH_IN

    def axes(top: float, height: float) -> Any:
        return figure.add_axes((left, (top - height) / total_in, width, height / total_in))

    band = axes(top_in, height_in)
    for view in views:
        extent = (*view.at_mm, *view.u_mm)
        band.imshow(view.rgb, extent=extent, origin="lower", aspect="auto", interpolation="antialiased")
    # The strip keeps the proportions of the cloth unless the band is very long or the sample very wide.
    shape = (u_high - u_low) / (at_high - at_low) * (CHART_WIDTH_IN - sum(MARGIN_IN)) / height_in
    note = "" if abs(shape - 1) < 0.02 else f" (width drawn {1 / shape:z.1f} times the length's scale)"
    above = POINTS_PER_INCH * LABEL_ROW_IN * _rows(labels)
    band.set_title(f"{_plain(name)}{note}", loc="left", fontsize=10, pad=8 + above)
    band.set_ylabel("across, mm")
    band.set_ylim(u_low, u_high)
    beat = axes(top_in - height_in - 0.15, ROW_IN - 0.15)
    _draw_beat(beat, evenness)
    width_axes = axes(top_in - height_in - ROW_IN - 0.15, ROW_IN - 0.15)
    _draw_width(width_axes, evenness)
    for one in (band, beat, width_axes):
        one.set_xlim(at_low, at_high)
    band.tick_params(labelbottom=False)
    beat.tick_params(labelbottom=False)
    width_axes.set_xlabel("along the warp from the first pick seen, mm")
    for number, step in enumerate(evenness.steps, 1):
        target = beat if step.of == "beat" else width_axes
        for one in (band, beat, width_axes):
            one.axvline(step.at_mm, color="black", linestyle=(0, (5, 3)), linewidth=1.2)
        target.annotate(
            f"step {number}: {step.change_percent:+z.0f} %",
            (step.at_mm, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3, -10),
            textcoords="offset points",
            fontweight="bold",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1},
        )
    for label in labels:
        _draw_label(band, label)
        for one in (beat, width_axes):
            one.axvline(label.at_mm, color=GREY, linestyle=":", linewidth=1.0)


def _fault_labels(evenness: Evenness, at_low: float, at_high: float, axes_in: float) -> list[_Label]:
    """Return the words over the band, each in the lowest row where they touch no others.

    They are set from the right to the left, so that no pointer runs through the words of another fault.
    """
    from matplotlib.textpath import TextPath

    labels: list[_Label] = []
    taken: list[tuple[float, float, int]] = []  # from, to, row of what is placed already
    for number, fault in sorted(enumerate(evenness.faults, 1), key=lambda pair: -pair[1].at_mm):
        text = f"{number} {FAULT_NAMES[fault.kind]}"
        wide = float(TextPath((0, 0), text, size=LABEL_PT).get_extents().width) / POINTS_PER_INCH + 0.15
        at = (fault.at_mm - at_low) / (at_high - at_low) * axes_in
        to_left = at + wide > axes_in
        low, high = (at - wide, at + 0.06) if to_left else (at - 0.06, at + wide)
        row = max((other + 1 for start, end, other in taken if low < end and start < high), default=0)
        taken.append((low, high, row))
        labels.append(_Label(text=text, at_mm=fault.at_mm, row=row, to_left=to_left))
    return labels


def _rows(labels: Sequence[_Label]) -> int:
    return max((label.row + 1 for label in labels), default=0)


def _draw_label(band: Any, label: _Label) -> None:
    lift = 3 + POINTS_PER_INCH * LABEL_ROW_IN * label.row
    place = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points", "annotation_clip": False}
    # The line is drawn from the words down to the edge of the cloth, the triangle at its foot.
    band.annotate("", (label.at_mm, 1.0), xytext=(0, lift + 6), arrowprops={"arrowstyle": "-", "linewidth": 0.7}, **place)  # fmt: skip
    band.annotate("▼", (label.at_mm, 1.0), xytext=(0, 0), ha="center", va="bottom", fontsize=7, **place)
    side = -5 if label.to_left else 5
    band.annotate(
        label.text, (label.at_mm, 1.0), xytext=(side, lift), ha="right" if label.to_left else "left",
        va="bottom", fontsize=LABEL_PT, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5}, **place,
    )  # fmt: skip


def _draw_beat(axes: Any, evenness: Evenness) -> None:
    trace = evenness.trace
    middle = (trace.pick_mm[1:] + trace.pick_mm[:-1]) / 2
    axes.plot(
        middle,
        MM_PER_INCH / np.maximum(trace.spacings_mm, 1e-6),
        color=GREY,
        linewidth=0.7,
        label="pick to pick",
    )
    at = [s.at_mm for s in evenness.stations]
    values = [s.picks_per_inch for s in evenness.stations]
    axes.plot(at, values, color=BLUE, marker="o", markersize=4, linewidth=1.8, label="stations")
    calm_limits(axes, [*values, *(MM_PER_INCH / np.maximum(trace.spacings_mm, 1e-6))])
    axes.set_ylabel("picks per inch")
    axes.grid(alpha=0.3)
    # In the gap above, where it hides no pick.
    axes.legend(
        loc="lower right", bbox_to_anchor=(1.0, 0.985), ncol=2, fontsize=7, frameon=False, borderaxespad=0
    )


def _draw_width(axes: Any, evenness: Evenness) -> None:
    seen = [(s.at_mm, s.width_mm) for s in evenness.stations if s.width_mm is not None]
    if seen:
        axes.plot([a for a, _ in seen], [w for _, w in seen], color=ORANGE, marker="s", markersize=4,
                  linewidth=1.8, linestyle="--")  # fmt: skip
        calm_limits(axes, [w for _, w in seen])
    else:
        axes.text(0.5, 0.5, "the selvedges are not seen", transform=axes.transAxes, ha="center")
    axes.set_ylabel("width, mm")
    axes.grid(alpha=0.3)


def _view(part: Part, start_mm: float, longest_px: int) -> View:
    patch, trace = part.measurement.patch, part.evenness.trace
    rows, columns = patch.bgr.shape[:2]
    factor = trace.length_factor
    scale = min(1.0, longest_px / max(rows, columns))
    small = (
        patch.bgr
        if scale == 1.0
        else cv2.resize(patch.bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    )
    turned = np.ascontiguousarray(np.swapaxes(small, 0, 1)[..., ::-1])
    v0 = (patch.v0_mm - trace.origin_v_mm) * factor + start_mm
    u0 = patch.u0_mm * factor
    return View(
        rgb=np.asarray(turned, dtype=np.uint8),
        at_mm=(v0, v0 + rows / patch.px_per_mm * factor),
        u_mm=(u0, u0 + columns / patch.px_per_mm * factor),
    )


def fault_crops(found: Run) -> Iterator[tuple[str, bytes]]:
    """Yield a file name and the PNG of the cloth around every fault, ticks pointing at it from both sides."""
    for band, number, fault, view in fault_views(found):
        done, data = cv2.imencode(".png", view)
        if not done:
            raise ValueError("OpenCV could not encode a crop")
        yield _crop_name(band, number, fault), bytes(data)


def fault_views(found: Run) -> Iterator[tuple[int, int, Fault, Picture]]:
    """Yield the number of the band (0 where there is one), of the fault, the fault, and the cloth around it."""
    if found.joined is not None:
        for number, fault in enumerate(found.joined.faults, 1):
            for part, put in zip(found.parts, found.placed, strict=True):
                at = fault.at_mm - put.start_mm
                if 0 <= at <= part.evenness.trace.length_mm:
                    yield 0, number, fault, _crop(part, fault, at)
                    break
        return
    for band, part in enumerate(found.parts, 1):
        for number, fault in enumerate(part.evenness.faults, 1):
            yield band if len(found.parts) > 1 else 0, number, fault, _crop(part, fault, fault.at_mm)


def _crop_name(band: int, number: int, fault: Fault) -> str:
    which = f"band-{band:02d}-" if band else ""
    return f"{which}fault-{number:02d}-{fault.kind}-at-{fault.at_mm:z.0f}-mm.png"


def _crop(part: Part, fault: Fault, at_mm: float) -> Picture:
    patch, trace = part.measurement.patch, part.evenness.trace
    height, width = patch.bgr.shape[:2]
    row = (at_mm / trace.length_factor + trace.origin_v_mm - patch.v0_mm) * patch.px_per_mm
    column = (fault.across_mm / trace.length_factor - patch.u0_mm) * patch.px_per_mm
    reach = CROP_MM * patch.px_per_mm
    r0, r1 = int(np.clip(row - reach, 0, height - 2)), int(np.clip(row + reach, 2, height))
    c0, c1 = int(np.clip(column - 2 * reach, 0, width - 2)), int(np.clip(column + 2 * reach, 2, width))
    view = np.ascontiguousarray(patch.bgr[r0:r1, c0:c1])
    factor = max(1.0, LEAST_CROP_PX / max(view.shape[:2]))
    view = np.asarray(
        cv2.resize(view, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC), dtype=np.uint8
    )
    y = (row - r0 + 0.5) * factor - 0.5
    for x0, x1 in ((0.0, 0.06), (0.94, 1.0)):
        tick = np.array([[x0, y / view.shape[1]], [x1, y / view.shape[1]]]) * view.shape[1]
        stroke(view, tick, thickness=2)
    if fault.across_size_mm > 0:  # it has a place across the warp too
        x = (column - c0 + 0.5) * factor - 0.5
        for y0, y1 in ((0.0, 0.08), (0.92, 1.0)):
            tick = np.array([[x / view.shape[0], y0], [x / view.shape[0], y1]]) * view.shape[0]
            stroke(view, tick, thickness=2)
    return view


def _plain(text: str) -> str:
    """Return a file name that matplotlib cannot take for a formula."""
    return "".join(c if c.isprintable() else "?" for c in text).replace("$", "\\$")
