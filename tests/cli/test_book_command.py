"""`pickglass book` from the command line."""

import hashlib
import io
import json
import shutil
import sys

import pytest
from book_samples import measurement

from pickglass.cli import book_command
from pickglass.cli.main import main

UNSURE = measurement(verdict="unsure")
UNSURE["ends"] = UNSURE["ends"] | {"alternatives_per_inch": [48.0]}


@pytest.fixture(autouse=True)
def usual_book(tmp_path, monkeypatch):
    monkeypatch.delenv("PICKGLASS_BOOK", raising=False)
    monkeypatch.setenv("PICKGLASS_MEMORY", str(tmp_path / "kept" / "memory.json"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "kept" / "samples.book"


@pytest.fixture
def run(capsys):
    """Run a command; returns its exit code, what it printed and what it complained of."""

    def _run(*words):
        with pytest.raises(SystemExit) as left:
            main(["book", *map(str, words)])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return left.value.code, out, err

    return _run


@pytest.fixture
def done(run):
    """Run a command that must succeed without a complaint; returns what it printed."""

    def _done(*words):
        code, out, err = run(*words)
        assert (code, err) == (0, "")
        return out

    return _done


@pytest.fixture
def refused(run):
    """Run a command that must be refused in one sentence and one thing to do; returns what it said."""

    def _refused(*words):
        code, out, err = run(*words)
        assert (code, out) == (2, "")
        problem, step = err.strip().splitlines()
        assert problem.endswith((".", "?"))
        assert step.startswith("What to do: ")
        assert "internal" not in err
        assert "mistake in pickglass" not in err
        return err

    return _refused


@pytest.fixture
def save(tmp_path):
    def _save(name, document):
        path = tmp_path / name
        path.write_text(json.dumps(document), encoding="utf-8")
        return path

    return _save


def command(*words):
    with pytest.raises(SystemExit) as left:
        main(["book", *map(str, words)])
    assert left.value.code == 0


@pytest.fixture(scope="module")
def three(tmp_path_factory):
    """A folder with a book of three samples and the files it was made from."""
    folder = tmp_path_factory.mktemp("three")
    saved = {"a": measurement(), "b": measurement(ends=26.0, picks=14.0), "c": UNSURE}
    for name, document in saved.items():
        (folder / f"{name}.json").write_text(json.dumps(document), encoding="utf-8")
    (folder / "band.jpg").write_bytes(b"picture")
    (folder / "kept").mkdir()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PICKGLASS_BOOK", "kept/samples.book")
        patch.chdir(folder)
        yarns = ("--warp-yarn", "Cotton 8/2", "--weft-yarn", "linen")
        command(
            "add", "Garden band", "--from", "a.json", "--photo", "band.jpg", "--date", "2024-05-31", *yarns
        )
        command("add", "garden band", "--from", "b.json", "--stage", "washed", "--note", "lukewarm")
        command("add", "Scarf", "--from", "c.json", "--stage", "washed-2", "--weave", "2/2 twill")
        command("add", "Wish", "--sett", "15/in", "--yarn", "wool", "--heddle", "reed 15")
    return folder


@pytest.fixture
def filled(three, tmp_path):
    shutil.copytree(three, tmp_path, dirs_exist_ok=True)


def shown(done, name):
    return json.loads(done("show", name, "--json"))


def names(done, *words):
    return [one["name"] for one in json.loads(done("list", *words, "--json"))["samples"]]


def test_a_sample_through_its_life(done, filled):
    got = shown(done, "GARDEN BAND")
    assert got["schema"] == "pickglass.book-sample/1"
    assert (got["name"], got["warp_yarn"], got["notes"]) == ("Garden band", "Cotton 8/2", ["lukewarm"])
    first, washed = got["records"]
    assert (first["stage"], first["date"]) == ("off-loom", "2024-05-31")
    assert first["photo_sha256"] == hashlib.sha256(b"picture").hexdigest()
    assert first["measurement"] == measurement()
    assert (washed["stage"], washed["photo_sha256"]) == ("washed-1", None)


def test_show_is_short_and_aligned(done, filled):
    out = done("show", "Garden band")
    assert "24.0 ± 0.3" in out
    assert "lukewarm" in out
    lines = out.splitlines()
    table = lines[lines.index("") + 1 :][:3]
    assert len({line.index("  plain") for line in table[1:]}) == 1
    assert max(map(len, lines)) <= 88


def test_doubt_is_never_hidden(done, filled):
    assert "24.0 ± 0.3?" in done("list")
    out = done("show", "Scarf")
    assert "24.0 ± 0.3?" in out
    assert "could also be 48.00 per inch" in out
    assert "unsure" in done("compare", "Garden band", "Scarf")
    got = json.loads(done("compare", "Garden band", "Scarf", "--json"))["differences"]
    assert got["ends_per_inch"] is None
    assert got["picks_per_inch"] == pytest.approx(-2.0)


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ((), ["Garden band", "Scarf", "Wish"]),
        (("--yarn", "cotton"), ["Garden band"]),
        (("--yarn", "LINEN"), ["Garden band"]),
        (("--weave", "twill"), ["Scarf"]),
        (("--weave", "plain"), ["Garden band", "Scarf"]),
        (("--ends", "25..27"), ["Garden band"]),
        (("--ends", "10..20"), ["Wish"]),
        (("--ends", "40..50"), ["Scarf"]),  # the other reading of an unsure photo
        (("--picks", "13..15"), ["Garden band"]),
        (("--yarn", "cotton", "--weave", "twill"), []),
    ],
)
def test_search(done, filled, words, found):
    assert names(done, *words) == found


def test_a_search_in_vain_says_so(done, filled):
    assert done("list", "--yarn", "silk") == "None of the 3 samples in the book is like that.\n"


def test_compare(done, filled, save):
    done(
        "add",
        "Twin",
        "--from",
        save("d.json", measurement(ends=24.2)),
        "--photo",
        "band.jpg",
        "--stage",
        "off-loom",
    )
    out = done("compare", "Garden band", "Twin", "--stage", "off-loom")
    assert "none that can be told" in out  # 0.2 apart, both good to 0.3
    out = done("compare", "Twin", "Garden band")
    assert "+1.8 ± 0.4" in out
    assert "Note: Twin was measured off-loom, Garden band washed" in out
    got = json.loads(done("compare", "Twin", "Garden band", "--json"))["differences"]
    # GUM 5.1.2: independent uncertainties add as the root of the sum of squares.
    assert (got["ends_per_inch"], got["ends_u95_per_inch"]) == pytest.approx((1.8, 0.18**0.5))


def test_compare_needs_two_measured_at_that_stage(refused, filled):
    assert "washed" in refused("compare", "Garden band", "Scarf", "--stage", "on-loom")
    assert "two samples" in refused("compare", "Scarf", "scarf")


def test_adding_twice_and_changing_a_fact(done, refused, filled):
    assert "already" in done("add", "Garden band", "--from", "a.json", "--photo", "band.jpg")
    assert len(shown(done, "Garden band")["records"]) == 2
    out = done("add", "Wish", "--heddle", "reed 12")
    assert "The heddle was “reed 15” and is now “reed 12”." in out
    assert "nothing was given" in refused("add", "wish")


def test_a_photo_that_the_measurement_does_not_name(done, filled, tmp_path):
    (tmp_path / "other.jpg").write_bytes(b"another picture")
    out = done("add", "New", "--from", "a.json", "--photo", "other.jpg", "--stage", "washed")
    assert "names the photo band.jpg, not other.jpg" in out
    assert "names" not in done("add", "New", "--from", "b.json", "--photo", "band.jpg", "--stage", "washed")


def test_a_measurement_from_a_pipe(done, monkeypatch):
    class Pipe:
        buffer = io.BytesIO(json.dumps(measurement()).encode())

    monkeypatch.setattr(sys, "stdin", Pipe)
    assert "24.0 ± 0.3 ends" in done("add", "band", "--from", "-")


@pytest.mark.parametrize("name", ['"quoted" it\'s', "🧵👩‍🌾", "=1+1", "a\nb", "x" * 80, "%s", "تست"])
def test_unusual_names(done, name):
    done("add", name, "--yarn", "wool")
    tidy = " ".join(name.split())
    assert shown(done, name)["name"] == tidy
    assert tidy[:8] in done("list")


def test_a_name_with_a_leading_dash(done, refused, filled):
    done("add", "--yarn", "wool", "--", "-x")
    assert json.loads(done("show", "--json", "--", "-x"))["name"] == "-x"
    assert "No such option" in refused("show", "-x")


def test_export_and_import(done, refused, filled, tmp_path):
    assert "3 samples, 3 measurements" in done("export", "book.json")
    done("export", "book.csv")
    before = (tmp_path / "book.json").read_bytes()
    assert "already there" in refused("export", "book.json")
    assert (tmp_path / "book.json").read_bytes() == before
    other = ("--book", "other.db")
    assert "3 new samples, 0 known by name; 3 measurements added, 0 there already" in done(
        "import", "book.csv", *other
    )
    assert "0 new samples, 3 known by name; 0 measurements added, 3 there already" in done(
        "import", "book.json", *other
    )
    done("export", "again.json", *other)
    assert (tmp_path / "again.json").read_bytes() == before


def test_import_leaves_what_the_book_says(done, filled):
    done("export", "book.json")
    done("add", "Wish", "--heddle", "reed 12")
    out = done("import", "book.json")
    assert "Left as it was: the heddle of “Wish” is “reed 12”; the file says “reed 15”." in out
    assert shown(done, "Wish")["heddle"] == "reed 12"


def test_a_bad_import_leaves_the_book_as_it_was(refused, filled, done, tmp_path, usual_book):
    done("export", "book.json")
    document = json.loads((tmp_path / "book.json").read_text())
    document["samples"][0]["name"] = "New one"
    document["samples"][-1]["records"] = [{"stage": "washed"}]
    (tmp_path / "bad.json").write_text(json.dumps(document))
    before = usual_book.read_bytes()
    assert "“Wish”" in refused("import", "bad.json")
    assert usual_book.read_bytes() == before
    # With no book yet, none is begun.
    refused("import", "bad.json", "--book", "other.db")
    assert not (tmp_path / "other.db").exists()


def test_the_first_words_of_an_empty_book(done, refused, usual_book):
    assert "empty so far" in done("list")
    assert json.loads(done("list", "--json"))["samples"] == []
    assert "book add" in refused("show", "band")
    assert "book add" in refused("export", "x.csv")
    assert not usual_book.parent.exists()


@pytest.mark.parametrize(
    "words",
    [
        ("add", ""),
        ("add", "a\x1bb", "--yarn", "wool"),
        ("add", "x" * 81),
        ("add", "band", "--from", "missing.json"),
        ("add", "band", "--from", "."),
        ("add", "band", "--from", "band.jpg"),
        ("add", "band", "--from", "refused.json"),
        ("add", "band", "--from", "nan.json"),
        ("add", "band", "--photo", "missing.jpg"),
        ("add", "band", "--photo", "."),
        ("add", "band", "--from", "a.json", "--stage", "sold"),
        ("add", "band", "--from", "a.json", "--date", "yesterday"),
        ("add", "band", "--stage", "washed"),
        ("add", "band", "--sett", "many"),
        ("add", "band", "--sett", "1e9/in"),
        ("add", "band", "--yarn", "x" * 300),
        ("add", "band", "--book", "nowhere/book.db"),
        ("add", "band", "--book", "band.jpg"),
        ("add", "band", "--book", "."),
        ("list", "--ends", "20"),
        ("list", "--ends", "nan..20"),
        ("list", "--book", "missing.db"),
        ("list", "--book", "band.jpg"),
        ("show", "Gardn band"),
        ("show", "\udce4"),
        ("compare", "Garden band", "nobody"),
        ("compare", "Garden band", "Scarf", "--stage", "sold"),
        ("export", "book.pdf"),
        ("export", "nowhere/book.json"),
        ("export", "book.json", "--book", "missing.db"),
        ("import", "missing.json"),
        ("import", "a.json"),
        ("import", "band.jpg"),
        ("import", "kept/samples.book"),
        ("import", "table.csv"),
        ("shw",),
    ],
)
def test_bad_input_gets_one_sentence(refused, filled, tmp_path, usual_book, words):
    (tmp_path / "band.jpg").write_bytes(b"\xff\xd8\xff\xe0 no book, no table" * 60)
    (tmp_path / "refused.json").write_text(json.dumps(measurement(verdict="refused")))
    (tmp_path / "nan.json").write_text(json.dumps(measurement(anything=float("nan"))))
    (tmp_path / "table.csv").write_text("name,sett_per_inch\ngood,20\nbad,NaN\n")
    before, files = usual_book.read_bytes(), sorted(tmp_path.rglob("*"))
    refused(*words)
    assert usual_book.read_bytes() == before
    assert sorted(tmp_path.rglob("*")) == files


def test_errors_as_json(run, filled):
    code, out, _ = run("show", "nobody", "--json")
    assert code == 2
    assert json.loads(out)["messages"][0]["code"] == "unknown-sample"


def test_the_export_does_not_replace_the_book(refused, done, tmp_path):
    done("add", "band", "--yarn", "wool", "--book", "book.json")
    assert "the book itself" in refused("export", "book.json", "--overwrite", "--book", "book.json")
    assert "band" in done("list", "--book", "book.json")


def test_where_the_usual_book_is(monkeypatch, tmp_path):
    monkeypatch.delenv("PICKGLASS_MEMORY")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert book_command.default_book().name == "samples.book"
    assert "pickglass" in str(book_command.default_book())
    monkeypatch.setenv("PICKGLASS_BOOK", str(tmp_path / "mine.db"))
    assert book_command.default_book() == tmp_path / "mine.db"


@pytest.mark.parametrize("command", ["add", "list", "show", "compare", "export", "import"])
def test_help_has_an_example(done, command):
    assert f"pickglass book {command} " in done(command, "--help").split("Example")[1]


def test_every_command_gives_one_json_document(done, save):
    first = save("a.json", measurement())
    added = json.loads(done("add", "garden band", "--from", first, "--yarn", "cotton 8/2", "--json"))
    assert added["schema"] == "pickglass.book-change/1"
    (sample,) = added["samples"]
    assert (sample["name"], sample["created"], sample["records_added"]) == ("garden band", True, 1)
    again = json.loads(done("add", "garden band", "--from", first, "--yarn", "wool", "--json"))["samples"][0]
    assert (again["created"], again["records_added"], again["records_known"]) == (False, 0, 1)
    assert again["differing"][0] == {"fact": "warp_yarn", "before": "cotton 8/2", "given": "wool"}
    written = json.loads(done("export", "all.json", "--json"))
    assert (written["samples"], written["records"]) == (1, 1)
    taken = json.loads(done("import", "all.json", "--json"))["samples"][0]
    assert (taken["records_added"], taken["records_known"]) == (0, 1)
