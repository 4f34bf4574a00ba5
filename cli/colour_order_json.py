"""The key ``colour_order`` of a saved measurement: what `pickglass plan --sample` reads back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..measure.end_colours import ColourReading

__all__ = ["colour_order_document"]


def colour_order_document(reading: ColourReading) -> dict[str, Any] | None:
    """Return order, palette and unsure ends, left to right; None when no end shows."""
    from ..measure.colour_order import find_symmetry, write_order

    if not reading.visible:
        return None
    paints = {
        name: "#{:02x}{:02x}{:02x}".format(*(int(c) for c in rgb))
        for name, rgb in zip(reading.names, reading.palette_srgb, strict=True)
    }
    return {
        "order": write_order(reading.order),
        "palette": paints,
        "unsure_ends": list(reading.unsure),
        "symmetry": find_symmetry(reading.order).kind,
        "ends": [
            {
                "number": end.number,
                "colour": reading.names[end.colour],
                "margin": end.margin,
                "sure": end.sure,
            }
            for end in reading.ends
        ],
    }
