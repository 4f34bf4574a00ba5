"""Reading a photo: every common format, upright, eight bits, three channels, with the tags that matter."""

from __future__ import annotations

import contextlib
import io
import math
import struct
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .errors import PhotoError

if TYPE_CHECKING:
    from PIL import Image

__all__ = ["MAX_MEGAPIXELS", "MIN_SIDE_PX", "Photo", "load_photo"]

MAX_MEGAPIXELS = 250.0  # the largest phone pictures have 200; more is a mistake or a decompression bomb
MIN_SIDE_PX = 64  # below this no thread can be told from its neighbour over a useful distance

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
_READABLE = "Give a JPEG, PNG, TIFF, WebP or HEIC photo."


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """An upright photo.

    Attributes
    ----------
    bgr : ndarray of uint8, shape (M, N, 3)
        Pixels, blue-green-red as OpenCV keeps them, EXIF rotation already applied.
    name : str
        File name without its folder.
    camera : str or None
        Maker and model from the EXIF tags.
    focal_length_mm, focal_length_35mm : float or None
        EXIF focal length and its 35 mm equivalent.
    dpi : float or None
        Resolution tag of the file (None when absent or unequal in x and y).
    """

    bgr: NDArray[np.uint8]
    name: str
    camera: str | None = None
    focal_length_mm: float | None = None
    focal_length_35mm: float | None = None
    dpi: float | None = None


def load_photo(path: Path | str) -> Photo:
    """Read a photo upright.

    Parameters
    ----------
    path : Path or str
        JPEG, PNG, TIFF, WebP, HEIC or another still picture that Pillow reads.

    Returns
    -------
    Photo
        Eight bits, three channels, EXIF rotation applied once, transparency laid over white.

    Raises
    ------
    PhotoError
        Codes ``missing-file``, ``folder-given``, ``not-a-file``, ``unreadable-file``, ``empty-file``, ``not-a-picture``,
        ``truncated-file``, ``too-many-pixels``, ``too-small``.
    """
    path = Path(path)
    data = _read_bytes(path)
    _reject_foreign(data, path.name)
    image, is_heif = _open(data, path.name)
    with image:
        _check_size(image.size, path.name)
        exif = _exif_of(image, data)
        bgr = _decode(image, data, path.name)
        # Asked only now: Pillow turns a TIFF on loading and then drops the tag.
        bgr = _turn(bgr, _heif_orientation(image, data) if is_heif else _orientation(_exif_of(image, data)))
        focal_mm, focal_35mm = _focal_lengths(exif)
        return Photo(
            bgr=bgr,
            name=path.name,
            camera=_camera(exif),
            focal_length_mm=focal_mm,
            focal_length_35mm=focal_35mm,
            dpi=_resolution(image, exif),
        )


def _read_bytes(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise PhotoError("folder-given", f"{path.name or path} is a folder.", "Give one photo inside it.")
        if path.exists() and not path.is_file():  # a pipe or device may never end
            raise PhotoError(
                "not-a-file", f"{path.name} is no file but a device.", "Give the file of a photo."
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise PhotoError(
            "missing-file", f"There is no file {path}.", "Check the spelling and the folder."
        ) from None
    except (OSError, ValueError) as err:  # ValueError: a null character in the name
        reason = err.strerror if isinstance(err, OSError) and err.strerror else str(err)
        raise PhotoError(
            "unreadable-file",
            f"{path.name} cannot be opened ({reason}).",
            "Check that you may read it, or copy it to another folder.",
        ) from None
    if not data:
        raise PhotoError(
            "empty-file",
            f"{path.name} is empty.",
            "Copy the photo from the phone again; the transfer failed.",
        )
    return data


def _reject_foreign(data: bytes, name: str) -> None:
    """Name the common things that are no photo, so that the message can say what to do."""
    head = data[:1024].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if head.startswith(b"%pdf"):
        raise PhotoError(
            "not-a-picture",
            f"{name} is a PDF document, not a photo.",
            "Export the page as PNG, then use --scan.",
        )
    if head.startswith((b"<svg", b"<?xml", b"<!doctype", b"<html")):
        raise PhotoError("not-a-picture", f"{name} is a drawing or web page, not a photo.", _READABLE)


@contextlib.contextmanager
def _quiet_pillow() -> Iterator[Any]:
    """Give Pillow's Image module with its own size limit lifted; ours is checked before any decoding."""
    from PIL import Image

    limit = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # damaged tags are no news for a weaver
            yield Image
    finally:
        Image.MAX_IMAGE_PIXELS = limit


def _is_heif(data: bytes) -> bool:
    brands = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
    return data[4:8] == b"ftyp" and data[8:12] in brands and b"avif" not in data[8:40]


def _open(data: bytes, name: str) -> tuple[Image.Image, bool]:
    """Read the header only. Returns the lazy picture and whether libheif reads it."""
    try:
        if _is_heif(data):
            import pillow_heif

            heif = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
            _check_size(heif.size, name)
            return heif.to_pillow(), True
        with _quiet_pillow() as pillow:
            if data.startswith(b"\xff\xd8\xff"):
                # Asked for by name, Pillow need not load its readers of other formats first.
                from PIL.JpegImagePlugin import JpegImageFile

                return JpegImageFile(io.BytesIO(data)), False
            return pillow.open(io.BytesIO(data)), False
    except PhotoError:
        raise
    except Exception as err:
        # A decoder may fail with nearly any exception on a damaged file; for the weaver it is one case.
        if _has_picture_signature(data):
            raise PhotoError(
                "truncated-file", f"{name} is damaged or cut short.", "Copy the photo from the phone again."
            ) from err
        what = "a text file" if _looks_like_text(data) else "not a picture that can be read"
        raise PhotoError("not-a-picture", f"{name} is {what}.", _READABLE) from err


def _has_picture_signature(data: bytes) -> bool:
    starts = (b"\xff\xd8\xff", b"\x89PNG\r\n", b"II*\x00", b"MM\x00*", b"GIF8", b"BM")
    return data.startswith(starts) or data[8:12] == b"WEBP" or _is_heif(data)


def _looks_like_text(data: bytes) -> bool:
    try:
        return "\x00" not in data[:512].decode("utf-8", errors="strict")
    except UnicodeDecodeError:
        return False


def _check_size(size: tuple[int, int], name: str) -> None:
    width, height = size
    if width * height > MAX_MEGAPIXELS * 1e6:
        raise PhotoError(
            "too-many-pixels",
            f"{name} claims {width} x {height} pixels, more than {MAX_MEGAPIXELS:.0f} megapixels.",
            "Reduce it, or crop it to the sample and the card.",
        )
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoError(
            "too-small",
            f"{name} is only {width} x {height} pixels.",
            "Give the photo itself, not its thumbnail.",
        )


def _exif_of(image: Image.Image, data: bytes) -> Any:
    """Return the EXIF tags without decoding pixels (Pillow decodes a PNG whole to look behind its pixels)."""
    if image.format == "PNG" and b"eXIf" not in data and b"Raw profile type" not in data:
        return {}
    try:
        with _quiet_pillow():
            return image.getexif()
    except _TAG_DAMAGE:  # damaged tags are treated as absent
        return {}


def _orientation(exif: Any) -> int:
    value = exif.get(_ORIENTATION, 1)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _heif_orientation(image: Image.Image, data: bytes) -> int:
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


def _focal_lengths(exif: Any) -> tuple[float | None, float | None]:
    try:
        with _quiet_pillow():
            tags = exif.get_ifd(_EXIF_IFD) if hasattr(exif, "get_ifd") else {}
    except _TAG_DAMAGE:  # damaged tags are treated as absent
        tags = {}
    return _positive(tags.get(_FOCAL_LENGTH)), _positive(tags.get(_FOCAL_LENGTH_35MM))


def _camera(exif: Any) -> str | None:
    parts = [str(exif.get(tag) or "").replace("\x00", "").strip() for tag in (_MAKE, _MODEL)]
    maker, model = parts
    if maker and model.lower().startswith(maker.lower()):
        maker = ""
    return " ".join(part for part in (maker, model) if part) or None


def _resolution(image: Image.Image, exif: Any) -> float | None:
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


def _decode(image: Image.Image, data: bytes, name: str) -> NDArray[np.uint8]:
    bgr = None
    if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
        if not _jpeg_is_complete(data):
            raise _truncated(name)
        bgr = _decode_with_opencv(data)
    elif image.format == "PNG" and _is_plain_png(data, image):
        _check_png_sums(data, name)
        bgr = _decode_with_opencv(data)
    if bgr is None:
        bgr = _decode_with_pillow(image, name)
    return bgr


def _truncated(name: str) -> PhotoError:
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
        with _quiet_pillow() as pillow:
            pillow.open(io.BytesIO(data)).verify()
    except Exception as err:  # Pillow raises SyntaxError, OSError or struct.error here
        raise _truncated(name) from err


def _decode_with_pillow(image: Image.Image, name: str) -> NDArray[np.uint8]:
    try:
        with _quiet_pillow():
            image.load()
            rgb = _to_rgb(image)
    except MemoryError:
        raise
    except Exception as err:  # a decoder may fail with nearly any exception on a damaged file
        raise _truncated(name) from err
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


def _turn(bgr: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Apply the EXIF orientation (CIPA DC-008, tag 274: 2 and 4 mirror, 5 and 7 transpose, 3, 6, 8 turn)."""
    if orientation in (5, 6, 7, 8):
        bgr = np.asarray(cv2.transpose(bgr), dtype=np.uint8)
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(orientation)
    return bgr if flip is None else np.asarray(cv2.flip(bgr, flip), dtype=np.uint8)
