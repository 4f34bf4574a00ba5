"""What an unsure measurement leaves open and what settles it, for the screen and the report alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .rounding import plain
from .screen import printable

if TYPE_CHECKING:
    from ..measure.results import SettResult

__all__ = ["doubt_advice", "doubt_codes", "doubt_words"]

_TWO_READINGS = ("ends-unsure", "picks-unsure")
_CONTRADICTED = "hint-contradicted"
_TOLD_OTHERWISE = (
    "ends-differ",
    "ends-outside-expectation",
    "picks-outside-expectation",
    "weave-differs",
    "ends-against-photo",
    "picks-against-photo",
)
# These say themselves what to do.
_COMPLETE = (
    "ends-passed-over",
    "picks-passed-over",
    "ends-few",
    "picks-few",
    "turned-far",
    "scale-impossible",
)
_NO_REASON = "What was found is not sure enough to warp by."
_NEARER = "take a sharper photo from nearer, with light from the side"


def doubt_codes(result: SettResult) -> frozenset[str]:
    """Return the codes of the notices that `doubt_words` says, so that nothing is said twice."""
    if result.verdict != "unsure":
        return frozenset()
    codes = {notice.code for notice in result.notices if notice.doubt}
    return frozenset(codes | set(_TOLD_OTHERWISE) if _CONTRADICTED in codes else codes)


def doubt_words(result: SettResult) -> list[str]:
    """Return one sentence for each thing in doubt, both readings with their figures; nothing unless unsure."""
    if result.verdict != "unsure":
        return []
    notices = {notice.code: printable(notice.text) for notice in result.notices}
    texts = []
    for name, reading in (("ends", result.ends), ("picks", result.picks)):
        if f"{name}-unsure" not in notices:
            continue
        unit = "per 1000 px" if reading.per_inch is None else "per inch"
        first = plain(reading.per_1000_px if reading.per_inch is None else reading.per_inch)
        if reading.alternatives_per_inch:
            others = " or as ".join(plain(other) for other in reading.alternatives_per_inch)
            texts.append(f"The {name} can be read as {first} or as {others} {unit}; the first is likelier.")
        else:
            texts.append(f"The {name} were read as {first} {unit}, but not surely enough to warp by.")
    contradictions = [notices[code] for code in _TOLD_OTHERWISE if code in notices]
    for notice in result.notices:
        if notice.code == _CONTRADICTED and contradictions:
            texts += contradictions
        elif notice.doubt and notice.code not in _TWO_READINGS:
            texts.append(printable(notice.text))
    return list(dict.fromkeys(texts)) or [_NO_REASON]


def doubt_advice(result: SettResult) -> str:
    """Return what the weaver can do about it; empty where what is in doubt says so itself, or nothing is."""
    if result.verdict != "unsure":
        return ""
    codes = {notice.code for notice in result.notices if notice.doubt}
    if _CONTRADICTED in codes:
        return f"{_count_by_eye(result)}; correct what you told, or leave it out, or {_NEARER}."
    if "woven-unsure" in codes:
        # Nothing that is told makes a cloth woven, so no option is named.
        return f"If it is knitted, felted or printed, it cannot be measured. If it is woven, {_NEARER}."
    readings = [code for code in _TWO_READINGS if code in codes]
    if readings or not codes:
        names = [code.removesuffix("-unsure") for code in readings] or ["ends", "picks"]
        scaled = result.ends.per_inch is not None
        examples = {"ends": "20..30", "picks": "10..14"} if scaled else {"ends": "60..90", "picks": "60..90"}
        options = ", ".join(f"--expect-{name} {examples[name]}" for name in names)
        told = f"{_count_by_eye(result)} and say what you found ({options})"
        if not scaled:
            told = f"{_count_by_eye(result)} and say which reading is right ({options}, per 1000 pixels)"
        warped = "the number of ends you warped (--ends-warped 48) or " if "ends" in names else ""
        return f"{told}, give {warped}the weave (--weave plain), or {_NEARER}."
    return "" if codes <= set(_COMPLETE) else f"{_NEARER[0].upper()}{_NEARER[1:]}."


def _count_by_eye(result: SettResult) -> str:
    if result.ends.per_inch is not None:
        return "Count one inch by eye"
    return "Count the threads between two marks by eye (--picture marks.jpg)"
