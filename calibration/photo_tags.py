"""The tags of a photo that matter: which way is up, the lens, the camera, the resolution of a scan."""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING, Any

from .quiet_pillow import quiet_pillow

if TYPE_CHECKING:
    from PIL import Image

__all__ = [
    "camera_of",
    "exif_of",
    "focal_lengths_of",
    "heif_orientation_of",
    "orientation_of",
    "resolution_of",
]

# EXIF tag numbers (CIPA DC-008, Exif 2.32)
_MAKE, _MODEL, _ORIENTATION = 0x010F, 0x0110, 0x0112
_X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT = 0x011A, 0x011B, 0x0128
_EXIF_IFD, _FOCAL_LENGTH, _FOCAL_LENGTH_35MM = 0x8769, 0x920A, 0xA405

_TAG_DAMAGE = (
    ArithmeticError,
    AttributeError,
    EOFError,
    LookupError,
    OSError,
    SyntaxError,
    TypeError,
    ValueError,
    struct.error,
)


def exif_of(image: Image.Image, data: bytes) -> Any:
    """Return the EXIF tags without decoding pixels (Pillow decodes a PNG whole to look behind its pixels)."""
    if image.format == "PNG" and b"eXIf" not in data and b"Raw profile type" not in data:
        return {}
    try:
        with quiet_pillow():
            return image.getexif()
    except _TAG_DAMAGE:  # damaged tags are treated as absent
        return {}


def orientation_of(exif: Any) -> int:
    """Return the EXIF orientation, 1 to 8 (CIPA DC-008, tag 274); 1, upright, where there is none."""
    value = exif.get(_ORIENTATION, 1)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def heif_orientation_of(image: Image.Image, data: bytes) -> int:
    """Return what is left to turn: libheif follows the container's own rotation and ignores the EXIF tag.

    Phones write both. Only a file without rotation boxes (ISO/IEC 23008-12, "irot" and "imir") relies on the tag.
    """
    if b"irot" in data or b"imir" in data:
        return 1
    value = image.info.get("original_orientation")
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def focal_lengths_of(exif: Any) -> tuple[float | None, float | None]:
    """Return the focal length and its 35 mm equivalent, both in millimetres; None for what the tags do not say."""
    try:
        with quiet_pillow():
            tags = exif.get_ifd(_EXIF_IFD) if hasattr(exif, "get_ifd") else {}
    except _TAG_DAMAGE:  # damaged tags are treated as absent
        tags = {}
    return _positive(tags.get(_FOCAL_LENGTH)), _positive(tags.get(_FOCAL_LENGTH_35MM))


def camera_of(exif: Any) -> str | None:
    """Return maker and model, the maker's name once."""
    parts = [str(exif.get(tag) or "").replace("\x00", "").strip() for tag in (_MAKE, _MODEL)]
    maker, model = parts
    if maker and model.lower().startswith(maker.lower()):
        maker = ""
    return " ".join(part for part in (maker, model) if part) or None


def resolution_of(image: Image.Image, exif: Any) -> float | None:
    """Return dots per inch from the format's own field, else from EXIF; placeholders only if nothing else."""
    candidates: list[float | None] = []
    if "jfif_density" in image.info:
        per_inch = {1: 1.0, 2: 2.54}.get(image.info.get("jfif_unit", 0), 0.0)
        candidates.append(_agreed(*(per_inch * value for value in image.info["jfif_density"])))
    elif image.format not in ("JPEG", "MPO") and "dpi" in image.info:
        candidates.append(_agreed(*image.info["dpi"]))
    x, y = _positive(exif.get(_X_RESOLUTION)), _positive(exif.get(_Y_RESOLUTION))
    if x and y:
        unit = {2: 1.0, 3: 2.54}.get(exif.get(_RESOLUTION_UNIT, 2), 0.0)
        candidates.append(_agreed(unit * x, unit * y))
    found = [value for value in candidates if value]
    telling = [value for value in found if round(value) not in (72, 96)]  # what programs write by default
    best = telling or found
    return best[0] if best else None


def _agreed(x: float, y: float) -> float | None:
    x_ok, y_ok = _positive(x), _positive(y)
    if not x_ok or not y_ok or abs(x_ok - y_ok) > 0.01 * x_ok or x_ok < 2:  # a TIFF without unit says 1
        return None
    return 0.5 * (x_ok + y_ok)
