"""What was asked for, in words: told in reports, and part of what makes two results comparable."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .pipeline import Request

__all__ = ["options_text"]


def options_text(request: Request) -> str:
    """Return what was asked for beyond the defaults, such as ``"weave=plain; ends warped=48"``."""
    parts = []
    for field in fields(request):
        value = getattr(request, field.name)
        if value == field.default:
            continue
        if isinstance(value, float):
            value = f"{value:g}"
        elif isinstance(value, tuple):
            value = ",".join(f"{part:g}" for part in value)
        name = field.name.replace("_", " ")
        parts.append(name if value is True else f"{name}={value}")
    return "; ".join(parts)
