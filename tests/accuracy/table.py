"""The table and its summary, as text for the screen or as Markdown."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from typing import Any

from .judge import DirectionScore, PhotoScore

__all__ = ["as_document", "photo_rows", "render", "summary_rows"]

Row = list[str]


def photo_rows(scores: Sequence[PhotoScore]) -> list[Row]:
    """Return one line for each direction of each woven photo, header first."""
    rows = [
        [
            "photo",
            "",
            "truth",
            "reading",
            "error",
            "± (95 %)",
            "inside",
            "counted",
            "width",
            "weave",
            "verdict",
        ]
    ]
    for score in scores:
        if not score.woven:
            continue
        for name, direction in (("ends", score.ends), ("picks", score.picks)):
            if direction is not None:
                rows.append(_direction_row(score, name, direction))
    return rows


def negative_rows(scores: Sequence[PhotoScore]) -> list[Row]:
    """Return one line for each photo that must be refused, header first."""
    rows = [["not woven", "verdict", "why"]]
    rows += [[score.name, score.verdict, score.code] for score in scores if not score.woven]
    return rows


def summary_rows(scores: Sequence[PhotoScore]) -> list[Row]:
    """Return one line for each group of photos and one for all, header first."""
    header = "group, directions, within 1 %, 1.5 %, 2 %, allowed, wrong > 3 %, wrong > 5 %, unsure, refused"
    header += ", 1.5 % with unsure, inside 95 %, ends exact, picks ± 1, width in 1 %, weave"
    rows = [header.split(", ")]
    woven = [score for score in scores if score.woven]
    groups = list(dict.fromkeys(score.group for score in woven))
    for group in groups:
        rows.append(_summary(group, [score for score in woven if score.group == group]))
    if len(groups) > 1:
        rows.append(_summary("all", woven))
    return rows


def render(rows: list[Row], *, markdown: bool) -> str:
    """Return rows as an aligned table; Markdown keeps the alignment too."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]
    if not markdown:
        return "\n".join(lines)
    bars = [
        "| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |" for row in rows
    ]
    bars.insert(1, "|" + "|".join("-" * (w + 2) for w in widths) + "|")
    return "\n".join(bars)


def as_document(scores: Sequence[PhotoScore]) -> dict[str, Any]:
    """Return everything as one JSON-ready document."""
    header, *summary = summary_rows(scores)
    return {
        "photos": [asdict(score) for score in scores],
        "summary": [dict(zip(header, row, strict=True)) for row in summary],
        "negatives_refused": sum(s.verdict == "refused" for s in scores if not s.woven),
        "negatives": sum(not s.woven for s in scores),
    }


def _direction_row(score: PhotoScore, name: str, direction: DirectionScore) -> Row:
    error = direction.error_percent
    counted = (
        "" if direction.true_count is None else f"{_or_dash(direction.count, str)} of {direction.true_count}"
    )
    width = (
        "" if name != "ends" or score.width_error_percent is None else f"{score.width_error_percent:+.1f} %"
    )
    weave = "" if name != "ends" or score.weave is None or score.true_weave is None else score.weave
    if weave and weave != score.true_weave:
        weave = f"{weave} for {score.true_weave}"
    verdict = score.verdict + (f" ({score.code})" if score.code and name == "ends" else "")
    return [
        score.name if name == "ends" or score.ends is None else "",
        name,
        f"{direction.truth:.2f}",
        _or_dash(direction.reading, lambda v: f"{v:.2f}"),
        _or_dash(error, lambda v: f"{v:+.2f} %"),
        _or_dash(direction.u95_percent, lambda v: f"{v:.1f} %"),
        _or_dash(direction.inside, lambda v: "yes" if v else "listed" if direction.listed else "NO"),
        counted,
        width,
        weave,
        verdict,
    ]


def _summary(group: str, scores: Sequence[PhotoScore]) -> Row:
    """Shares are of all directions, so that a refusal counts against accuracy as much as a wrong number."""
    pairs = [(score, d) for score in scores for d in (score.ends, score.picks) if d is not None]
    measured = [d for score, d in pairs if score.verdict == "measured" and d.error_percent is not None]
    errors = [abs(d.error_percent) for d in measured if d.error_percent is not None]
    total = len(pairs)

    def share(limit: float) -> str:
        return _share(sum(error <= limit for error in errors), total)

    allowed = [d for _, d in pairs if d.allowed_percent is not None]
    met = sum(
        abs(d.error_percent or 0.0) <= d.allowed_percent
        for d in measured
        if d.allowed_percent is not None and d.error_percent is not None
    )
    inside = [d.inside for d in measured if d.inside is not None]
    ends = [s.ends for s in scores if s.ends is not None and s.ends.true_count is not None]
    picks = [s.picks for s in scores if s.picks is not None and s.picks.true_count is not None]
    widths = [s.width_error_percent for s in scores if s.width_error_percent is not None]
    weaves = [s.weave == s.true_weave for s in scores if s.true_weave is not None]
    return [
        group,
        str(total),
        share(1.0),
        share(1.5),
        share(2.0),
        _share(met, len(allowed)) if allowed else "",
        str(sum(error > 3.0 for error in errors)),
        str(sum(error > 5.0 for error in errors)),
        str(sum(score.verdict == "unsure" for score, _ in pairs)),
        str(sum(score.verdict not in ("unsure", "measured") for score, _ in pairs)),
        _share(sum(abs(d.error_percent) <= 1.5 for _, d in pairs if d.error_percent is not None), total),
        _share(sum(inside), len(inside)),
        _share(sum(d.count == d.true_count for d in ends), len(ends)),
        _share(sum(_within_one(d) for d in picks), len(picks)),
        _share(
            sum(abs(w) <= 1.0 for w in widths),
            sum(s.ends is not None and s.ends.true_count is not None for s in scores),
        ),
        _share(sum(weaves), len(weaves)),
    ]


def _within_one(direction: DirectionScore) -> bool:
    if direction.count is None or direction.true_count is None:
        return False
    return abs(direction.count - direction.true_count) <= 1


def _share(part: int, whole: int) -> str:
    return "–" if whole == 0 else f"{100 * part / whole:.0f} % ({part}/{whole})"


def _or_dash(value: Any, words: Callable[[Any], str]) -> str:
    return "–" if value is None else words(value)


def numbers(scores: Iterable[PhotoScore]) -> str:
    """Return how many photos that are not woven were refused, in words."""
    negatives = [score for score in scores if not score.woven]
    refused = sum(score.verdict == "refused" for score in negatives)
    return f"Not woven: {refused} of {len(negatives)} refused." if negatives else ""
