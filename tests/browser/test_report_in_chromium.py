"""The report in a browser: on a phone, on a desk, on paper."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from pickglass.cli.main import main
from pickglass.cli.pipeline import Request, measure_photo
from pickglass.cli.report import sett_report

from ..cli.made_reports import MADE
from ..cli.small_photo import OPTIONS, REQUEST, draw, measured

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--enable-logging=stderr",
    "--virtual-time-budget=5000",
)
PAPERS_PT = {"A4": (595, 842), "Letter": (612, 792)}
# how many sheets each prints to: no command may bury a weaver in paper
SHEETS = {
    "drawn band": (3, 6),
    "wash_before.jpg": (3, 5),
    "several": (2, 4),
    "evenness": (3, 5),
    "evenness of two": (4, 7),
    "shrinkage": (4, 7),
    "plan": (2, 4),
    "card": (1, 3),
    "check": (1, 2),
    "lens": (1, 2),
    "book show": (1, 3),
    "book compare": (1, 2),
}
# Runs in a page around the report, for the report itself allows no script.
PROBE = """
<script>
addEventListener("load", () => {
  const frame = document.querySelector("iframe"), page = frame.contentDocument, edge = frame.clientWidth;
  const wide = [...page.body.querySelectorAll("*")].filter(e => !e.closest("svg") || e.tagName === "svg")
    .filter(e => e.getClientRects().length && e.getBoundingClientRect().right > edge + 0.5)
    .map(e => e.tagName + ": " + e.textContent.trim().slice(0, 40));
  const letters = [...page.body.querySelectorAll("p, li, td, th, dt, dd, figcaption, h1, h2, h3, caption")]
    .filter(e => e.getClientRects().length).map(e => parseFloat(getComputedStyle(e).fontSize));
  const charts = [...page.querySelectorAll("svg text")].map(e => e.getBoundingClientRect().height);
  document.getElementById("found").textContent = JSON.stringify({
    scroll: page.documentElement.scrollWidth, width: edge, wide: wide,
    broken: [...page.images].filter(i => !i.naturalWidth).length, images: page.images.length,
    smallest: Math.min(...letters), chart_letters: charts.length ? Math.min(...charts) : null,
    title: page.title, ground: getComputedStyle(page.documentElement).backgroundColor
  });
});
</script>
"""


SHOWN: dict[Path, str] = {}


@pytest.fixture(scope="module", params=SHEETS)
def report(request, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("browser")
    path = folder / "report.html"
    SHOWN[path] = request.param
    if request.param in MADE:
        path.write_bytes(MADE[request.param](folder))
        return path
    if request.param == "several":
        for number in range(4):
            draw(folder / f"a sample with a rather long name of its own, number {number}.png", seed=number)
        (folder / "text.jpg").write_text("no photo")
        with pytest.raises(SystemExit):
            main(["sett", str(folder), *OPTIONS, "--report", str(path)])
        return path
    if request.param == "drawn band":
        wanted = REQUEST
        photo, measurement = measured(folder, (1400, 200))
    else:
        wanted = Request()
        photo, measurement = measure_photo(ROOT / "sample_images" / request.param, wanted)
    path.write_bytes(sett_report(photo, measurement, wanted))
    return path


def browse(tmp_path: Path, *words: str) -> tuple[str, str]:
    if CHROMIUM is None:
        pytest.skip("no Chromium here")
    profile = tmp_path / "profile"
    done = subprocess.run(
        [CHROMIUM, *FLAGS, f"--user-data-dir={profile}", *words],
        capture_output=True,
        timeout=120,
        check=True,
        cwd=tmp_path,
    )
    return done.stdout.decode("utf-8"), done.stderr.decode("utf-8", "replace")


@pytest.mark.parametrize("width", [320, 360, 768, 1280])
def test_page_fits_and_says_nothing_on_the_console(report, tmp_path, width):
    page = tmp_path / "frame.html"
    inside = html.escape(report.read_text("utf-8"), quote=True)
    page.write_text(
        f'<!doctype html><meta charset="utf-8"><body style="margin:0">{PROBE}'
        f'<iframe style="border:0;width:{width}px;height:800px" srcdoc="{inside}"></iframe><pre id="found"></pre>',
        "utf-8",
    )
    shown, log = browse(tmp_path, "--dump-dom", page.as_uri())
    match = re.search(r'<pre id="found">(\{.*?\})</pre>', shown, re.DOTALL)
    assert match is not None
    found = json.loads(html.unescape(match[1]))
    assert found["wide"] == []
    assert found["scroll"] <= width
    assert found["broken"] == 0
    if SHOWN[report] not in MADE:
        assert found["images"] >= 4  # of one photo four views at least, of several photos one each
    assert found["smallest"] >= 14.0  # CSS pixels
    assert found["chart_letters"] is None or found["chart_letters"] >= 10.0  # null without a chart
    assert "CONSOLE" not in log


@pytest.mark.parametrize("width", [320, 390])
@pytest.mark.parametrize(
    "order", ["[8 rust, 4 cream]", "8 red, [3 white 1 blue 2 ochre 1 darkslategrey], 8 red"]
)
def test_warping_sheet_can_be_read_on_a_phone(tmp_path, width, order):
    sheet = tmp_path / "sheet.html"
    words = ("--width", "25cm", "--length", "1.8m", "--sett", "5/cm", "--order", order, "--sheet", str(sheet))
    with pytest.raises(SystemExit):
        main(["plan", *words, "--title", "A scarf with rather a long name"])
    page = tmp_path / "frame.html"
    inside = html.escape(sheet.read_text("utf-8"), quote=True)
    page.write_text(
        f'<!doctype html><meta charset="utf-8"><body style="margin:0">{PROBE}'
        f'<iframe style="border:0;width:{width}px;height:800px" srcdoc="{inside}"></iframe><pre id="found"></pre>',
        "utf-8",
    )
    shown, _ = browse(tmp_path, "--dump-dom", page.as_uri())
    match = re.search(r'<pre id="found">(\{.*?\})</pre>', shown, re.DOTALL)
    assert match is not None
    found = json.loads(html.unescape(match[1]))
    # The threading alone, cells of a letter or a number, is pushed sideways in a box of its own.
    cell = r"(DIV|SPAN): \s*(\d+|▼)?\s*[A-Z]?\s*"
    assert [what for what in found["wide"] if not re.fullmatch(cell, what)] == []
    assert found["scroll"] <= width
    assert found["smallest"] >= 13.0


@pytest.mark.parametrize("paper", sorted(PAPERS_PT))
def test_page_prints(report, tmp_path, paper):
    pypdfium2 = pytest.importorskip("pypdfium2")
    page, pdf = tmp_path / "page.html", tmp_path / "page.pdf"
    text = report.read_text("utf-8")
    page.write_text(text.replace("</style>", f"@page {{ size: {paper}; }}</style>", 1), "utf-8")
    browse(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri())
    document = pypdfium2.PdfDocument(pdf)
    low, high = SHEETS[SHOWN[report]]
    assert low <= len(document) <= high
    words = ""
    for sheet in document:
        assert sheet.get_size() == pytest.approx(PAPERS_PT[paper], abs=1.0)
        words += sheet.get_textpage().get_text_bounded()
        picture = sheet.render(scale=0.5, grayscale=True).to_numpy()
        assert (picture < 245).mean() > 0.01  # no sheet left empty
    always = ("Notes", "A count says nothing of strength", "pickglass")
    for part in always if SHOWN[report] in MADE else (*always, "Ends per inch", "measured"):
        assert part in words
    document.close()
