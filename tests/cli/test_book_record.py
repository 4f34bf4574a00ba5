"""What the book accepts as a name, a stage, a day and a measurement."""

import math
from dataclasses import replace

import pytest
from book_samples import measurement, record, sample, with_part

from pickglass.calibration.errors import UsageError
from pickglass.cli.book_record import (
    FIGURES,
    check_date,
    check_document,
    check_fact,
    check_hash,
    check_name,
    check_notes,
    check_stage,
    document_from_figures,
    figures_of,
    name_key,
    newest,
    photo_word,
    stage_order,
)


@pytest.mark.parametrize(
    ("text", "stage"),
    [
        ("on-loom", "on-loom"),
        ("Off the loom", "off-loom"),
        ("offloom", "off-loom"),
        ("washed", "washed-1"),
        ("washed-2", "washed-2"),
        ("washed 3", "washed-3"),
        ("Washed07", "washed-7"),
    ],
)
def test_stages_in_a_weavers_spelling(text, stage):
    assert check_stage(text, "test") == stage


@pytest.mark.parametrize(
    "text", ["", "loom", "washed-0", "washed-1000", "washed-", "washed--1", None, 2, "washed-²"]
)
def test_no_stage(text):
    with pytest.raises(UsageError, match="washed-2"):
        check_stage(text, "test")


def test_stages_follow_the_life_of_a_sample():
    life = ["on-loom", "off-loom", "washed-1", "washed-2", "washed-10"]
    shuffled = [life[n] for n in (4, 0, 2, 1, 3)]
    assert sorted(shuffled, key=stage_order) == life


@pytest.mark.parametrize(
    "name",
    [
        "Garden band",
        'the "blue" one',
        "it's",
        "-x",
        "--help",
        "=1+1",
        "🧵👩‍🌾",
        "تَست",
        "a;b,c\\d/e",
        "%s {0}",
    ],
)
def test_unusual_names_are_names(name):
    assert check_name(name, "test") == name


def test_spaces_and_line_breaks_of_a_name_run_together():
    assert check_name("  garden\n\tband\u2028two ", "test") == "garden band two"


@pytest.mark.parametrize(
    "name", ["", " \n ", "a\x00b", "a\x1b[31m", "\ud83e", "a\u202eb", "x" * 81, None, 7, ["a"]]
)
def test_no_names(name):
    with pytest.raises(UsageError) as refused:
        check_name(name, "test")
    assert refused.value.next_step


def test_one_letter_written_in_two_ways_is_one_name():
    assert name_key(check_name("Cafe\u0301", "test")) == name_key(check_name("CAF\u00c9", "test"))


@pytest.mark.parametrize("text", ["31.5.2024", "2024-02-30", "2024-W22-5", "", None, 20240531, "٢٠٢٤-٠٥-٣١"])
def test_no_days(text):
    with pytest.raises(UsageError, match="2024-05-31"):
        check_date(text, "test")


def test_notes_are_lines_each_once():
    assert check_notes(" a \n\nb\na\r\nc", "test") == ("a", "b", "c")
    with pytest.raises(UsageError, match="too long"):
        check_notes("\n".join(f"{n:05d}" * 100 for n in range(50)), "test")


def test_hash_and_photo():
    assert check_hash("AB" * 32, "test") == "ab" * 32
    assert check_hash(None, "test") is None
    for wrong in ("ab", "xy" * 32, 5):
        with pytest.raises(UsageError, match="64"):
            check_hash(wrong, "test")
    assert photo_word("/home/somebody/wool/scarf.jpg", "test") == "scarf.jpg"
    assert photo_word("C:\\wool\\scarf\x1b.jpg", "test") == "scarf?.jpg"


@pytest.mark.parametrize("value", [True, "20", [20.0], math.nan, math.inf, -20.0, 0.0, 1e9, 10**400])
def test_no_setts(value):
    with pytest.raises(UsageError):
        check_fact("sett_per_inch", value, "test")


def _nested(depth):
    value = 1.0
    for _ in range(depth):
        value = [value]
    return value


@pytest.mark.parametrize(
    "document",
    [
        None,
        [],
        "text",
        {},
        measurement(schema="pickglass.plan/1"),
        measurement(schema=["pickglass.sett/1"]),
        measurement(verdict="refused"),
        measurement(verdict="certain"),
        measurement(verdict=None),
        with_part("ends", [1]),
        with_part("ends", {"per_inch": "24"}),
        with_part("ends", {"per_inch": True}),
        with_part("ends", {"per_inch": math.inf}),
        with_part("ends", {"per_inch": -24.0}),
        with_part("ends", {"per_inch": 10**400}),
        with_part("ends", {"per_inch": 24.0, "alternatives_per_inch": "12"}),
        with_part("ends", {"per_inch": 24.0, "alternatives_per_inch": [math.nan]}),
        measurement(weave={"name": 5}),
        measurement(weave={"name": "plain", "face": "shiny"}),
        measurement(sample={"width_mm": -1.0}),
        measurement(photo=5),
        measurement(anything=[math.nan]),
        measurement(anything=_nested(100)),
    ],
)
def test_no_measurements(document):
    with pytest.raises(UsageError) as refused:
        check_document(document, "file.json")
    assert "file.json" in refused.value.problem
    assert refused.value.next_step


def test_a_measurement_of_a_newer_pickglass_is_named_as_such():
    with pytest.raises(UsageError, match="newer"):
        check_document(measurement(schema="pickglass.sett/2"), "file.json")


def test_several_bands_are_not_one_record_unless_joined():
    several = measurement(schema="pickglass.evenness/1", photos=[measurement(), measurement()])
    with pytest.raises(UsageError, match="2 photos"):
        check_document(several | {"joined": False}, "file.json")
    assert check_document(several | {"joined": True}, "file.json")


def test_a_measurement_without_scale_is_a_measurement():
    bare = measurement(verdict="unsure", scale=None)
    bare["ends"] |= {"per_inch": None, "per_cm": None, "u95_per_inch": None}
    assert figures_of(check_document(bare, "test"), "test")["ends_per_inch"] is None


@pytest.mark.parametrize("schema", ["pickglass.sett/1", "pickglass.evenness/1"])
def test_figures_survive_the_way_through_a_document(schema):
    figures = figures_of(measurement(ends=24.123456789012, schema=schema), "test")
    assert tuple(figures) == FIGURES
    again = check_document(document_from_figures(figures, "band.jpg"), "test")
    assert figures_of(again, "test") == figures
    assert again["picks"]["per_cm"] == pytest.approx(12.0 / 2.54)


def test_fingerprint_tells_stage_and_figures_but_not_the_day():
    one = record()
    assert record(date="2025-01-01").fingerprint == one.fingerprint
    others = [
        record("on-loom"),
        record(ends=24.1),
        replace(one, photo_sha256="ab" * 32),
        replace(one, photo="b.jpg"),
    ]
    assert len({one.fingerprint, *(other.fingerprint for other in others)}) == 5


def test_newest_goes_by_stage_then_day_then_order():
    first, later = record("washed-1", date="2024-06-01"), record("washed-1", date="2024-06-01", ends=25.0)
    on_loom = record("on-loom", date="2025-01-01", ends=20.0)
    life = sample("x", on_loom, first, later)
    assert newest(life) is later
    assert newest(life, "on-loom") is on_loom
    assert newest(life, "off-loom") is None
    assert newest(sample("x", replace(first, figures=None))) is None
