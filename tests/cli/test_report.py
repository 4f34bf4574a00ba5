"""The report as a file: complete, self-contained, escaped, bounded in size, the same each time."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from pickglass.calibration.notices import Notice
from pickglass.calibration.plane import scaling_plane
from pickglass.cli.charts import RUN, Spacings, spacing_chart, stretches
from pickglass.cli.main import main
from pickglass.cli.pipeline import Request
from pickglass.cli.report import sett_report
from pickglass.cli.request_text import options_text
from pickglass.measure.sett import SettMeasurement

from .page_outline import Outline, assert_readable_aloud, assert_self_contained
from .small_photo import OPTIONS, REQUEST, draw, measured

MOST_BYTES = 3_000_000


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return measured(tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def html(made) -> str:
    return sett_report(*made, REQUEST).decode("utf-8")


def test_report_needs_no_network(html):
    assert_self_contained(html)


def test_report_shows_what_was_measured(html, made):
    result = made[1].result
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))
    assert f"{result.ends.per_inch:.1f}" in text
    assert f"{result.picks.per_inch:.1f}" in text
    for words in (
        "Ends per inch",
        "Picks per inch",
        "± ",
        "per cm",
        "Check by eye",
        "Every end and pick",
        "How evenly the threads lie",
        "How it was measured",
        "Where the doubt in the ends comes from",
        "taken as exact, for it was given",
        "px per mm=8; all cloth",
        "A count says nothing of strength",
    ):
        assert words in text
    for line in (*made[1].plane.budget, *result.ends.budget, *result.picks.budget):
        assert line.name in text


def test_report_can_be_read_aloud(html):
    page = assert_readable_aloud(html)
    assert len(page.pictures) >= 4
    assert page.tags.count("svg") == 2


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours, WCAG 2.2 (relative luminance of sRGB)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_letters_have_contrast(html):
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text."""
    named = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", html))
    for letters, ground in (
        ("ink", "paper"),
        ("quiet", "paper"),
        ("quiet", "card"),
        ("ink", "card"),
        ("care", "paper"),
    ):
        assert contrast(named[letters], named[ground]) >= 4.5
    assert contrast("#ffffff", named["blue"]) >= 4.5
    assert contrast(named["care"], "#fff3d6") >= 4.5


def test_names_and_notices_are_escaped(made):
    photo, measurement = made
    name = '<script>alert("1")</script>\u202e\udce9&.jpg'
    result = replace(measurement.result, photo=name, notices=(Notice("x", "<img src=x onerror=alert(1)>"),))
    html = sett_report(photo, replace(measurement, result=result), Request(weave="plain")).decode("utf-8")
    assert "<script" not in html
    assert "&lt;script&gt;" in html
    assert "<img src=x" not in html
    assert "\u202e" not in html  # would turn the rest of the line round


def test_unsure_is_said_with_both_readings(made):
    photo, measurement = made
    picks = replace(measurement.result.picks, alternatives_per_inch=(33.87,), probability=0.7)
    result = replace(
        measurement.result,
        verdict="unsure",
        picks=picks,
        notices=(
            Notice("picks-unsure", "The picks can be read in more than one way in this photo.", doubt=True),
        ),
    )
    html = sett_report(photo, replace(measurement, result=result), REQUEST).decode("utf-8")
    assert "? unsure" in html
    assert "or as 33.87 per inch" in html
    assert "--expect-picks" in html
    assert "more than one way" not in html  # said once, with figures


def without_scale(measurement: SettMeasurement) -> SettMeasurement:
    none = {"per_inch": None, "per_cm": None, "u95_per_inch": None, "across_width_per_inch": None}
    result = measurement.result
    bare = replace(
        result,
        ends=replace(result.ends, **none),
        picks=replace(result.picks, **none),
        sample=replace(result.sample, width_mm=None, width_u95_mm=None, length_mm=None),
    )
    return replace(measurement, result=bare, plane=scaling_plane(1.0, "none"))


def test_report_without_scale_says_nothing_per_inch(made):
    html = sett_report(made[0], without_scale(made[1]), Request(no_scale=True)).decode("utf-8")
    assert "Ends per 1000 pixels" in html
    assert "nothing can be said per inch" in html
    assert "px across the width" in html


def test_report_of_what_could_not_be_followed(made):
    photo, measurement = made
    tracks = measurement.tracks
    nothing = replace(
        tracks.picks,
        count=0,
        positions_px=np.zeros(0),
        lines_px=np.zeros((0, 24)),
        stations_px=np.zeros((0, 24)),
        centres_index=np.zeros(0),
    )
    result = replace(
        measurement.result, picks=replace(measurement.result.picks, count=None, positions_mm=None)
    )
    untracked = replace(measurement, tracks=replace(tracks, picks=nothing), result=result)
    try:
        html = sett_report(photo, untracked, REQUEST).decode("utf-8")
    except (IndexError, ValueError) as error:
        pytest.fail(f"a report must be made of any measurement: {error}")
    assert "The picks could not be followed one by one" in html


def test_same_photo_same_report(made, html):
    assert sett_report(*made, REQUEST).decode("utf-8") == html


def test_a_long_band_is_cut_into_pieces_that_fit(tmp_path):
    photo, measurement = measured(tmp_path, (900, 200))
    html = sett_report(photo, measurement, REQUEST).decode("utf-8")
    assert "from left to right" in html
    pieces = [p for p in Outline(html).pictures if "laid flat" in (p["alt"] or "")]
    assert len(pieces) == 2
    assert "picks 1 to " in (pieces[0]["alt"] or "")
    assert all(1.0 < int(p["width"] or 0) / int(p["height"] or 1) < 4.0 for p in pieces)


def test_size_is_bounded_even_for_noise(made):
    """Noise is the worst that can be asked of JPEG."""
    photo, measurement = made
    rng = np.random.default_rng(1)
    noisy = replace(photo, bgr=rng.integers(0, 256, (2400, 2600, 3), dtype=np.uint8))
    patch = replace(measurement.patch, bgr=rng.integers(0, 256, measurement.patch.bgr.shape, dtype=np.uint8))
    assert len(sett_report(noisy, replace(measurement, patch=patch), REQUEST)) < MOST_BYTES


def test_command_writes_the_report_and_never_over_another(tmp_path, capsys):
    photo, target = draw(tmp_path / "a.png"), tmp_path / "a.html"
    with pytest.raises(SystemExit) as leaving:
        main(["sett", str(photo), *OPTIONS, "--report", str(target)])
    assert leaving.value.code == 0
    assert capsys.readouterr().out.endswith(f"\n\n  Written: {target} (open it in a browser)\n")
    first = target.read_bytes()
    assert first.startswith(b"<!doctype html>")
    with pytest.raises(SystemExit) as leaving:
        main(["sett", str(photo), *OPTIONS, "--report", str(target)])
    assert leaving.value.code == 2
    assert "already there" in capsys.readouterr().err
    assert target.read_bytes() == first


def test_report_name_must_say_what_it_is(capsys):
    with pytest.raises(SystemExit) as leaving:
        main(["sett", "a.jpg", "--report", "a.pdf"])
    assert leaving.value.code == 2
    assert "--report a.html" in capsys.readouterr().err


def test_options_are_told_in_words():
    assert options_text(Request()) == ""
    told = options_text(Request(weave="twill", ends_warped=48, scan=True, expect_ends=(20.0, 30.0)))
    assert told == "scan; weave=twill; ends warped=48; expect ends=20,30"


def spacings(spacing: np.ndarray, *, scaled: bool = True) -> Spacings:
    edges = np.concatenate([[0.0], np.cumsum(spacing)])
    return Spacings(name="ends", at=(edges[1:] + edges[:-1]) / 2, spacing=spacing, scaled=scaled)


def test_running_mean_ignores_pairs_and_shows_a_step():
    paired = spacings(np.tile([0.8, 1.2], 20))
    assert paired.running[1] == pytest.approx(np.ones(40 - RUN + 1))
    step = spacings(np.concatenate([np.full(20, 1.0), np.full(20, 1.2)])).running[1]
    assert (step[0], step[-1]) == (pytest.approx(1.0), pytest.approx(1.2))


def test_stretches_are_densities_of_their_own_part():
    """Spacing 1 mm is 25.4 per inch, 2 mm is 12.7."""
    rows = stretches(spacings(np.concatenate([np.full(40, 1.0), np.full(5, 2.0)])))
    assert [round(value, 1) for _, _, value in rows] == [25.4, 25.4, 25.4, 25.4, 12.7]
    assert rows[-1][1] == pytest.approx(50.0)


def test_chart_says_its_title_even_with_awkward_letters():
    svg = spacing_chart(spacings(np.full(9, 1.0)), title="a < b", description='"&"')
    assert "a &lt; b" in svg
    assert "<metadata" not in svg
