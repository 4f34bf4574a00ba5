"""Where a plan's numbers come from: saved measurements, the weaver's own figures, general figures."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from ..calibration.errors import UsageError
from ..calibration.units import MM_PER_INCH

if TYPE_CHECKING:
    from ..measure.quantities import Factor

__all__ = ["SavedSample", "read_sample", "read_shrinkage", "yarn_factor"]

_MAX_FILE_BYTES = 50_000_000
_MOST_QUOTED = 60  # characters of what a file holds
# A density without its uncertainty is taken as good to this (a count over a few centimetres, rectangular).
_UNSTATED_PERCENT = 2.0
# Up to this width a sample counts as a band: all its ends over its whole width, selvedges included.
_BAND_WIDTH_MM = 100.0
_WIDTH_U95_MM = 1.0  # of a width that was saved without its uncertainty
_MOST_EDGES = 8.0  # spacings; more means that width and count belong to different stretches
_WAYS = (("weftwise", "width"), ("warpwise", "length"))


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedSample:
    """What a plan takes from a saved `pickglass sett --json`.

    Attributes
    ----------
    name : str
        File or sample of the book the measurement was read from.
    sett, picks : Factor
        Ends and picks per inch with their uncertainty; ``base`` is the state of the sample.
    edges : Factor or None
        Width beyond the ends' spacing, mm; see `pickglass.measure.plan_request.PlanRequest`.
    warp_faced : bool
        True when the ends cover the picks.
    order : str or None
        Colour order of the warp, if it was read.
    palette : dict
        Colour name -> ``#rrggbb`` as photographed.
    unsure_ends : tuple of int
        Ends whose colour is unsure, counted from 1 at the left.
    """

    name: str
    sett: Factor
    edges: Factor | None
    picks: Factor
    warp_faced: bool
    order: str | None
    palette: dict[str, str]
    unsure_ends: tuple[int, ...]


def _load(path: Path, what: str, schema: str) -> dict[str, Any]:
    """Return the JSON object in a file that `pickglass` wrote."""
    # What was named may be a photo: never advise to write over it.
    photos = "PHOTO" if what == "sett" else "BEFORE AFTER"
    if path.suffix.lower() == ".json":
        remake = f"Write it anew: pickglass {what} {photos} --json > {path.name}"
    else:
        remake = f"Give a saved measurement; write one with pickglass {what} {photos} --json > FILE.json"
    try:
        if path.exists() and not path.is_file():  # a pipe or device may never end
            raise UsageError("not-a-file", f"{path} is not a file.", "Give the name of a file.")
        if path.stat().st_size > _MAX_FILE_BYTES:
            raise UsageError("file-too-large", f"{path} is too large to be a measurement.", remake)
        document = json.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise UsageError(
            "no-file",
            f"{path} does not exist.",
            "Look at the name, or give another; a sample of the book is named “book:NAME”.",
        ) from None
    except OSError as error:
        raise UsageError(
            "unreadable-file", f"{path} cannot be read ({error.strerror}).", "Choose another file."
        ) from None
    except (UnicodeDecodeError, ValueError, RecursionError):
        raise UsageError("not-json", f"{path} holds no saved measurement.", remake) from None
    if not isinstance(document, dict) or document.get("schema") != schema:
        found = document.get("schema") if isinstance(document, dict) else None
        raise UsageError(
            "wrong-measurement",
            f"{path} holds {f'“{found[:_MOST_QUOTED]}”' if isinstance(found, str) else 'something else'}, not “{schema}”.",
            remake,
        )
    return document


def _sure(document: dict[str, Any], where: str) -> dict[str, Any]:
    """Return the document if a warp may rest on it."""
    verdict = document.get("verdict")
    if verdict != "measured":
        raise UsageError(
            "not-measured",
            f"The measurement in {where} says “{str(verdict)[:_MOST_QUOTED]}”, so a warp should not rest on it.",
            "Measure again with a better photo, or give --sett and --picks by hand.",
        )
    return document


def _number(document: dict[str, Any], *keys: str) -> float | None:
    value: Any = document
    for key in keys:
        value = value.get(key) if isinstance(value, dict) else None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def read_sample(source: str, state: str | None, book: Path | None = None) -> SavedSample:
    """Read a saved `pickglass sett --json`, or ``book:NAME``.

    Parameters
    ----------
    source : str
        Name of the file, or ``book:`` and the name of a sample in the book.
    state : str or None
        ``"finished"`` or ``"off the loom"``; None means what the book says, and finished for a file.
    book : Path, optional
        Another book than the usual one.
    """
    from .book_record import stage_word
    from .book_reference import book_name, kept_record

    name = book_name(source)
    if name is None:
        path = Path(source)
        return _sample(
            _sure(_load(path, "sett", "pickglass.sett/1"), str(path)), path.name, state or "finished"
        )
    stages = {"finished": ("washed",), "off the loom": ("off-loom",)}
    record = kept_record(name, book, ("off-loom", "washed") if state is None else stages[state])
    where = f"{name} in the book"
    found = "finished" if record.stage.startswith("washed") else "off the loom"
    return _sample(_sure(record.document or {}, where), f"{where}, {stage_word(record.stage)}", found)


def _sample(document: dict[str, Any], where: str, state: str) -> SavedSample:
    from ..measure.quantities import Factor

    ends, picks = _number(document, "ends", "per_inch"), _number(document, "picks", "per_inch")
    if ends is None or picks is None:
        raise UsageError(
            "no-scale-in-sample",
            f"The measurement in {where} has no ends and picks per inch: its photo had no scale.",
            "Measure a photo with a reference card, or give --sett and --picks by hand.",
        )
    face = document.get("weave", {}).get("face") if isinstance(document.get("weave"), dict) else None
    width = _number(document, "sample", "width_mm")
    across = _number(document, "ends", "across_width_per_inch")
    narrow = face == "warp-faced" or (width is not None and width < _BAND_WIDTH_MM)
    relative = _relative(document, "ends", ends)
    note = f"{where}, middle of the width"
    edges = _edges(document, ends, where, state)
    if edges is None and narrow and across is not None:
        ends, note = across, f"{where}, all ends over the full width"
    sett = Factor(
        name="ends per inch",
        value=ends,
        unit="per inch",
        standard=ends * relative,
        origin="measured",
        base=state,
        note=note,
    )
    beat = Factor(
        name="picks per inch",
        value=picks,
        unit="per inch",
        standard=picks * _relative(document, "picks", picks),
        origin="measured",
        base=state,
        note=where,
    )
    order, palette, unsure = _saved_order(document)
    return SavedSample(
        name=where,
        sett=sett,
        edges=edges,
        picks=beat,
        warp_faced=face == "warp-faced",
        order=order,
        palette=palette,
        unsure_ends=unsure,
    )


def _edges(document: dict[str, Any], per_inch: float, where: str, state: str) -> Factor | None:
    """Return how much wider the sample is than its ends at the spacing of its middle; None when not all were seen.

    With it as many ends as the sample has give the sample's own width: the weaver's ends over width.
    """
    from ..measure.quantities import Factor

    count, width = _number(document, "ends", "count"), _number(document, "sample", "width_mm")
    if count is None or width is None or not count >= 2 or width <= 0:
        return None
    spacing = MM_PER_INCH / per_inch
    likely = _number(document, "ends", "count_mean")
    likely = count if likely is None else likely
    count_u95 = _number(document, "ends", "count_u95")
    # The scale stretches the width and the ends' spacing alike, so it leaves their difference alone.
    width_u95 = _number(document, "sample", "width_edges_u95_mm")
    if width_u95 is None:
        width_u95 = _number(document, "sample", "width_u95_mm")
    doubt = math.hypot(
        width_u95 if width_u95 is not None else _WIDTH_U95_MM,
        spacing * (count_u95 if count_u95 is not None else 1.0),
    )
    if abs(width - likely * spacing) > _MOST_EDGES * spacing:
        return None
    return Factor(
        name="edges",
        value=width - likely * spacing,
        unit="mm",
        standard=doubt / 2.0,
        origin="measured",
        base=state,
        note=f"{where}, {width:z.1f} mm less {count:z.0f} ends at their spacing",
    )


def _relative(document: dict[str, Any], system: str, value: float) -> float:
    """Return the relative standard uncertainty of a density."""
    u95 = _number(document, system, "u95_per_inch")
    if u95 is None or u95 < 0 or value <= 0:
        return _UNSTATED_PERCENT / 100.0 / math.sqrt(3.0)
    return u95 / 2.0 / value


def _saved_order(document: dict[str, Any]) -> tuple[str | None, dict[str, str], tuple[int, ...]]:
    """Return order, palette and unsure ends of the key ``colour_order``, where a measurement has one."""
    saved = document.get("colour_order")
    if not isinstance(saved, dict) or not isinstance(saved.get("order"), str):
        return None, {}, ()
    palette = saved.get("palette")
    pairs = palette.items() if isinstance(palette, dict) else ()
    colours = {
        str(k).lower(): v for k, v in pairs if isinstance(v, str) and re.fullmatch("#[0-9a-fA-F]{6}", v)
    }
    unsure = saved.get("unsure_ends")
    numbers = tuple(n for n in unsure if isinstance(n, int)) if isinstance(unsure, list) else ()
    return saved["order"], colours, numbers


def read_shrinkage(source: str, book: Path | None = None) -> tuple[Factor, Factor]:
    """Return the loss of the width and of the length from a saved `pickglass shrinkage --json`, or ``book:NAME``.

    Of a sample in the book the last wash is compared with the measurement off the loom.
    """
    from .book_reference import book_name

    name = book_name(source)
    if name is not None:
        return _kept_shrinkage(name, book)
    path = Path(source)
    document = _sure(_load(path, "shrinkage", "pickglass.shrinkage/1"), str(path))
    found = []
    for key, way in _WAYS:
        change = _number(document, key, "change_percent")
        if change is None:
            raise UsageError(
                "no-shrinkage",
                f"{path} holds no change of the {way}.",
                f"Measure it again, or give --shrink-{way}.",
            )
        u95 = _number(document, key, "u95_percent")
        found.append(
            _loss(way, change, u95 if u95 is not None and u95 >= 0 else _UNSTATED_PERCENT, path.name)
        )
    return found[0], found[1]


def _kept_shrinkage(name: str, book: Path | None) -> tuple[Factor, Factor]:
    from ..measure.shrinkage import compare_sizes
    from .book_record import stage_word
    from .book_reference import kept_record
    from .kept import kept_measurement

    records = [kept_record(name, book, (stage,)) for stage in ("off-loom", "washed")]
    where = f"{name} in the book"
    before, after = (
        kept_measurement(_sure(record.document or {}, where), f"{where}, {stage_word(record.stage)}")
        for record in records
    )
    size = compare_sizes(before, after)
    if size.verdict != "measured":
        raise UsageError(
            "not-measured",
            f"The shrinkage of {where} is not sure: {' '.join(notice.text for notice in size.notices)}",
            "Compare the photos with pickglass shrinkage, or give --shrink-width and --shrink-length.",
        )
    note = f"{where}, off-loom to {stage_word(records[1].stage)}"
    changes = {"weftwise": size.weftwise, "warpwise": size.warpwise}
    found = [_loss(way, changes[key].change_percent, changes[key].u95_percent, note) for key, way in _WAYS]
    return found[0], found[1]


def _loss(way: str, change_percent: float, u95_percent: float, note: str) -> Factor:
    """Return a change as a loss: the contract counts shrinkage as minus (ISO 5077), a plan counts losses as plus."""
    from ..measure.quantities import Factor

    return Factor(
        name=f"shrinkage of the {way}",
        value=-change_percent,
        unit="%",
        standard=u95_percent / 2.0,
        origin="measured",
        base=f"off-loom {way}",
        note=note,
    )


def yarn_factor(text: str, role: Literal["warp", "weft"]) -> Factor:
    """Read a yarn from its label, or from a weighed length: ``"10 m weighs 4.2 g"``."""
    from ..measure import yarn
    from ..measure.quantities import Factor, parse_length_mm, parse_mass_g

    length_text, weighs, mass_text = text.partition(" weighs ")
    if weighs:
        length_mm = parse_length_mm(length_text, f"weighed length of {role} yarn", 500.0, 10_000_000.0)
        found = yarn.tex_from_weighing(length_mm, parse_mass_g(mass_text, f"weight of {role} yarn"))
        tex, standard, origin, note = found.tex, found.u95_tex / 2.0, "measured", text
    else:
        read = yarn.parse_yarn(text)
        tex, standard, origin, note = (
            read.tex,
            read.tex * read.standard_percent / 100.0,
            "given",
            read.reading,
        )
    return Factor(
        name=f"{role} yarn",
        value=tex,
        unit="tex",
        standard=standard,
        origin="measured" if origin == "measured" else "given",
        note=note,
    )
