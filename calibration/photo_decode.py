"""Decoding a photo's pixels: OpenCV where it reads the same and faster, Pillow for everything else."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .errors import PhotoError
from .quiet_pillow import quiet_pillow

if TYPE_CHECKING:
    from PIL import Image

__all__ = ["decode", "truncated", "turn_upright"]


def decode(image: Image.Image, data: bytes, name: str) -> NDArray[np.uint8]:
    """Return the pixels of an opened picture, blue-green-red, shape (M, N, 3), as the file holds them.

    Raises
    ------
    PhotoError
        ``truncated-file``.
    """
    bgr = None
    if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
        if not _jpeg_is_complete(data):
            raise truncated(name)
        bgr = _decode_with_opencv(data)
    elif image.format == "PNG" and _is_plain_png(data, image):
        _check_png_sums(data, name)
        bgr = _decode_with_opencv(data)
    if bgr is None:
        bgr = _decode_with_pillow(image, name)
    return bgr


def truncated(name: str) -> PhotoError:
    """Return the error of a file that ends early or was damaged."""
    return PhotoError(
        "truncated-file", f"{name} is damaged or cut short.", "Copy the photo from the phone again."
    )


def _decode_with_opencv(data: bytes) -> NDArray[np.uint8] | None:
    level = cv2.utils.logging.getLogLevel()
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    try:
        flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
        bgr = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), flags)
    except cv2.error:
        return None
    finally:
        cv2.utils.logging.setLogLevel(level)
    return None if bgr is None else np.asarray(bgr, dtype=np.uint8)


def _jpeg_is_complete(data: bytes) -> bool:
    """Tell whether the main picture's end marker is there (decoders fill the missing rest with grey)."""
    position = 2
    while position + 4 <= len(data):
        if data[position] != 0xFF:
            return False
        marker = data[position + 1]
        if marker == 0xFF:  # fill byte
            position += 1
            continue
        if marker == 0xDA:  # start of scan; entropy-coded data never holds an end marker
            return data.find(b"\xff\xd9", position) > 0
        position += 2 + int.from_bytes(data[position + 2 : position + 4], "big")
    return False


def _is_plain_png(data: bytes, image: Image.Image) -> bool:
    """Tell whether OpenCV reads this PNG as Pillow would: eight bits, no transparency, complete."""
    bit_depth, colour_type = data[24], data[25]
    return (
        bit_depth == 8
        and colour_type in (0, 2)
        and "transparency" not in image.info
        and b"IEND" in data[-4096:]
    )


def _check_png_sums(data: bytes, name: str) -> None:
    """Check the sums of all chunks first: OpenCV's decoder would report damage on stderr only."""
    try:
        with quiet_pillow() as pillow:
            pillow.open(io.BytesIO(data)).verify()
    except Exception as err:  # Pillow raises SyntaxError, OSError or struct.error here
        raise truncated(name) from err


def _decode_with_pillow(image: Image.Image, name: str) -> NDArray[np.uint8]:
    try:
        with quiet_pillow():
            image.load()
            rgb = _to_rgb(image)
    except MemoryError:
        raise
    except Exception as err:  # a decoder may fail with nearly any exception on a damaged file
        raise truncated(name) from err
    return np.ascontiguousarray(rgb[..., ::-1])


def _to_rgb(image: Image.Image) -> NDArray[np.uint8]:
    from PIL import Image

    mode = image.mode
    if mode.startswith("I") or mode == "F":
        return np.repeat(_eight_bits(np.asarray(image), mode)[..., None], 3, axis=2)
    has_alpha = mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in image.info
    if has_alpha:
        image = image.convert("RGBA")
        white = Image.new("RGBA", image.size, (255, 255, 255, 255))
        image = Image.alpha_composite(white, image)
    return np.asarray(image.convert("RGB"), dtype=np.uint8)


def _eight_bits(values: NDArray[Any], mode: str) -> NDArray[np.uint8]:
    """Scale one channel of 16 or 32 bits to 8."""
    numbers = np.nan_to_num(values.astype(np.float32))
    top = float(numbers.max(initial=0.0))
    if mode == "F" and top <= 1.0:
        full = 1.0
    elif mode.startswith("I;16") or top > 255.0:
        full = 65535.0
    else:
        full = 255.0
    return np.asarray(np.clip(np.rint(numbers * (255.0 / full)), 0, 255), dtype=np.uint8)


def turn_upright(bgr: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Apply the EXIF orientation (CIPA DC-008, tag 274: 2 and 4 mirror, 5 and 7 transpose, 3, 6, 8 turn)."""
    if orientation in (5, 6, 7, 8):
        bgr = np.asarray(cv2.transpose(bgr), dtype=np.uint8)
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(orientation)
    return bgr if flip is None else np.asarray(cv2.flip(bgr, flip), dtype=np.uint8)
