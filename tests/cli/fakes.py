"""Measurements made up for the tests of words and pictures; nothing here is measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pickglass.calibration.budget import BudgetLine
from pickglass.calibration.notices import Notice
from pickglass.calibration.plane import Plane
from pickglass.measure.results import SampleReading, SettResult, ThreadReading, WeaveReading

OUTLINE = np.array([[100.0, 80.0], [700.0, 80.0], [700.0, 380.0], [100.0, 380.0]])
PX_PER_MM = 10.0


def fake_plane() -> Plane:
    """A bank card at ten pixels per millimetre, square on."""
    return Plane(
        px_from_mm=np.diag([PX_PER_MM, PX_PER_MM, 1.0]),
        source="bank-card",
        budget=(
            BudgetLine(name="card edges", standard_percent=0.15, kind="A", origin="scatter along the edges"),
            BudgetLine(name="cloth height", standard_percent=0.20, kind="B", origin="thickness not given"),
        ),
        tilt_deg=6.4,
        card_outline_px=np.array([[100.0, 400.0], [956.0, 400.0], [956.0, 939.8], [100.0, 939.8]]),
        notices=(Notice("lens-unknown", "The lens bends straight lines a little; the doubt is counted."),),
    )


def fake_result(*, verdict: str = "measured") -> SettResult:
    """A warp-faced band of 48 ends and 71 picks."""
    ends = ThreadReading(
        pitch_px=6.2,
        per_inch=40.63,
        per_cm=40.63 / 2.54,
        u95_per_inch=0.31,
        per_1000_px=160.0,
        count=48,
        across_width_per_inch=39.7,
        positions_mm=np.linspace(-15.0, 15.0, 48),
        budget=(BudgetLine(name="uneven spacing", standard_percent=0.3, kind="A", origin="five places"),),
    )
    picks = ThreadReading(
        pitch_px=21.0, per_inch=11.962, per_cm=11.962 / 2.54, u95_per_inch=0.08, per_1000_px=47.1, count=71
    )
    result = SettResult(
        photo="garden-band.jpg",
        verdict="measured",
        ends=ends,
        picks=picks,
        weave=WeaveReading(name="plain", repeat_ends=2, repeat_picks=2, face="warp-faced"),
        sample=SampleReading(width_mm=30.77, width_u95_mm=0.28, length_mm=149.7, outline_px=OUTLINE),
    )
    if verdict == "unsure":
        doubtful = replace(picks, alternatives_per_inch=(23.92,), probability=0.7)
        notice = Notice(
            "picks-unsure", "The picks can be read in more than one way in this photo.", doubt=True
        )
        return replace(result, verdict="unsure", picks=doubtful, notices=(notice,))
    return result
