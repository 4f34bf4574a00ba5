"""Numbers are rounded by their uncertainty."""

import ast
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import pickglass.cli
from pickglass.cli.rounding import plain, with_uncertainty


@pytest.mark.parametrize(
    ("value", "u95", "text"),
    [
        (24.1337, 0.17, "24.13 ± 0.17"),
        (24.1337, 0.34, "24.1 ± 0.3"),
        (24.1337, 0.0961, "24.13 ± 0.10"),
        (24.1337, 3.4, "24 ± 3"),
        (24.1337, 1.4, "24.1 ± 1.4"),
        (241.337, 34.0, "240 ± 30"),
        (241.337, 14.0, "241 ± 14"),
        (24.1337, None, "24.13"),
        (24.1337, 0.0, "24.13"),
        (4.7, 0.0009, "4.7000 ± 0.0009"),
    ],
)
def test_examples(value, u95, text):
    assert with_uncertainty(value, u95) == text


@given(st.floats(0.01, 5000), st.floats(1e-4, 1e3))
def test_rounding_moves_neither_figure_by_more_than_it_may(value, u95):
    shown, shown_u95 = map(float, with_uncertainty(value, u95).split(" ± "))
    # one digit 3..9 rounds by at most 0.5/2.95 of itself; the value by at most half of its last digit
    assert abs(shown_u95 - u95) <= 0.17 * u95
    assert abs(shown - value) <= 0.17 * u95 + 1e-9 * value


@given(st.floats(0.001, 99999))
def test_plain_keeps_four_digits(value):
    text = plain(value)
    assert re.fullmatch(r"\d+(\.\d+)?", text)
    assert abs(float(text) - value) <= 0.0005 * value


@given(st.floats(-0.05, 0.0), st.sampled_from([0.1, 0.7, 3.0, 40.0]))
def test_what_rounds_to_nothing_has_no_sign(value, u95):
    for number in with_uncertainty(value, u95).split(" ± "):
        assert not re.fullmatch(r"-0(\.0*)?", number)


def fixed_formats():
    """Every format with fixed digits in the replacement fields of the command's modules: file, line and format."""
    (folder,) = pickglass.cli.__path__
    for path in sorted(Path(folder).glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
                parts = node.format_spec.values
                spec = "".join(p.value if isinstance(p, ast.Constant) else "1" for p in parts)
                if spec.endswith("f"):
                    yield path.name, node.lineno, spec


def test_no_cell_can_say_minus_zero():
    found = list(fixed_formats())
    assert len(found) > 60  # the search itself works
    assert [place for place in found if "z" not in place[2]] == []
