"""What the photo was like and what would help most: words for the screen, keys for the JSON document."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from ..calibration.errors import PickglassError
from .screen import paragraph

if TYPE_CHECKING:
    from ..calibration.notices import Notice
    from ..measure.photo_advice import Advice
    from ..measure.photo_quality import PhotoQuality

__all__ = [
    "GOOD_ENOUGH",
    "QUALITY_KEYS",
    "best_advice",
    "naming",
    "quality_document",
    "quality_rows",
    "quality_text",
]

QUALITY_KEYS = (
    "px_per_end",
    "px_per_pick",
    "edge_width_px",
    "blur_per_pitch",
    "contrast_kept",
    "clipped_percent",
    "thread_contrast_percent",
    "tilt_deg",
    "camera_distance_mm",
    "card_seen_percent",
)
GOOD_ENOUGH = "Another photo would hardly be better."
_LEAST_HELP = 0.1  # on the screen only what is worth taking another photo for
# Notes that already say what to do.
_TOLD_BY = {
    "check-bars": ("card-unconfirmed",),
    "flat-card": ("card-curled",),
    "whole-card": ("card-partly-seen", "card-partly-hidden"),
    "original-photo": ("focal-length-unknown",),
    "level": ("tilted",),
    "nearer": ("threads-fine",),
    "finer-scan": ("threads-fine",),
    "sharper": ("soft-focus",),
    "glare": ("partly-overexposed",),
}


@contextmanager
def naming(photo: str) -> Iterator[None]:
    """Let an error about one of several photos name it, where its sentence does not; nothing to name is left alone."""
    try:
        yield
    except PickglassError as error:
        if photo in error.problem:
            raise
        raise type(error)(error.code, f"{photo}: {error.problem}", error.next_step) from error


def best_advice(quality: PhotoQuality, notices: Iterable[Notice]) -> Advice | None:
    """Return the advice that would help most and that no note gives already; None when little would be gained."""
    told = {notice.code for notice in notices}
    for advice in quality.advice:
        if advice.help_share < _LEAST_HELP:
            return None
        if not told.intersection(_TOLD_BY.get(advice.code, ())):
            return advice
    return None


def quality_rows(quality: PhotoQuality) -> list[tuple[str, str]]:
    """Return what is known of the photo: (name, words)."""
    rows = [
        ("pixels", f"{quality.px_per_end:z.1f} from end to end, {quality.px_per_pick:z.1f} from pick to pick")
    ]
    if quality.edge_width_px is not None and quality.blur_per_pitch is not None:
        kept = (
            ""
            if quality.contrast_kept is None
            else f"; it leaves {100 * quality.contrast_kept:z.0f} % of their contrast"
        )
        words = f"edges {quality.edge_width_px:z.1f} pixels wide, {100 * quality.blur_per_pitch:z.0f} % of the finer spacing"
        rows.append(("blur", words + kept))
    light = f"{quality.clipped_percent:z.0f} % of the cloth pure white; threads differ from their gaps by "
    rows.append(("light", f"{light}{quality.thread_contrast_percent:z.0f} % of the brightness"))
    stand = []
    if quality.camera_distance_mm is not None:
        stand.append(f"{quality.camera_distance_mm / 10:z.0f} cm away")
    if quality.tilt_deg is not None:
        stand.append(f"tilted by {quality.tilt_deg:z.0f}°")
    if stand:
        rows.append(("phone", ", ".join(stand)))
    if quality.card_seen_percent is not None:
        rows.append(("card", f"{quality.card_seen_percent:z.0f} % of it could be used"))
    return rows


def quality_text(quality: PhotoQuality, columns: int) -> str:
    """Return all that is known of the photo as text, every advice in order of what it would bring."""
    rows = quality_rows(quality)
    lines = ["  The photo"]
    lines += [
        paragraph(text, columns=columns, first=f"    {name:<8}", indent=" " * 12) for name, text in rows
    ]
    if quality.advice:
        lines.append("  What would help, the most helpful first")
        lines += [
            paragraph(advice.text, columns=columns, first=f"    {number}. ", indent="       ")
            for number, advice in enumerate(quality.advice, start=1)
        ]
    else:
        lines.append(f"  {GOOD_ENOUGH}")
    return "\n".join(lines)


def quality_document(quality: PhotoQuality | None) -> dict[str, Any] | None:
    """Return the key ``photo_quality``."""
    if quality is None:
        return None
    numbers: dict[str, Any] = {key: getattr(quality, key) for key in QUALITY_KEYS}
    return numbers | {
        "advice": [
            {
                "code": advice.code,
                "text": advice.text,
                "doubt_now_percent": advice.doubt_now_percent,
                "doubt_then_percent": advice.doubt_then_percent,
            }
            for advice in quality.advice
        ]
    }
