"""Reading a photo: every common format, upright, eight bits, three channels, with the tags that matter."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .errors import PhotoError
from .photo_decode import decode, truncated, turn_upright
from .photo_tags import (
    camera_of,
    exif_of,
    focal_lengths_of,
    heif_orientation_of,
    orientation_of,
    resolution_of,
)
from .quiet_pillow import quiet_pillow

if TYPE_CHECKING:
    from PIL import Image

__all__ = ["MAX_MEGAPIXELS", "MIN_SIDE_PX", "Photo", "load_photo"]

MAX_MEGAPIXELS = 250.0  # the largest phone pictures have 200; more is a mistake or a decompression bomb
MIN_SIDE_PX = 64  # below this no thread can be told from its neighbour over a useful distance

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
        exif = exif_of(image, data)
        bgr = decode(image, data, path.name)
        # Asked only now: Pillow turns a TIFF on loading and then drops the tag.
        bgr = turn_upright(
            bgr, heif_orientation_of(image, data) if is_heif else orientation_of(exif_of(image, data))
        )
        focal_mm, focal_35mm = focal_lengths_of(exif)
        return Photo(
            bgr=bgr,
            name=path.name,
            camera=camera_of(exif),
            focal_length_mm=focal_mm,
            focal_length_35mm=focal_35mm,
            dpi=resolution_of(image, exif),
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
        with quiet_pillow() as pillow:
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
            raise truncated(name) from err
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
