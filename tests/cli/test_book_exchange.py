"""The book as JSON and as a table: there and back unchanged, safe in a spreadsheet, and nothing bad gets in."""

import csv
import io
import json
import math
import sqlite3
from contextlib import closing
from dataclasses import replace

import pytest
from book_samples import as_bytes, measurement, record, sample
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pickglass.calibration.errors import UsageError
from pickglass.cli import book_file, book_store
from pickglass.cli.book_exchange import (
    COLUMNS,
    SCHEMA,
    book_csv,
    book_json,
    parse_csv,
    parse_json,
    parse_measurement,
    read_bounded,
    sample_document,
)
from pickglass.cli.book_record import Record, Sample, check_name, check_notes, figures_of

QUICK = settings(max_examples=70, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def kept(samples):
    """Put samples into a book in memory, as an import does, and read them back."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        book_file.migrate(connection)
        with book_file.transaction(connection):
            for one in samples:
                book_store.keep_sample(connection, one, newer_facts_win=False)
        return book_store.read_samples(connection, whole=True)


def book(*samples):
    return {"schema": SCHEMA, "samples": [sample_document(one) for one in samples]}


# There and back.


def _tidy(text, check):
    try:
        return check(text, "test")
    except UsageError:
        return None


LETTERS = st.text(alphabet=st.one_of(st.sampled_from("=+-@'\"\t\n,;|<>%🧵é٣"), st.characters()), max_size=20)
NAMES = LETTERS.map(lambda text: _tidy(text, check_name) or "x")
NOTES = LETTERS.map(lambda text: _tidy(text, check_notes) or ())
DENSITIES = st.none() | st.floats(0.2, 200.0)


@st.composite
def records(draw):
    document = measurement(verdict=draw(st.sampled_from(["measured", "unsure"])))
    document["schema"] = draw(st.sampled_from(["pickglass.sett/1", "pickglass.evenness/1"]))
    for system in ("ends", "picks"):
        document[system] |= {
            "per_inch": draw(DENSITIES),
            "alternatives_per_inch": draw(st.lists(DENSITIES, max_size=2)),
        }
    photo = draw(st.none() | NAMES.map(lambda name: name.replace("/", "").replace("\\", "").strip() or "x"))
    document["photo"] = photo
    alone = photo is not None and draw(st.booleans())
    return Record(
        stage=draw(st.sampled_from(["on-loom", "off-loom", "washed-1", "washed-12"])),
        date=draw(st.dates().map(lambda day: day.isoformat())),
        photo=photo,
        photo_sha256="ab" * 32 if alone else draw(st.none() | st.just("0" * 64)),
        figures=None if alone else figures_of(document, "test"),
        document=None if alone else document,
    )


SAMPLES = st.builds(
    Sample,
    name=NAMES,
    warp_yarn=st.none() | NAMES,
    weft_yarn=st.none() | NAMES,
    sett_per_inch=st.none() | st.floats(1.0, 200.0).map(lambda value: float(f"{value:.10g}")),
    heddle=st.none() | NAMES,
    weave=st.none() | NAMES,
    notes=NOTES,
    records=st.lists(records(), max_size=3).map(tuple),
)


@QUICK
@given(st.lists(SAMPLES, max_size=3))
def test_json_there_and_back(samples):
    samples = kept(samples)
    again = parse_json(book_json(samples), "book.json")
    assert again == samples
    assert kept([*samples, *again]) == samples


@QUICK
@given(st.lists(SAMPLES, max_size=3), st.sampled_from(",;\t"))
def test_table_there_and_back(samples, mark):
    samples = kept(samples)
    content = book_csv(samples)
    if mark != ",":  # as a spreadsheet in another country saves it
        out = io.StringIO()
        rows = csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""))
        csv.writer(out, delimiter=mark).writerows(rows)
        content = out.getvalue().encode()
    again = parse_csv(content, "book.csv")
    assert [bare(one) for one in again] == [bare(one) for one in samples]
    # The same measurements, told by their fingerprints: an import of one's own table adds nothing.
    assert kept([*samples, *again]) == samples


def bare(one):
    return replace(one, records=tuple(replace(r, document=None) for r in one.records))


def test_the_same_book_gives_the_same_bytes():
    samples = kept([sample("b", record()), sample("a", record("on-loom"))])
    assert book_json(samples) == book_json(parse_json(book_json(samples), "x"))
    assert book_json([]) == b'{"schema": "pickglass.book/1", "samples": [\n\n]}\n'


# In a spreadsheet.


DANGEROUS = ["=1+1", "+1", "-1", "@SUM(A1)", "=cmd|' /C calc'!A0", "'=1", "''", '=HYPERLINK("x","y")']


@pytest.mark.parametrize("text", DANGEROUS)
def test_no_cell_begins_like_a_formula(text):
    one = sample(text, record(), warp_yarn=text, heddle=text, weave=text, notes=(text,))
    one = replace(one, records=(replace(one.records[0], photo=text.replace("/", "")),))
    content = book_csv([one])
    for row in csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")):
        assert not [cell for cell in row if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
    (again,) = parse_csv(content, "x")
    assert (again.name, again.warp_yarn, again.notes) == (text, text, (text,))


def test_pandas_opens_the_table(tmp_path):
    pandas = pytest.importorskip("pandas")
    unsure = record("washed-2", verdict="unsure")
    target = tmp_path / "book.csv"
    target.write_bytes(
        book_csv(
            [sample("=a", record(), unsure, sett_per_inch=20.0, notes=("one, two", "three")), sample("b")]
        )
    )
    table = pandas.read_csv(target)
    assert tuple(table.columns) == COLUMNS
    assert table["name"].tolist() == ["'=a", "'=a", "b"]
    assert table["ends_per_inch"].tolist()[:2] == [24.0, 24.0]
    assert math.isnan(table["ends_per_inch"][2])
    assert table["ends_per_inch"].dtype.kind == table["sett_per_inch"].dtype.kind == "f"
    assert table["notes"][0] == "one, two\nthree"
    assert table["verdict"].tolist()[:2] == ["measured", "unsure"]
    assert pandas.to_datetime(table["date"])[0].year == 2024


def test_a_table_made_by_hand():
    text = "Name;stage;date;ends_per_inch;picks_per_inch;warp_yarn\nscarf;washed;2024-05-31;12,5;10;'tis wool\n;;;;;\n"
    (got,) = parse_csv(text.encode(), "x")
    (kept_record,) = got.records
    assert (got.name, got.warp_yarn, kept_record.stage) == ("scarf", "'tis wool", "washed-1")
    assert (kept_record.figures["ends_per_inch"], kept_record.document["verdict"]) == (12.5, "measured")
    assert kept_record.document["messages"][0]["code"] == "from-table"


def test_rows_of_one_sample_must_agree():
    text = "name,heddle\nscarf,10\nScarf,\nSCARF,12\n"
    with pytest.raises(UsageError, match=r"line 4.*“12”.*“10”"):
        parse_csv(text.encode(), "x.csv")


# What is refused.

ROW = "name,stage,date,ends_per_inch\n"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "warp_yarn\nwool\n",
        "name,name\na,b\n",
        "name,thread\na,b\n",
        "name,\na,b\n",
        "name\na,b\n",
        'name\n"a\n',
        ROW + ",off-loom,2024-05-31,20\n",
        ROW + "a,,2024-05-31,20\n",
        ROW + "a,sold,2024-05-31,20\n",
        ROW + "a,washed,31.5.2024,20\n",
        ROW + "a,washed,,20\n",
        ROW + "a,washed,2024-05-31,nan\n",
        ROW + "a,washed,2024-05-31,inf\n",
        ROW + "a,washed,2024-05-31,1e999\n",
        ROW + "a,washed,2024-05-31,-20\n",
        ROW + "a,washed,2024-05-31,many\n",
        ROW + 'a,washed,2024-05-31,"20,5"\n',
        ROW + "a,washed,2024-05-31,\n",
        "name,sett_per_inch\na,NaN\n",
        "name,photo\na,b.jpg\n",
        "name,notes\na," + "x" * 200_000 + "\n",
    ],
)
def test_bad_tables(text):
    with pytest.raises(UsageError) as refused:
        parse_csv(text.encode(), "x.csv")
    assert "x.csv" in refused.value.problem
    assert refused.value.next_step


def changed(**changes):
    document = book(sample("band", record()))
    document["samples"][0] |= changes
    return document


def changed_record(**changes):
    document = book(sample("band", record()))
    document["samples"][0]["records"][0] |= changes
    return document


@pytest.mark.parametrize(
    "document",
    [
        None,
        [],
        {},
        {"schema": SCHEMA},
        {"schema": SCHEMA, "samples": {}},
        {"schema": SCHEMA, "samples": [None]},
        {"schema": SCHEMA, "samples": [], "more": 1},
        {"schema": "pickglass.book/2", "samples": []},
        measurement(),
        changed(name=None),
        changed(name="\ud83e"),
        changed(name="x" * 1000),
        changed(colour="red"),
        changed(sett_per_inch="20"),
        changed(sett_per_inch=10**400),
        changed(heddle=10),
        changed(notes="text"),
        changed(notes=[1]),
        changed(records=None),
        changed(records=[[]]),
        changed_record(stage="sold"),
        changed_record(date=20240531),
        changed_record(photo=1),
        changed_record(photo_sha256="ab"),
        changed_record(measurement=None),
        changed_record(measurement=measurement(schema="pickglass.sett/9")),
        changed_record(measurement={"schema": "pickglass.sett/1"}),
        changed_record(more=1),
    ],
)
def test_bad_books(document):
    with pytest.raises(UsageError) as refused:
        parse_json(as_bytes(document), "x.json")
    assert "x.json" in refused.value.problem
    assert refused.value.next_step


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"\xff\xfe{}",
        b"NaN",
        b'{"a": Infinity}',
        b"[" * 200_000,
        b"1" * 10_000,
        b'{"schema": 1}\x00',
    ],
)
def test_no_json(content):
    for parse in (parse_json, parse_measurement):
        with pytest.raises(UsageError) as refused:
            parse(content, "x.json")
        assert "x.json" in refused.value.problem


def test_what_is_no_number_is_named():
    with pytest.raises(UsageError, match=r"x\.json holds NaN where a number should be"):
        parse_measurement(b'{"ends": NaN}', "x.json")


def test_the_wrong_place_in_a_book_is_named():
    document = book(sample("good", record()), sample("band", record()))
    document["samples"][1]["records"][0]["measurement"]["ends"]["per_inch"] = -1
    with pytest.raises(UsageError, match=r"x\.json, sample 2 \(“band”\): ends_per_inch"):
        parse_json(as_bytes(document), "x.json")


def test_a_single_measurement_is_sent_to_book_add():
    with pytest.raises(UsageError, match="book add NAME --from"):
        parse_json(as_bytes(measurement()), "x.json")


def test_files_that_cannot_be_read(tmp_path):
    big = tmp_path / "big.json"
    big.write_bytes(b" " * 2000)
    with pytest.raises(UsageError, match="larger"):
        read_bounded(big, most_bytes=1000)
    for path in (tmp_path, tmp_path / "missing.json", tmp_path / ("x" * 300), big / "inside"):
        with pytest.raises(UsageError) as refused:
            read_bounded(path)
        assert refused.value.next_step


# Anything at all: a sentence, or samples that the book takes.

JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.just(10**400),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


def _places(value, way=()):
    """Return the way to every place in a document."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [way, *(place for key, inner in items for place in _places(inner, (*way, key)))]


def taken_or_refused(parse, content):
    samples, said = [], None
    try:
        samples = parse(content, "x")
    except UsageError as refused:
        said = refused
    if said is not None:
        assert (said.exit_code, bool(said.problem), bool(said.next_step)) == (2, True, True)
    again = kept(samples)
    assert parse_json(book_json(again), "x") == again
    assert book_csv(again)


@settings(QUICK, max_examples=250)
@given(st.data())
def test_a_book_with_anything_in_one_place(data):
    document = book(sample("band", record(), sett_per_inch=20.0, notes=("one",)), sample("scarf"))
    *way, last = data.draw(st.sampled_from(_places(document)[1:]))
    holder = document
    for key in way:
        holder = holder[key]
    if data.draw(st.booleans()):
        holder[last] = data.draw(JSON_VALUES)
    else:
        del holder[last]
    taken_or_refused(parse_json, json.dumps(document).encode())


BOTH = (sample("=band", record(), record("washed-2"), sett_per_inch=20.0, notes=("one", "two")), sample("b"))


@settings(QUICK, max_examples=250)
@given(st.sampled_from([(parse_json, book_json(BOTH)), (parse_csv, book_csv(BOTH))]), st.data())
def test_a_book_with_bytes_changed_lost_or_put_in(pair, data):
    parse, content = pair
    at = data.draw(st.integers(0, len(content)))
    gone = data.draw(st.integers(0, 40) | st.just(len(content)))
    put = data.draw(
        st.binary(max_size=6) | st.sampled_from([b"NaN", b'"', b",", b"\n", b"1e999", b"'", b"\x00"])
    )
    taken_or_refused(parse, content[:at] + put + content[at + gone :])


@settings(QUICK, max_examples=150)
@given(
    st.lists(
        st.lists(
            st.sampled_from(["", "a", "=1", "12", "-3", "nan", "washed", "2024-05-31", "'", '"', "x" * 90])
            | st.text(max_size=5),
            max_size=6,
        ),
        max_size=4,
    ),
    st.permutations(COLUMNS),
)
def test_a_table_of_anything(rows, columns):
    out = io.StringIO()
    csv.writer(out).writerows([columns[:6] if "name" in columns[:6] else ["name", *columns[:5]], *rows])
    taken_or_refused(parse_csv, out.getvalue().encode("utf-8", "replace"))
