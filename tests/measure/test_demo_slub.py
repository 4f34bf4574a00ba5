"""The one fault told of the demo sampler: it lies on the thickest place of its yarn, by the geometry that was rendered."""

import json
from pathlib import Path

import pytest

from pickglass.cli.pipeline import Request, measure_photo
from pickglass.measure.evenness import measure_evenness
from pickglass.measure.stations import read_trace

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


def test_the_lump_of_the_demo_sampler_is_a_slub_of_its_yarn():
    truth = json.loads((SAMPLES / "sampler_plain.json").read_text())
    thickest = max(truth["thick_places"], key=lambda place: place["times_usual"])
    _, measurement = measure_photo(SAMPLES / "sampler_plain.jpg", Request())
    trace = read_trace(measurement)
    (fault,) = measure_evenness(trace).faults
    assert fault.kind == "knot-or-slub"
    assert thickest["of"] == "end"
    assert thickest["from_mm"] < fault.at_mm < thickest["to_mm"]
    middle = float(trace.pick_u_mm.mean())
    assert fault.across_mm - middle == pytest.approx(truth["end_u_mm"][thickest["index"]], abs=0.6)
