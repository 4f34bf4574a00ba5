"""One report of every command, made from drawn cloth and made-up figures; nothing in them is measured on true cloth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from band_trace import made_trace
from book_samples import record, sample
from plan_files import SETT, SHRINKAGE, run_plan, save

from pickglass.calibration.card_design import card_code
from pickglass.calibration.card_memory import CheckBars, LensRecord
from pickglass.calibration.card_pdf import card_preview
from pickglass.calibration.card_sheets import card_sheets
from pickglass.calibration.lens import LearnedLens
from pickglass.cli.evenness_run import Part, Run
from pickglass.cli.report_book import compare_report, show_report
from pickglass.cli.report_card import DrawnCard, card_report, check_report, lens_report
from pickglass.cli.report_evenness import evenness_report
from pickglass.cli.report_pictures import photo_view
from pickglass.cli.report_shrinkage import shrinkage_report
from pickglass.cli.shrinkage_run import Shown, compare_series
from pickglass.measure.band_comparison import compare_bands
from pickglass.measure.evenness import measure_evenness
from pickglass.measure.stations import read_trace

from .small_photo import REQUEST, measured

AWKWARD = '<script>alert("1")</script> & $x$ \u202e.jpg'


def _named(measurement, name: str):
    return replace(measurement, result=replace(measurement.result, photo=name))


def evenness(folder: Path) -> bytes:
    """A band with a step of the beat and a missed pick."""
    photo, measurement = measured(folder, (1400, 200))
    spacings = 2.0 * np.exp(np.random.default_rng(1).normal(0, 0.03, 80))
    spacings[40:] *= 1.25
    sheds = np.full(80, 2.0)
    sheds[20] = 4.8
    found = measure_evenness(made_trace(spacings, bow_mm=1.0, shed_lengths_mm=sheds))
    assert found.steps
    assert found.faults
    part = Part(measurement=_named(measurement, AWKWARD), evenness=found, view=photo_view(photo, measurement))
    return evenness_report(Run(parts=(part,), verdict="measured"), REQUEST)


def evenness_of_two(folder: Path) -> bytes:
    photo, measurement = measured(folder, (1400, 200))
    view = photo_view(photo, measurement)
    first = measure_evenness(read_trace(measurement))
    second = measure_evenness(made_trace(1.7 * np.exp(np.random.default_rng(3).normal(0, 0.03, 80))))
    parts = tuple(
        Part(measurement=_named(measurement, name), evenness=found, view=view)
        for name, found in (("monday.jpg", first), (AWKWARD, second))
    )
    compared = ((0, 1, compare_bands(first, second)),)
    return evenness_report(Run(parts=parts, verdict="unsure", comparisons=compared), REQUEST)


def shrinkage(folder: Path) -> bytes:
    """One drawn cloth at two scales, as if it had shrunk by a twentieth, and what the book keeps of a third wash."""
    photo, measurement = measured(folder)
    view = photo_view(photo, measurement)
    smaller = replace(REQUEST, px_per_mm=8.4)
    from pickglass.cli.pipeline import measure_loaded

    after = measure_loaded(photo, smaller)
    shown = [
        Shown(measurement=_named(measurement, "before.png"), stage="off-loom", request=REQUEST, view=view),
        Shown(measurement=_named(after, AWKWARD), stage="washed", request=smaller, view=view),
        Shown(measurement=_named(after, "again.png"), stage="washed", request=smaller, view=view),
    ]
    series = compare_series([one.measurement for one in shown], tuple(one.stage for one in shown))
    return shrinkage_report(series, shown)


def plan(folder: Path) -> bytes:
    target = folder / "plan.html"
    run_plan(
        "--sample", save(folder / "s.json", SETT), "--shrinkage", save(folder / "w.json", SHRINKAGE),
        "--width", "25mm", "--length", "2m", "--order", "8 red, 4 (1 white 1 blue), 8 red", "--heddle", "40/10cm",
        "--warp-yarn", "cotton 8/2", "--title", "A <band> & more", "--report", target,
    )  # fmt: skip
    return target.read_bytes()


def card(folder: Path) -> bytes:
    code = card_code("page", copy=1, paper="a4")
    sheets = card_sheets(code)
    return card_report(
        DrawnCard(
            kind="page",
            code=str(code),
            paper="A4",
            file_name="card & <b>.pdf",
            sheets=sheets,
            picture=card_preview(sheets[:1], dots_per_mm=3.0),
        )
    )


def check(folder: Path) -> bytes:
    return check_report("A4-1", CheckBars(across_mm=99.2, upright_mm=99.4))


def lens(folder: Path) -> bytes:
    learned = LearnedLens(
        record=LensRecord(
            camera="Invented <Phone> 1",
            focal_length_mm=5.4,
            focal_per_diagonal=0.6,
            focal_per_diagonal_u=0.003,
            k1=-0.03,
            k1_u=0.002,
            photos=3,
        ),
        rms_px=0.21,
        focal_from_photos=False,
        corner_shift_percent=-2.1,
    )
    return lens_report(learned, ["card1.jpg", AWKWARD, "card3.jpg"])


def book_show(folder: Path) -> bytes:
    records = (
        record("off-loom", date="2024-05-01"),
        record("washed-1", date="2024-05-08"),
        record("washed-2", verdict="unsure"),
    )
    return show_report(
        sample("Garden <b>band</b>", *records, warp_yarn="cotton & wool", notes=("<i>draws in</i>",))
    )


def book_compare(folder: Path) -> bytes:
    one, two = sample("Garden <b>band</b>", record("off-loom")), sample("Blue band", record("washed-1"))
    return compare_report(one, two, one.records[0], two.records[0])


MADE: dict[str, Callable[[Path], bytes]] = {
    "evenness": evenness,
    "evenness of two": evenness_of_two,
    "shrinkage": shrinkage,
    "plan": plan,
    "card": card,
    "check": check,
    "lens": lens,
    "book show": book_show,
    "book compare": book_compare,
}
