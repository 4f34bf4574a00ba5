"""The warping sheet: what stands on it, and that it prints on one page."""

import re
import shutil
import subprocess

import pytest
from plan_files import run_plan

from pickglass.cli.plan_colours import paint_for
from pickglass.cli.plan_preview import draw_face

BAND = (
    *("--band", "--width", "25mm", "--length", "1m", "--sett", "50/25mm", "--picks", "10/in"),
    *("--order", "6 navy, 8 (1 cream 1 navy), 6 rust, 8 (1 navy 1 cream), 6 navy", "--count", "odd"),
)
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.fixture(autouse=True)
def _memory(tmp_path, monkeypatch):
    monkeypatch.setenv("PICKGLASS_MEMORY", str(tmp_path / "memory.json"))


def sheet(tmp_path, *words):
    path = tmp_path / "sheet.html"
    run_plan(*words, "--sheet", path, "--overwrite")
    return path.read_text(encoding="utf-8")


def test_every_end_is_on_the_chart(tmp_path):
    page = sheet(tmp_path, *BAND)
    assert len(re.findall(r'class="end[ "]', page)) == 51
    assert page.count('class="void"') == 51
    assert page.count("▼</span>") == 1


def test_a_wide_warp_says_where_each_step_begins(tmp_path):
    # 263 ends have no room for a chart; in two sheds the fifth end goes where the first went, the next odd one too.
    page = sheet(
        tmp_path,
        *("--width", "50cm", "--length", "2m", "--sett", "12/in", "--picks", "12/in"),
        *("--order", "5 navy, [6 cream 2 rust], 4 navy", "--first", "hole"),
    )
    assert re.findall(r"from (slot|hole) ·", page) == ["hole", "slot", "slot"]


def test_words_cannot_become_markup(tmp_path):
    page = sheet(tmp_path, *BAND, "--title", "<script>alert(1)</script> & co")
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_nothing_is_fetched(tmp_path):
    page = sheet(tmp_path, *BAND)
    assert not re.search(r"(?:src|href)=\"(?!data:)", page)
    assert "url(" not in page
    assert "@import" not in page


def test_colours_also_carry_letters(tmp_path):
    # The sheet must be readable without colour: every chip and every cell of the chart has its letter.
    page = sheet(tmp_path, *BAND)
    cells = re.findall(r'class="(?:chip|cell)[^>]*>([^<]*)<', page)
    assert len(cells) > 51
    assert set(cells) == {"A", "B", "C"}


def test_the_face_shows_each_end_on_its_own_picks():
    ends = ("navy", "cream") * 6
    paints, unknown = paint_for([*ends, "weft"], {"weft": "#000000"})
    assert not unknown
    face = draw_face(ends, ("weft",), paints, band=True, picks=8)
    pitch, step = face.width / 13, face.height / 9
    for row, column in ((3, 4), (4, 5), (5, 6)):
        # Picks are drawn from the bottom; an end shows where its number and the pick's are alike in parity.
        pixel = face.getpixel((round((column + 1) * pitch), round((8 - row) * step)))
        expected = paints[ends[column]] if (column + row) % 2 == 0 else None
        assert (pixel == expected) == (expected is not None)


def test_unknown_colours_stay_apart():
    paints, unknown = paint_for(["blorp", "dark-red", "teal", "flim"], {})
    assert unknown == ("blorp", "flim")
    assert paints["blorp"] != paints["flim"]


CASES = {
    "band": BAND,
    "plain": ("--width", "50cm", "--length", "2m", "--sett", "40/10cm", "--picks", "9/in"),
    "many steps": (
        *("--width", "20cm", "--length", "2m", "--sett", "60/10cm", "--picks", "9/in", "--order"),
        ", ".join(f"{i % 4 + 1} shade-{i % 9}-{'x' * (i % 5)}" for i in range(60)),
    ),
    "many colours": (
        *("--width", "20cm", "--length", "2m", "--sett", "60/10cm", "--picks", "9/in", "--order"),
        ", ".join(f"2 shade-number-{i}" for i in range(45)),
        *("--title", "A long name for a piece that needs more than a single line"),
    ),
}


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium to print with")
@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("case", sorted(CASES))
def test_prints_on_one_page(tmp_path, case, paper):
    pdfium = pytest.importorskip("pypdfium2")
    sheet(tmp_path, *CASES[case], "--paper", paper)
    pdf = tmp_path / "sheet.pdf"
    flags = (
        "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking"
    )
    subprocess.run(
        [
            str(CHROMIUM),
            *flags.split(),
            "--disable-component-update",
            "--disable-sync",
            "--no-pdf-header-footer",
            f"--user-data-dir={tmp_path / 'profile'}",
            f"--print-to-pdf={pdf}",
            (tmp_path / "sheet.html").as_uri(),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    document = pdfium.PdfDocument(pdf)
    assert len(document) == 1
    width_pt, height_pt = document[0].get_size()
    # ISO 216 A4 210 x 297 mm; US Letter 8.5 x 11 in; 72 points to the inch.
    expected = (595.3, 841.9) if paper == "a4" else (612.0, 792.0)
    assert (width_pt, height_pt) == pytest.approx(expected, abs=1.0)
    document.close()
