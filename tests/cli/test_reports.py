"""The reports of every command but sett (see test_report): self-contained, escaped, readable aloud, saying what they must."""

from __future__ import annotations

import re

import pytest
from book_samples import record, sample

from pickglass.cli.main import main
from pickglass.cli.report_blocks import Page, Section, Words, render
from pickglass.cli.report_book import compare_report

from .made_reports import MADE
from .page_outline import assert_readable_aloud, assert_self_contained
from .small_photo import OPTIONS, draw

MOST_BYTES = 3_000_000
WORDS = {
    "evenness": (
        "The beat becomes more open at once",
        "Perhaps a missed pick at",
        "ault 1: perhaps a missed pick",
        "Check by eye",
        "Every station",
        "The photo itself",
        "from end to end",
        "taken as exact, for it was given",
        "what was told",
    ),
    "evenness of two": (
        "Side by side",
        "monday.jpg",
        "differs",
        "? unsure",
        "Welch",
        "The photos themselves",
    ),
    "shrinkage": (
        "before.png",
        "shorter",
        "narrower",
        "thread spacing",
        "Wash by wash",
        "The samples at one scale",
        "ISO 5077",
        "Settled",
        "The photos themselves",
        "from end to end",
        "Check by eye",
    ),
    "plan": (
        "Wind a warp of",
        "Before anything is cut",
        "What the margin is for",
        "Every figure the plan rests on",
        "measured: w.json",
        "8 red, 4 (1 white 1 blue), 8 red",
        "cotton count 8",
    ),
    "card": ("Card A4-1", "Print at 100 %", "--code A4-1 --measured", "210 × 297 mm"),
    "check": ("99.2 mm", "-0.8 %", "Check by eye"),
    "lens": ("2.1", "inwards", "too much alike", "k1", "Zhang", "Check by eye"),
    "book show": ("washed-2", "cotton & wool", "? unsure", "How it changed", "Check by eye"),
    "book compare": ("Side by side", "Blue band", "measured off-loom", "Check by eye"),
}
CHARTS = {
    "evenness": 1,
    "evenness of two": 2,
    "shrinkage": 3,
    "plan": 1,
    "lens": 1,
    "book show": 2,
    "book compare": 2,
}


@pytest.fixture(scope="module", params=sorted(MADE))
def made(request, tmp_path_factory) -> tuple[str, str]:
    page = MADE[request.param](tmp_path_factory.mktemp("made"))
    assert len(page) < MOST_BYTES
    return request.param, page.decode("utf-8")


def test_needs_no_network(made):
    assert_self_contained(made[1])


def test_can_be_read_aloud(made):
    name, html = made
    assert_readable_aloud(html)
    assert len(re.findall(r"<svg[^>]+aria-labelledby", html)) == CHARTS.get(name, 0)


def test_names_are_escaped(made):
    html = made[1]
    assert "<script" not in html
    assert "\u202e" not in html  # would turn the rest of the line round
    for wild in ("<b>band", "<band>", "<Phone>", "<i>draws", "card & <b>"):
        assert wild not in html


def test_says_what_it_must(made):
    name, html = made
    text = re.sub(r"<[^>]+>", " ", html).replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
    text = re.sub(r"\s+", " ", text)
    for words in (*WORDS[name], "A count says nothing of strength", "pickglass"):
        assert words in text, words


def test_the_same_again(made, tmp_path):
    name, html = made
    assert MADE[name](tmp_path).decode("utf-8") == html


@pytest.mark.parametrize(
    "words",
    [
        ("evenness", "PHOTO", *OPTIONS),
        ("shrinkage", "PHOTO", "PHOTO", *OPTIONS),
        ("plan", "--width", "20in", "--length", "72in", "--sett", "20/in", "--picks", "18/in"),
        ("card", "page", "--output", "FOLDER/card.pdf"),
        ("card", "--code", "A4-1", "--measured", "99.2x99.4"),
    ],
)
def test_commands_write_the_report_and_never_over_another(words, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PICKGLASS_MEMORY", str(tmp_path / "memory.json"))
    photo, target = draw(tmp_path / "a.png", shape=(420, 260)), tmp_path / "a.html"
    named = [word.replace("PHOTO", str(photo)).replace("FOLDER", str(tmp_path)) for word in words]
    codes = []
    for _ in range(2):
        with pytest.raises(SystemExit) as leaving:
            main([*named, "--report", str(target)])
        codes.append(leaving.value.code)
        if len(codes) == 1:
            first = target.read_bytes()
            assert first.startswith(b"<!doctype html>")
            (tmp_path / "card.pdf").unlink(missing_ok=True)
    assert codes[0] in (0, 3)
    assert codes[1] == 2
    assert "already there" in capsys.readouterr().err
    assert target.read_bytes() == first


def test_two_results_never_go_into_one_file(capsys):
    with pytest.raises(SystemExit) as leaving:
        main(["plan", "--width", "9in", "--length", "9in", "--sheet", "a.html", "--report", "a.html"])
    assert leaving.value.code == 2
    assert "same file" in capsys.readouterr().err


def test_nothing_is_called_measured_where_one_of_two_samples_is_not():
    one, two = sample("Green band", record("off-loom")), sample("Blue band")
    both = compare_report(one, one, one.records[0], one.records[0]).decode()
    assert 'class="verdict measured"' in both
    assert 'class="verdict' not in compare_report(one, two, one.records[0], None).decode()


def test_a_number_keeps_its_doubt_and_its_unit_on_its_line():
    section = Section("x", [Words("47 ± 2 ends, sure to 95 % of 31.9 mm; 3 in a row, 12 in.")])
    html = render(Page(kind="k", title="t", made_from="f", sections=[section])).decode("utf-8")
    assert "47\u00a0±\u00a02 ends, sure to 95\u00a0% of 31.9\u00a0mm" in html
