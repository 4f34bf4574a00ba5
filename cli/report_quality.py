"""The part of a report that says what its photos were like and what better ones would bring."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from .photo_words import GOOD_ENOUGH, quality_rows
from .report_blocks import Block, Facts, Pair, Points, Section, Words

if TYPE_CHECKING:
    from ..measure.photo_quality import PhotoQuality

__all__ = ["BETTER", "quality_section"]

BETTER = "What another photo would bring, the most helpful first:"


def quality_section(photos: Sequence[tuple[str, PhotoQuality | None]]) -> Section:
    """Return the section about the photos that were judged, each by its name as it is shown; nothing for the others."""
    judged = [(name, quality) for name, quality in photos if quality is not None]
    if len(judged) == 1:
        return Section("The photo itself", _about(judged[0][1], ()))
    columns = [_about(quality, (("photo", name),)) for name, quality in judged]
    return Section("The photos themselves", [Pair(columns)] if columns else [])


def _about(quality: PhotoQuality, first: Sequence[tuple[str, str]]) -> list[Block]:
    facts = Facts([*first, *quality_rows(quality)])
    if not quality.advice:
        return [facts, Words(GOOD_ENOUGH)]
    return [facts, Words(BETTER), Points([advice.text for advice in quality.advice], ordered=True)]
