"""Values of options: what is taken, and that every refusal names what would be."""

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pickglass.calibration.errors import UsageError
from pickglass.cli import options
from pickglass.cli.pipeline import Request

from .command import run

PARSERS = {
    "number": options.number("--x", 0.5, 5000, "x"),
    "integer": options.integer("--n", 2, 20000, "n"),
    "span": options.span("--s", 0.5, 1000, "s"),
    "choice": options.choice("--c", ("plain", "twill")),
    "area": options.area,
    "picture": options.picture_path("--p"),
}


@pytest.mark.parametrize(
    ("parser", "text", "value"),
    [
        ("number", "12.5", 12.5),
        ("number", " 1e3 ", 1000.0),
        ("integer", "48", 48),
        ("span", "20..30", (20.0, 30.0)),
        ("span", "7.5..8", (7.5, 8.0)),
        *[("span", text, (12.0, 15.5)) for text in ("12-15.5", "12 – 15.5", "12 to 15.5", "12…15.5")],
        ("choice", "Twill", "twill"),
        ("area", "0,10,200,300", (0, 10, 200, 300)),
    ],
)
def test_good_values(parser, text, value):
    assert PARSERS[parser](text) == value


@pytest.mark.parametrize(("parser", "text"), [("number", "8,5"), ("integer", "1,200"), ("span", "12,5..15")])
def test_a_decimal_comma_is_told_what_to_write(parser, text):
    with pytest.raises(UsageError) as caught:
        PARSERS[parser](text)
    assert "with a point and not a comma" in caught.value.next_step


@pytest.mark.parametrize(
    ("parser", "text"),
    [
        *[("number", text) for text in ("", "x", "nan", "inf", "-3", "0", "5001", "1,5")],
        *[("integer", text) for text in ("1", "2.5", "20001", "nan", "")],
        *[
            ("span", text)
            for text in (
                "20",
                "20-",
                "-20",
                "20--30",
                "30..20",
                "20..20",
                "..",
                "a..b",
                "0..10",
                "20..nan",
                "1..1e9",
            )
        ],
        *[("choice", text) for text in ("", "lace")],
        *[
            ("area", text)
            for text in ("", "1,2,3", "1,2,3,4", "-1,0,100,100", "0,0,nan,100", "0.5,0,100,100")
        ],
        *[("picture", text) for text in ("", "marks", "marks.gif", "marks.jpg.txt")],
    ],
)
def test_bad_values_are_refused_with_a_next_step(parser, text):
    with pytest.raises(UsageError) as refused:
        PARSERS[parser](text)
    assert refused.value.next_step


@given(st.sampled_from(sorted(PARSERS)), st.text(max_size=20))
def test_any_text_is_taken_or_refused_in_words(parser, text):
    with contextlib.suppress(UsageError):
        PARSERS[parser](text)


PHOTO_OPTIONS = (
    *("--card", "--px-per-mm", "--points", "--rule", "--scan", "--dpi", "--all-cloth", "--area", "--warp"),
    *("--weave", "--ends-warped", "--expect-ends", "--expect-picks", "--cloth-thickness", "--card-on-cloth"),
)


@pytest.mark.parametrize("command", ["sett", "evenness", "shrinkage"])
def test_every_command_that_measures_takes_the_same_options(capsys, command):
    code, out, _ = run(capsys, command, "--help")
    assert code == 0
    assert [option for option in PHOTO_OPTIONS if f"\n  {option} " not in out] == []
    assert ("\n  --no-scale " in out) == (command == "sett")  # the others have nothing to say without a scale


def test_options_reach_the_measurement_as_they_were_typed(capsys, monkeypatch):
    asked = []

    def measure_photo(path, request, **_):
        asked.append(request)
        raise UsageError("stop", "Enough.", "Nothing.")

    monkeypatch.setattr("pickglass.cli.pipeline.measure_photo", measure_photo)
    words = (
        "--dpi",
        "600",
        "--weave",
        "twill",
        "--area",
        "1,2,64,64",
        "--expect-ends",
        "20..30",
        "--all-cloth",
    )
    assert run(capsys, "sett", "a.jpg", *words)[0] == 2
    assert asked == [
        Request(
            scan=True,
            dpi=600.0,
            weave="twill",
            area_px=options.Rectangle(1, 2, 64, 64),
            expect_ends=options.Span(20.0, 30.0),
            all_cloth=True,
        )
    ]
