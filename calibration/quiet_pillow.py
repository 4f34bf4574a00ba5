"""Pillow with its own limit and its warnings off, for photos whose size is checked before any decoding."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Iterator
from typing import Any

__all__ = ["quiet_pillow"]


@contextlib.contextmanager
def quiet_pillow() -> Iterator[Any]:
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
