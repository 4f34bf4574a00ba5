"""Yarn counts beside the published tables."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pickglass.calibration.errors import UsageError
from pickglass.measure.quantities import GRAMS_PER_POUND, MM_PER_YARD
from pickglass.measure.yarn import SYSTEMS, count_to_tex, mass_g, parse_yarn, tex_from_weighing, tex_to_count

GRAIN_G = GRAMS_PER_POUND / 7000


# ASTM D2260, Table 1: the constant of every system.
@pytest.mark.parametrize(
    ("system", "constant"),
    [
        ("cotton", 590.541),
        ("worsted", 885.812),
        ("woollen run", 310.034),
        ("linen lea", 1653.52),
        ("yards per pound", 496_055),
        ("metric", 1000.0),
    ],
)
def test_constants_of_indirect_systems(system, constant):
    count = constant / 100
    assert count_to_tex(count, system) == pytest.approx(100.0, rel=1e-12)


@pytest.mark.parametrize(
    ("system", "yards", "last_digit"),
    [("cotton", 840, 0.001), ("worsted", 560, 0.001), ("woollen run", 1600, 0.001), ("linen lea", 300, 0.01)],
)
def test_constants_follow_from_their_definitions(system, yards, last_digit):
    # Independent of the table: hanks of so many yards per pound; the table is right to half its last digit.
    tex = GRAMS_PER_POUND / (yards * MM_PER_YARD / 1e6)
    assert count_to_tex(1.0, system) == pytest.approx(tex, abs=0.51 * last_digit)


def test_denier_is_nine_times_tex():
    # ASTM D2260, Table 1.
    assert tex_to_count(50.0, "denier") == pytest.approx(450.0)


def test_cotton_10_is_worsted_15():
    # ASTM D2260, worked example.
    assert tex_to_count(count_to_tex(10, "cotton"), "worsted") == pytest.approx(15.0, rel=1e-5)


def test_30_tex_in_cotton_count():
    # ASTM D2260 prints 19.7; exact 590.541 / 30 = 19.685.
    assert tex_to_count(30.0, "cotton") == pytest.approx(19.68470, abs=1e-5)


def test_weighed_lea_of_cotton():
    # Taylor, Cotton Weaving and Designing, 6th ed. 1909, p. 429: 120 yd weighing 20 grains is a 50s.
    weighed = tex_from_weighing(120 * MM_PER_YARD, 20 * GRAIN_G)
    assert tex_to_count(weighed.tex, "cotton") == pytest.approx(50.0, rel=1e-5)


def test_weighed_32s():
    # Textile handout (computed): 120 yd of a nominal 32s weigh 2.05 g, so the yarn is a 31.6.
    weighed = tex_from_weighing(120 * MM_PER_YARD, 2.05)
    assert tex_to_count(weighed.tex, "cotton") == pytest.approx(31.61, abs=0.005)


def test_weighing_uncertainty_is_that_of_the_scales():
    # 10 m, 1.0 g on scales good to 0.05 g: 5 % rectangular, so U95 = 2 * 5 / sqrt(3) %; the tape adds nothing here.
    weighed = tex_from_weighing(10_000, 1.0, length_half_width_mm=0.0)
    assert weighed.u95_tex / weighed.tex == pytest.approx(0.1 / math.sqrt(3), rel=1e-9)


def test_folded_yarn():
    # Textile handouts: 2/30s equals a 15s in the indirect systems ...
    assert count_to_tex(30, "cotton", plies=2) == pytest.approx(count_to_tex(15, "cotton"))
    # ... folded spun silk is numbered as it comes (from memory) ...
    assert count_to_tex(60, "spun silk", plies=2) == pytest.approx(count_to_tex(60, "cotton"))
    # ... and direct systems multiply.
    assert count_to_tex(30, "tex", plies=2) == 60


@pytest.mark.parametrize(
    ("text", "tex"),
    [
        ("cotton 8/2", 590.541 / 4),
        ("Ne 8/2", 590.541 / 4),
        ("2/24 worsted", 885.812 / 12),
        ("2/30s cotton", 590.541 / 15),
        ("Nm 28/2", 1000 / 14),
        ("nm 2/28", 1000 / 14),
        ("lea 40/2", 1653.52 / 20),
        ("run 3", 310.034 / 3),
        ("30 tex x 2", 60.0),
        ("30 tex", 30.0),
        ("150 denier", 150 / 9),
        ("3360 yd/lb", 496_055 / 3360),
        ("400 m/100g", 250.0),
        ("100 m/50g", 500.0),
        ("Ne 3/2", 590.541 / 1.5),
        ("300 dtex", 30.0),
        ("dtex 167 x 2", 33.4),
        ("210 m / 50 g", 50_000 / 210),
        ("1750 yd per lb", 453_592.37 / (1750 * 0.9144)),
        ("1800 m/kg", 1_000_000 / 1800),
        ("170 yards = 3.5 oz", 3.5 * 28_349.523125 / (170 * 0.9144)),
    ],
)
def test_reads_labels(text, tex):
    assert parse_yarn(text).tex == pytest.approx(tex, rel=1e-9)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "8/2",
        "cotton",
        "cotton 0",
        "cotton -8",
        "Ne 1e9",
        "tex nan",
        "cotton 8/0",
        "8 zz",
        "0 m/50g",
        "1 m/100 kg",
    ],
)
def test_refuses_what_is_no_yarn(text):
    with pytest.raises(UsageError) as caught:
        parse_yarn(text)
    assert caught.value.next_step


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0, 0.0])
def test_refuses_numbers_that_are_none(bad):
    with pytest.raises(UsageError):
        count_to_tex(bad, "cotton")
    with pytest.raises(UsageError):
        tex_to_count(bad, "cotton")
    with pytest.raises(UsageError):
        tex_from_weighing(1000.0, bad)


@given(tex=st.floats(2.0, 10_000.0), system=st.sampled_from(sorted(SYSTEMS)))
def test_round_trip(tex, system):
    assert count_to_tex(tex_to_count(tex, system), system) == pytest.approx(tex, rel=1e-12)


@given(low=st.floats(2.0, 5000.0), step=st.floats(0.01, 5000.0), system=st.sampled_from(sorted(SYSTEMS)))
def test_thicker_yarn_moves_the_count_one_way(low, step, system):
    change = tex_to_count(low + step, system) - tex_to_count(low, system)
    assert (change > 0) == SYSTEMS[system].direct


@given(length=st.floats(0, 1e7), tex=st.floats(1, 20_000))
def test_weight_is_length_times_tex(length, tex):
    assert mass_g(length, tex) == pytest.approx(length / 1000 * tex / 1000)
