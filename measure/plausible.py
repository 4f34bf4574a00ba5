"""A sett that no yarn allows: the scale was given wrong, which is said before anybody warps by it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ..calibration.notices import Notice

if TYPE_CHECKING:
    from .sett import SettMeasurement

__all__ = ["doubt_impossible"]

# The finest of Taylor's table, cotton of count 200, is set at 390 ends per inch (Cotton Weaving and Designing, 6th ed.
# 1909, p. 458).
FINEST_PER_INCH = 400.0
COARSEST_PER_INCH = 1.0  # threads of an inch are ropes (common practice)


def doubt_impossible(measurement: SettMeasurement) -> SettMeasurement:
    """Return the measurement, *unsure* where its ends or picks lie closer or wider apart than yarns can.

    A card in the photo can hardly bring that about, but pixels per millimetre that were given with a slip do.
    """
    result = measurement.result
    impossible = [
        (name, reading.per_inch)
        for name, reading in (("ends", result.ends), ("picks", result.picks))
        if reading.per_inch is not None and not COARSEST_PER_INCH <= reading.per_inch <= FINEST_PER_INCH
    ]
    if not impossible:
        return measurement
    name, per_inch = max(impossible, key=lambda pair: max(pair[1], 1.0 / pair[1]))
    way = "more" if per_inch > FINEST_PER_INCH else "fewer"
    text = (
        f"{per_inch:.3g} {name} per inch are {way} than yarns allow, so the scale is wrong. Divide the pixels of a known "
        "length in the photo by its millimetres, or lay a card beside the cloth."
    )
    doubt = Notice("scale-impossible", text, doubt=True)
    return replace(measurement, result=replace(result, verdict="unsure", notices=(*result.notices, doubt)))
