"""Measuring woven samples in straightened photos.

For a Python program: ``from pickglass.measure import measure_photo, sett_record, to_dict``. Names are loaded when they
are first asked for, so that importing this package costs nothing.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .library import measure_photo
    from .records import sett_record, to_dict
    from .sett import SettMeasurement, SettOptions

__all__ = ["SettMeasurement", "SettOptions", "measure_photo", "sett_record", "to_dict"]

_HOMES = {
    "SettMeasurement": "sett",
    "SettOptions": "sett",
    "measure_photo": "library",
    "sett_record": "records",
    "to_dict": "records",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f".{_HOMES[name]}", __name__), name)
