"""What a sample book keeps of a sample: its yarns, and what was measured on the loom, off it and after each wash."""

from __future__ import annotations

import hashlib
import json
import math
import re
import unicodedata
from dataclasses import dataclass
from datetime import date
from typing import Any, NoReturn

from ..calibration.errors import UsageError

__all__ = [
    "DENSITY_RANGE_PER_INCH",
    "FACTS",
    "FACT_WORDS",
    "FIGURES",
    "Record",
    "Sample",
    "check_date",
    "check_document",
    "check_fact",
    "check_hash",
    "check_name",
    "check_notes",
    "check_stage",
    "document_from_figures",
    "figures_of",
    "name_key",
    "newest",
    "photo_word",
    "stage_order",
    "stage_word",
]

FACTS = ("warp_yarn", "weft_yarn", "sett_per_inch", "heddle", "weave")
FACT_WORDS = {
    "warp_yarn": "warp yarn",
    "weft_yarn": "weft yarn",
    "sett_per_inch": "sett",
    "heddle": "heddle",
    "weave": "weave",
}
DENSITY_RANGE_PER_INCH = (0.1, 5000.0)  # as measured: wider than any cloth, so that only nonsense is refused
_SETT_RANGE_PER_INCH = (0.5, 1000.0)
_LONGEST_NAME = 80
_LONGEST_FACT = 200
_LONGEST_NOTES = 20_000
_MOST_WASHES = 999
_DEEPEST = 40
_KINDS = {"pickglass.sett/1": "sett", "pickglass.evenness/1": "evenness"}
_FACES = ("balanced", "warp-faced", "weft-faced")
_VERDICTS = ("measured", "unsure")
# These turn the direction of writing on a terminal or in a table, so that text reads as what it is not.
_TURNING = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")

# The main figures of a measurement: where each stands in the document, and its least and greatest value.
_NUMBERS: dict[str, tuple[tuple[str, str], float, float]] = {
    "ends_per_inch": (("ends", "per_inch"), *DENSITY_RANGE_PER_INCH),
    "ends_u95_per_inch": (("ends", "u95_per_inch"), 0.0, 5000.0),
    "ends_across_width_per_inch": (("ends", "across_width_per_inch"), *DENSITY_RANGE_PER_INCH),
    "ends_per_1000_px": (("ends", "per_1000_px"), 0.0, 1000.0),
    "ends_count": (("ends", "count"), 0.0, 1e6),
    "picks_per_inch": (("picks", "per_inch"), *DENSITY_RANGE_PER_INCH),
    "picks_u95_per_inch": (("picks", "u95_per_inch"), 0.0, 5000.0),
    "picks_per_1000_px": (("picks", "per_1000_px"), 0.0, 1000.0),
    "picks_count": (("picks", "count"), 0.0, 1e6),
    "width_mm": (("sample", "width_mm"), 0.0, 1e5),
    "width_u95_mm": (("sample", "width_u95_mm"), 0.0, 1e5),
    "length_mm": (("sample", "length_mm"), 0.0, 1e7),
}
_LISTS = {
    "ends_alternatives": ("ends", "alternatives_per_inch"),
    "picks_alternatives": ("picks", "alternatives_per_inch"),
}
_WORDS = {"weave_seen": ("weave", "name"), "face": ("weave", "face")}
FIGURES = ("kind", "verdict", *_NUMBERS, *_LISTS, *_WORDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One photo or measurement of a sample.

    Attributes
    ----------
    stage : str
        ``"on-loom"``, ``"off-loom"`` or ``"washed-1"``, ``"washed-2"`` and so on.
    date : str
        Day as YYYY-MM-DD.
    photo : str or None
        File name of the photo, without folders.
    photo_sha256 : str or None
        SHA-256 of the photo's file, 64 hexadecimal digits.
    figures : dict or None
        Main figures of the measurement by the names in `FIGURES`; None when there is only a photo.
    document : dict or None
        The whole measurement; None when there is none, or when only the figures were asked for.
    """

    stage: str
    date: str
    photo: str | None = None
    photo_sha256: str | None = None
    figures: dict[str, Any] | None = None
    document: dict[str, Any] | None = None

    @property
    def fingerprint(self) -> str:
        """Return the SHA-256 that tells one record from another: stage, photo and main figures.

        The day is left out, so that the same measurement kept again tomorrow is still the same.
        """
        facts = [self.stage, self.photo, self.photo_sha256, self.figures]
        text = json.dumps(facts, sort_keys=True, allow_nan=False, separators=(",", ":"))
        return hashlib.sha256(text.encode("ascii")).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """A woven sample; facts that are not known are None, notes are lines of text."""

    name: str
    warp_yarn: str | None = None
    weft_yarn: str | None = None
    sett_per_inch: float | None = None
    heddle: str | None = None
    weave: str | None = None
    notes: tuple[str, ...] = ()
    records: tuple[Record, ...] = ()


def stage_order(stage: str) -> tuple[int, int]:
    """Return a key that sorts stages by the life of a sample."""
    word, _, number = stage.partition("-")
    return ("on", "off", "washed").index(word), int(number) if word == "washed" else 0


def stage_word(stage: str) -> str:
    """Return a stage as it is shown, which is also how it may be typed."""
    return "washed" if stage == "washed-1" else stage


def newest(sample: Sample, stage: str | None = None) -> Record | None:
    """Return the latest measurement: of the given stage, or of the last stage that was measured."""
    measured = [r for r in sample.records if r.figures is not None and stage in (None, r.stage)]
    # `max` keeps the first of equals; the records come in the order they were kept, and the last one counts.
    return max(reversed(measured), key=lambda r: (stage_order(r.stage), r.date), default=None)


def name_key(name: str) -> str:
    """Return what tells names apart: capitals and ways of writing the same letter do not."""
    return unicodedata.normalize("NFKC", name).casefold()


def check_name(value: object, where: str) -> str:
    """Return a tidy name: spaces and line breaks run together."""
    text = _tidy(value, "name of the sample", where, _LONGEST_NAME)
    if not text:
        _refuse("bad-sample-name", f"{where}: the name of the sample is empty.", "Give the sample a name.")
    return text


def check_fact(name: str, value: object, where: str) -> Any:
    """Return a yarn, heddle or weave as tidy text, the sett as a number; None when nothing is said."""
    if name == "sett_per_inch":
        return _figure(value, "sett (ends per inch)", *_SETT_RANGE_PER_INCH, where)
    return None if value is None else _tidy(value, FACT_WORDS[name], where, _LONGEST_FACT) or None


def check_notes(value: object, where: str) -> tuple[str, ...]:
    """Return the lines of a note, tidy, each once."""
    if value is None:
        return ()
    if not isinstance(value, str):
        _refuse("bad-text", f"{where}: the notes are not text.", "Write notes as plain text.")
    lines = (_tidy(line, "note", where, _LONGEST_NOTES) for line in value.splitlines())
    kept = tuple(dict.fromkeys(line for line in lines if line))
    if sum(map(len, kept)) > _LONGEST_NOTES:
        _refuse(
            "text-too-long", f"{where}: the notes are too long.", f"Keep to {_LONGEST_NOTES:,} characters."
        )
    return kept


def check_stage(value: object, where: str) -> str:
    """Return the stage in its one spelling; ``washed`` alone is the first wash."""
    found = re.fullmatch(r"(on|off)[ -]?(?:the[ -])?loom|washed(?:[ -]?([0-9]{1,9}))?", _lower(value))
    if found is not None and found[1]:
        return f"{found[1]}-loom"
    wash = int(found[2] or 1) if found is not None else 0
    if not 1 <= wash <= _MOST_WASHES:
        said = f"“{value}” is no stage" if isinstance(value, str) and value else "no stage is given"
        _refuse(
            "bad-stage",
            f"{where}: {said} of a sample.",
            "Use on-loom, off-loom or washed; the second wash is washed-2, the third washed-3.",
        )
    return f"washed-{wash}"


def check_date(value: object, where: str) -> str:
    """Return the day as YYYY-MM-DD."""
    try:
        if isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value.strip()):
            return date.fromisoformat(value.strip()).isoformat()
    except ValueError:
        pass
    said = f"“{value}” is no day" if isinstance(value, str) and value.strip() else "no day is given"
    _refuse("bad-date", f"{where}: {said}.", "Write the day as year, month, day: 2024-05-31.")


def check_hash(value: object, where: str) -> str | None:
    """Return the SHA-256 of a photo in lower case, or None."""
    if value is None or value == "":
        return None
    if _lower(value) and re.fullmatch("[0-9a-f]{64}", _lower(value)):
        return _lower(value)
    _refuse(
        "bad-hash",
        f"{where}: the photo's SHA-256 is not 64 hexadecimal digits.",
        "Leave it empty, or add the photo itself with pickglass book add NAME --photo FILE.",
    )


def photo_word(value: object, where: str) -> str | None:
    """Return the bare file name of a photo, fit to be shown; None when there is none."""
    if value is None:
        return None
    if not isinstance(value, str):
        _refuse("bad-text", f"{where}: the name of the photo is not text.", "Name the photo's file.")
    bare = re.split(r"[/\\]", value)[-1]
    shown = "".join("?" if _unfit(c) else c for c in " ".join(bare.split()))
    return shown[-_LONGEST_FACT:].strip() or None


def check_document(raw: object, where: str) -> dict[str, Any]:
    """Check a saved measurement and return it.

    Raises
    ------
    UsageError
        If it is no measurement that pickglass wrote, was refused, or holds what no measurement can.
    """
    remake = "Write it anew: pickglass sett PHOTO --json > FILE.json"
    schema = raw.get("schema") if isinstance(raw, dict) else None
    if not isinstance(raw, dict) or not isinstance(schema, str) or schema not in _KINDS:
        family = schema.rpartition("/")[0] if isinstance(schema, str) else ""
        if any(family == known.rpartition("/")[0] for known in _KINDS):
            _refuse(
                "newer-measurement",
                f"{where}: the measurement (“{schema}”) was made by a newer pickglass.",
                "Bring pickglass up to date.",
            )
        _refuse("not-a-measurement", f"{where}: this is no measurement of a sample.", remake)
    verdict = raw.get("verdict")
    if verdict == "refused":
        _refuse(
            "nothing-measured",
            f"{where}: that photo could not be measured, so there is nothing to keep.",
            "Measure a better photo, or keep the photo alone with --photo.",
        )
    if not isinstance(verdict, str) or verdict not in _VERDICTS:
        _refuse("not-a-measurement", f"{where}: the measurement has no verdict.", remake)
    several = raw.get("photos")
    if isinstance(several, list) and len(several) > 1 and raw.get("joined") is not True:
        _refuse(
            "several-bands",
            f"{where}: this compares {len(several)} photos, and a record of the book is one.",
            "Measure each photo by itself and add it to its own sample.",
        )
    if _unsound(raw, 0):
        _refuse("not-a-measurement", f"{where}: the measurement holds a number that is not finite.", remake)
    photo_word(raw.get("photo"), where)
    figures_of(raw, where)
    return raw


def figures_of(document: dict[str, Any], where: str) -> dict[str, Any]:
    """Return the main figures of a checked measurement, numbers to ten digits.

    Ten digits are far beyond any measurement and survive the way through a spreadsheet, which keeps fifteen.
    """
    figures: dict[str, Any] = {"kind": _KINDS[document["schema"]], "verdict": document["verdict"]}
    for name, ((part, key), low, high) in _NUMBERS.items():
        figures[name] = _figure(_part(document, part, where).get(key), name, low, high, where)
    for name, (part, key) in _LISTS.items():
        values = _part(document, part, where).get(key)
        if values is not None and (not isinstance(values, list) or len(values) > 50):
            _refuse("bad-figure", f"{where}: {name} is not a short list of numbers.", _MEASURE_AGAIN)
        found = [_figure(value, name, 0.0, 5000.0, where) for value in values or ()]
        figures[name] = [value for value in found if value is not None]
    for name, (part, key) in _WORDS.items():
        value = _part(document, part, where).get(key)
        figures[name] = None if value is None else _tidy(value, name, where, _LONGEST_FACT) or None
    if figures["face"] not in (None, *_FACES):
        _refuse("bad-figure", f"{where}: “{figures['face']}” is no face of a cloth.", _MEASURE_AGAIN)
    return figures


def document_from_figures(figures: dict[str, Any], photo: str | None) -> dict[str, Any]:
    """Return a measurement that holds the main figures and, for the rest, nothing."""
    from .sett_json import refusal_document

    text = "Taken from a table; only the main figures are known."
    empty = refusal_document(photo, "from-table", text)
    # A deep copy: the two thread systems of a refusal share what is in them.
    document: dict[str, Any] = json.loads(json.dumps(empty))
    document["verdict"] = figures["verdict"]
    if figures["kind"] == "evenness":
        document |= {"schema": "pickglass.evenness/1", "stations": [], "steps": [], "faults": []}
    for name, ((part, key), _, _) in _NUMBERS.items():
        value = figures[name]
        document[part][key] = int(value) if key == "count" and value == round(value or 0) else value
    for name, (part, key) in (_LISTS | _WORDS).items():
        document[part][key] = figures[name]
    for part in ("ends", "picks"):
        per_inch = document[part]["per_inch"]
        document[part]["per_cm"] = None if per_inch is None else per_inch / 2.54
    return document


_MEASURE_AGAIN = "Measure the photo again with pickglass sett PHOTO --json."


def _part(document: dict[str, Any], part: str, where: str) -> dict[str, Any]:
    value = document.get(part)
    if isinstance(value, dict):
        return value
    if value is not None:
        _refuse("bad-figure", f"{where}: “{part}” is not what a measurement holds there.", _MEASURE_AGAIN)
    return {}


def _figure(value: object, name: str, low: float, high: float, where: str) -> float | None:
    """Return a number within its range, to ten digits."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        _refuse("bad-figure", f"{where}: {name} is not a number.", f"Give a number, {low:g} to {high:g}.")
    if not low <= value <= high:  # also false for what is not a number; whole numbers may be of any length
        _refuse(
            "bad-figure", f"{where}: {name} is beyond what cloth has.", f"Give a number, {low:g} to {high:g}."
        )
    return float(f"{float(value):.10g}")


def _tidy(value: object, what: str, where: str, longest: int) -> str:
    if not isinstance(value, str):
        _refuse("bad-text", f"{where}: the {what} is not text.", "Write it as plain text.")
    text = " ".join(unicodedata.normalize("NFC", value).split())
    if len(text) > longest:
        _refuse("text-too-long", f"{where}: the {what} is too long.", f"Keep to {longest:,} characters.")
    if any(_unfit(c) for c in text):
        _refuse(
            "bad-text",
            f"{where}: the {what} holds characters that cannot be shown.",
            "Type it anew, in plain letters.",
        )
    return text


def _unfit(character: str) -> bool:
    """Tell control characters, halves of characters, and what turns the direction of writing."""
    return character in _TURNING or unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp")


def _lower(value: object) -> str:
    return value.strip().lower() if isinstance(value, str) else ""


def _unsound(value: object, depth: int) -> bool:
    """Tell whether a document holds a number that is not finite, or is nested beyond reason."""
    if isinstance(value, float):
        return not math.isfinite(value)
    if isinstance(value, dict | list):
        items = value.values() if isinstance(value, dict) else value
        return depth > _DEEPEST or any(_unsound(item, depth + 1) for item in items)
    return False


def _refuse(code: str, problem: str, step: str) -> NoReturn:
    raise UsageError(code, problem, step)
