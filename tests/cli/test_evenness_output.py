"""Words, tables, JSON and pictures of `pickglass evenness`, on bands made up pick by pick."""

import csv
import dataclasses
import io
import json
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from band_trace import made_trace, nearly_hidden_step

from pickglass.cli.evenness_csv import picks_csv, stations_csv, stations_path
from pickglass.cli.evenness_json import evenness_document, several_document
from pickglass.cli.evenness_run import Part, Run
from pickglass.cli.evenness_text import comparison_text, evenness_text, safety_text
from pickglass.cli.evenness_words import fault_words, faults_words, finding_words
from pickglass.cli.sett_json import dump
from pickglass.measure.band_comparison import compare_bands
from pickglass.measure.evenness import EvennessOptions, measure_evenness
from pickglass.measure.faults import Fault
from pickglass.measure.frame import straight_frame

from .fakes import fake_plane, fake_result


def stepped():
    """A band with a step of the beat and a missed pick."""
    spacings = 2.0 * np.exp(np.random.default_rng(1).normal(0, 0.03, 80))
    spacings[40:] *= 1.25
    sheds = np.full(80, 2.0)
    sheds[20] = 4.8
    return measure_evenness(made_trace(spacings, bow_mm=1.0, shed_lengths_mm=sheds))


def test_document_keeps_the_keys_of_the_contract():
    document = json.loads(dump(evenness_document(fake_result(), fake_plane(), stepped())))
    assert document["schema"] == "pickglass.evenness/1"
    assert set(document["stations"][0]) >= {"at_mm", "width_mm", "picks_per_inch"}
    assert set(document["steps"][0]) >= {"at_mm", "change_percent"}
    assert set(document["faults"][0]) >= {"kind", "at_mm"}
    for key in (
        "width_cv_percent",
        "beat_cv_percent",
        "beat_drift_percent_per_100mm",
        "bow_percent",
        "skew_percent",
    ):
        assert isinstance(document[key], float), key
    assert document["ends"]["count"] == 48  # what `sett` says stands there too
    assert document["bow_percent"] > 0
    assert document["bow_way"] == "smile"


def test_a_possible_step_is_told_and_listed_apart():
    rough = measure_evenness(made_trace(nearly_hidden_step()))
    assert rough.steps == ()
    document = json.loads(dump(evenness_document(fake_result(), fake_plane(), rough)))
    assert document["steps"] == []
    (possible,) = document["possible_steps"]
    assert set(possible) == {"at_mm", "at_u95_mm", "change_percent", "change_u95_percent"}
    text = " ".join(evenness_text(rough, name="band.jpg", verdict="measured").split())
    assert "becomes denser by" in text
    assert "perhaps at once, perhaps over some picks" in text
    assert "stands out" not in text


def test_document_of_several_bands_says_what_differs_and_by_which_test():
    even = measure_evenness(made_trace(2.0 * np.exp(np.random.default_rng(2).normal(0, 0.03, 80))))
    parts = [(fake_result(), fake_plane(), even), (fake_result(), fake_plane(), stepped())]
    found = [(0, 1, compare_bands(even, stepped()))]
    document = several_document(parts, joined=None, placed=(), comparisons=found, verdict="measured")
    json.loads(dump(document))
    assert len(document["photos"]) == 2
    assert document["joined"] is False
    assert "Welch" in document["comparisons"][0]["test"]


def test_words_are_hedged_and_marked_as_common_practice():
    text = " ".join(evenness_text(stepped(), name="band.jpg", verdict="measured").split())
    assert "Perhaps a missed pick at" in text
    assert "at once" in text
    for sentence in [s for s in text.split(" - ")[1:]]:
        assert "common practice" in sentence
        assert "often" in sentence
    assert "says nothing of strength" in " ".join(safety_text().split())


@pytest.mark.parametrize(
    ("along", "across", "words"),
    [
        (13.0, 1.8, "knot, slub or lump along an end, 13 mm long, at 58 mm"),
        (1.9, 8.0, "knot, slub or lump along a pick, 8 mm long, at 58 mm"),
        (4.0, 4.0, "knot, slub or lump at 58 mm"),
        (13.0, 0.0, "knot, slub or lump at 58 mm"),  # its extent across is not known
    ],
)
def test_a_long_lump_is_said_to_lie_along_its_thread(along, across, words):
    fault = Fault(
        kind="knot-or-slub", at_mm=58.0, across_mm=3.0, size_mm=along, clearness=7.0, across_size_mm=across
    )
    assert f"Perhaps a {words}: often" in fault_words(fault)


def test_what_often_causes_a_fault_is_said_with_the_first_of_its_kind():
    lump, loop = (
        Fault(kind=kind, at_mm=at, across_mm=3.0, size_mm=4.0, clearness=7.0, across_size_mm=4.0)
        for kind, at in (("knot-or-slub", 7.0), ("selvedge-loop", 20.0))
    )
    said = faults_words([lump, loop, dataclasses.replace(lump, at_mm=33.0)])
    assert ["often" in sentence for sentence in said] == [True, True, False]
    assert said[2] == "Perhaps a knot, slub or lump at 33 mm."


def test_an_even_band_is_called_so():
    even = measure_evenness(made_trace(2.0 * np.exp(np.random.default_rng(3).normal(0, 0.02, 80))))
    assert "No step, rhythm or fault stands out" in evenness_text(even, name="b.jpg", verdict="measured")


def test_file_names_cannot_steer_the_terminal():
    assert "\x1b" not in evenness_text(stepped(), name="\x1b[31mband.jpg", verdict="measured")


def test_comparison_names_the_test():
    even = measure_evenness(made_trace(2.0 * np.exp(np.random.default_rng(2).normal(0, 0.03, 80))))
    text = comparison_text("a.jpg", "b.jpg", compare_bands(even, stepped()))
    assert "Welch's t test" in text
    assert "b.jpg against a.jpg" in text
    assert "no difference that scatter and scale would not explain" in " ".join(text.split())
    denser = measure_evenness(made_trace(1.6 * np.exp(np.random.default_rng(4).normal(0, 0.03, 80))))
    told = " ".join(comparison_text("a.jpg", "b.jpg", compare_bands(even, denser)).split())
    assert "% more; chance alone does that in fewer than 1 of 1000 cases." in told


def test_tables_have_a_row_for_every_pick_and_station():
    band = stepped()
    picks = list(csv.DictReader(io.StringIO(picks_csv([("band.jpg", band)]).decode("utf-8-sig"))))
    assert len(picks) == 81
    assert picks[0]["from_pick_before_mm"] == ""
    assert float(picks[5]["from_pick_before_mm"]) == pytest.approx(band.trace.spacings_mm[4], abs=1e-4)
    stations = list(csv.DictReader(io.StringIO(stations_csv([("band.jpg", band)]).decode("utf-8-sig"))))
    assert len(stations) == len(band.stations)


def test_a_file_name_is_no_formula():
    table = picks_csv([("=HYPERLINK(1).jpg", stepped())]).decode("utf-8-sig")
    assert "'=HYPERLINK" in table
    assert "\n=HYPERLINK" not in table


def test_the_second_table_lies_beside_the_first(tmp_path):
    assert stations_path(tmp_path / "a.csv") == tmp_path / "a-stations.csv"


def fake_run():
    band = stepped()
    length = round(band.trace.length_mm * 5) + 1
    patch = SimpleNamespace(
        bgr=np.random.default_rng(0).integers(0, 255, (length, 151, 3), dtype=np.uint8),
        px_per_mm=5.0,
        u0_mm=-15.0,
        v0_mm=0.0,
        frame=straight_frame(np.zeros(2), np.array([0.0, 1.0]), band.trace.length_mm),
    )
    measurement = SimpleNamespace(patch=patch, result=fake_result(), plane=fake_plane())
    return Run(parts=(Part(measurement=measurement, evenness=band),), verdict="measured")


@pytest.mark.filterwarnings("default")
def test_chart_is_drawn_to_scale_as_png_and_svg():
    pytest.importorskip("matplotlib")
    from pickglass.cli.evenness_chart import draw_chart

    picture = cv2.imdecode(np.frombuffer(draw_chart(fake_run(), ".png"), np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape[1] == 1650
    svg = draw_chart(fake_run(), ".svg").decode()
    assert svg.lstrip().startswith("<?xml")
    assert "picks per inch" in svg or "<path" in svg
    assert draw_chart(fake_run(), ".svg").decode() == svg  # the same photo draws the same chart


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("places", [(2.0, 4.0, 4.5, 60.0), (118.0, 118.5, 119.0), (0.0,), ()])
def test_words_over_the_band_touch_neither_each_other_nor_the_title(places, monkeypatch):
    pytest.importorskip("matplotlib")
    from matplotlib.figure import Figure

    from pickglass.cli.evenness_chart import draw_chart

    kinds = ("uneven-end", "knot-or-slub", "doubled-pick", "missed-pick")
    faults = tuple(
        dataclasses.replace(stepped().faults[0], kind=kind, at_mm=at)
        for kind, at in zip(kinds, places, strict=False)
    )
    run = fake_run()
    part = dataclasses.replace(
        run.parts[0], evenness=dataclasses.replace(run.parts[0].evenness, faults=faults)
    )
    drawn = []
    save = Figure.savefig

    def keep(figure, *words, **named):
        save(figure, *words, **named)
        band = figure.axes[0]
        boxes = [text.get_window_extent() for text in band.texts if len(text.get_text()) > 1]
        boxes.append(
            band.title.get_window_extent() if band.get_title() else band._left_title.get_window_extent()
        )
        drawn.append((figure.bbox, boxes))

    monkeypatch.setattr(Figure, "savefig", keep)
    draw_chart(dataclasses.replace(run, parts=(part,)), ".png")
    page, boxes = drawn[0]
    assert len(boxes) == len(faults) + 1
    for number, box in enumerate(boxes):
        assert 0 <= box.x0 <= box.x1 <= page.x1
        assert box.y1 <= page.y1
        assert not any(box.overlaps(other) for other in boxes[number + 1 :])


@pytest.mark.filterwarnings("default")
def test_an_even_width_is_not_drawn_as_a_wild_one(monkeypatch):
    pytest.importorskip("matplotlib")
    from matplotlib.figure import Figure

    from pickglass.cli.evenness_chart import draw_chart

    limits = []
    save = Figure.savefig
    monkeypatch.setattr(
        Figure, "savefig", lambda f, *w, **n: (save(f, *w, **n), limits.append(f.axes[2].get_ylim()))
    )
    run = fake_run()
    band = run.parts[0].evenness
    stations = tuple(
        dataclasses.replace(s, width_mm=30.0 + 0.1 * (k % 2)) for k, s in enumerate(band.stations)
    )
    part = dataclasses.replace(run.parts[0], evenness=dataclasses.replace(band, stations=stations))
    draw_chart(dataclasses.replace(run, parts=(part,)), ".png")
    low, high = limits[0]
    assert high - low >= 0.05 * (high + low) / 2  # five percent of the width at least


def test_a_window_longer_than_the_cloth_is_said_to_be_one():
    spacings = np.full(60, 2.0)
    band = measure_evenness(made_trace(spacings), EvennessOptions(window_mm=500.0))
    text = evenness_text(band, name="a.jpg", verdict="measured")
    assert "picks/in" not in text
    assert "Give a shorter --window" in " ".join(text.split())
    assert "500 mm" in text


def test_a_place_that_is_hardly_known_is_told_as_a_stretch():
    band = stepped()
    step = dataclasses.replace(band.steps[0], at_mm=60.0, at_u95_mm=79.0)
    vague = dataclasses.replace(band, steps=(), possible_steps=(step,))
    assert f"somewhere between 0 and {band.trace.length_mm:.0f} mm" not in " ".join(finding_words(vague))
    assert "somewhere between 0 and 139 mm" in " ".join(finding_words(vague))
    known = dataclasses.replace(vague, possible_steps=(dataclasses.replace(step, at_u95_mm=5.0),))
    assert "near 60 mm (± 5 mm)" in " ".join(finding_words(known))


def test_every_fault_gets_a_crop():
    from pickglass.cli.evenness_chart import fault_crops

    run = fake_run()
    crops = dict(fault_crops(run))
    assert len(crops) == len(run.parts[0].evenness.faults) == 1
    name, content = next(iter(crops.items()))
    assert name.startswith("fault-01-missed-pick-at-")
    assert cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR).shape[1] >= 480
