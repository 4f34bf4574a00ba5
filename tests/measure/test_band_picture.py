"""One small rendered band with a missed pick, a float, a knot and a hole, from the photo to the findings.

The picture was made by ``python -m evenness_bands FOLDER --render --only fault_several``; it was rendered after the limits
of the detection had been set.
"""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from evenness_bands.scoring import score

from pickglass.cli.pipeline import Request, measure_photo
from pickglass.measure.evenness import measure_evenness
from pickglass.measure.stations import read_trace

PICTURES = Path(__file__).parents[1] / "evenness_bands" / "pictures"


@pytest.fixture(scope="module")
def measurement():
    return measure_photo(PICTURES / "fault_several.jpg", Request(scan=True))[1]


@pytest.fixture(scope="module")
def found(measurement):
    evenness = measure_evenness(read_trace(measurement))
    truth = json.loads((PICTURES / "fault_several.json").read_text())
    return evenness, score(measurement, evenness, truth)


def test_every_planted_fault_is_found_at_its_place_and_nothing_else(found):
    _, result = found
    assert result.faults_found == result.faults_planted
    assert len(result.faults_planted) == 4
    assert result.faults_false == []
    assert result.steps_false == []


def test_beat_and_width_are_true(found):
    _, result = found
    assert result.ppi_rms_percent <= 1.5
    assert result.width_rms_mm <= 0.3


def test_the_gap_of_the_missed_pick_is_no_pick(found):
    evenness, _ = found
    assert len(evenness.trace.pick_mm) == 60


def test_sett_and_evenness_take_the_same_picks(measurement, found):
    evenness, _ = found
    assert len(evenness.trace.pick_mm) == measurement.woven_picks.count == measurement.tracks.picks.count - 1
    # Of a picture that is all cloth neither mends the picks followed.
    all_cloth = replace(measurement, sample=replace(measurement.sample, all_cloth=True))
    trace = read_trace(all_cloth)
    assert len(trace.pick_mm) == measurement.tracks.picks.count
    assert not trace.inferred.any()


def test_half_the_surface_shows_warp(found):
    evenness, _ = found
    shares = [s.warp_share for s in evenness.stations]
    # Counted on the rendered yarns of the same cloth: 0.50 of the yarn surface; 0.1 is what the command promises.
    assert all(share == pytest.approx(0.5, abs=0.1) for share in shares)
