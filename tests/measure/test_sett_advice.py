"""Rules of sett beside their authors' worked examples."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pickglass.calibration.errors import UsageError
from pickglass.measure import sett_advice as advice
from pickglass.measure.yarn import count_to_tex


def test_ashenhurst_diameters():
    # Handout on Ashenhurst's rule (1999): 3360 yd/lb prints 52; exact 0.9 * sqrt(3360) = 52.17.
    assert advice.diameters_per_inch(3360, advice.ASHENHURST_FIRM) == pytest.approx(52.169, abs=5e-4)


def test_greatest_sett():
    # Same handout, D = 52: plain 26; 2/2 twill prints 34, exact 34.67.
    assert advice.greatest_sett(52, "plain") == pytest.approx(26)
    assert advice.greatest_sett(52, "twill 2/2") == pytest.approx(104 / 3)


def test_ordinary_cloth_is_80_percent():
    # Osterkamp, teaching pages, 2100 yd/lb plain: 41.24 diameters, 20.6 greatest, 16.5 start (teachers use 16).
    got = advice.advise_sett(weave="plain", tex=count_to_tex(2100, "yards per pound"))
    assert advice.diameters_per_inch(2100) == pytest.approx(41.243, abs=1e-3)
    assert got.greatest_per_inch == pytest.approx(20.622, abs=1e-3)
    assert got.start_per_inch == pytest.approx(16.497, abs=1e-3)
    assert "Ashenhurst" in got.rule
    assert "starting point" in got.caution


# Taylor, Cotton Weaving and Designing, 1909, pp. 453, 458: 0.95 * sqrt(yd/lb), printed to half a diameter.
@pytest.mark.parametrize(
    ("count", "printed"), [(15, 106.5), (26, 140.5), (32, 156), (60, 213), (78, 243), (200, 390)]
)
def test_taylor_diameters(count, printed):
    exact = 0.95 * math.sqrt(840 * count)
    got = advice.diameters_per_inch(840 * count, advice.TAYLOR_COTTON)
    assert got == pytest.approx(exact, rel=1e-12)
    # 200s print 390 where 389.4 is exact: printed values lie within 0.65 of the exact ones.
    assert got == pytest.approx(printed, abs=0.65)


def test_same_firmness():
    # Taylor 1909, p. 464: plain 103 per inch -> 2/2 twill 137 1/3; 2/2 twill 137 -> 5/2/1/2 twill 146.8 (computed).
    assert advice.same_firmness_sett(103, "plain", "twill 2/2") == pytest.approx(137 + 1 / 3)
    assert advice.same_firmness_sett(137, "twill 2/2", "twill 5/2/1/2") == pytest.approx(146.786, abs=1e-3)


def test_wraps():
    # Two teaching pages: 30 wraps per inch -> plain 15, 2/2 twill 20; 14 per cm -> 7 and 9.33 (prints 10).
    assert advice.sett_from_wraps(30, "plain") == pytest.approx(15)
    assert advice.sett_from_wraps(30, "twill 2/2") == pytest.approx(20)
    assert advice.sett_from_wraps(14 * 2.54, "plain") / 2.54 == pytest.approx(7)
    assert advice.sett_from_wraps(14 * 2.54, "twill 2/2") / 2.54 == pytest.approx(28 / 3)


def test_warp_faced_band_from_own_ends():
    # A weaver's record (2014): 33 ends in about half an inch (15 mm): 66 ends per inch of 1/2 in, 55.9 of 15 mm.
    assert advice.ends_for_width(33, 12.7, 25.4) == pytest.approx(66)
    assert advice.ends_for_width(33, 15.0, 25.4) == pytest.approx(55.88)


def test_cover_factors():
    # Textile lecture, 28 ends per cm of 20 tex: SI 12.52; Peirce exact 13.09 (prints 12.9, a slip); ratio 0.9567.
    si, peirce = advice.cover_si(28, 20), advice.cover_peirce(28 * 2.54, 20)
    assert si == pytest.approx(12.522, abs=1e-3)
    assert peirce == pytest.approx(13.088, abs=1e-3)
    assert si / peirce == pytest.approx(0.9567, abs=1e-4)
    # Fractional cover n / (28 sqrt Ne), Peirce 1937: 0.467.
    assert advice.cover_fraction(28 * 2.54, 20) == pytest.approx(0.4674, abs=1e-4)


def test_jammed_square_plain_cloth():
    # Peirce 1937: p / D = 0.866, crimp 0.2092.
    spacing, crimp = advice.jammed_square_plain()
    assert spacing == pytest.approx(math.sqrt(3) / 2)
    assert crimp == pytest.approx(0.2092, abs=5e-5)


def test_cloth_weight():
    # Textile handout: g/m2 = 23.25 * [...]; the constant re-derives as 590.541 / 25.4 = 23.2497.
    tex = count_to_tex(1, "cotton")
    got = advice.cloth_mass_g_per_m2(
        ends_per_inch=1, picks_per_inch=0, warp_tex=tex, weft_tex=tex, warp_crimp=0, weft_crimp=0
    )
    assert got == pytest.approx(23.2497, abs=1e-4)
    both = advice.cloth_mass_g_per_m2(
        ends_per_inch=60,
        picks_per_inch=50,
        warp_tex=tex / 20,
        weft_tex=tex / 16,
        warp_crimp=0.06,
        weft_crimp=0.08,
    )
    assert both == pytest.approx(23.2497 * (60 * 1.06 / 20 + 50 * 1.08 / 16), rel=1e-5)


def test_taylor_warp_for_94_yards():
    # Taylor 1909, p. 427: 4 % of contraction, so 94 yd of cloth need 98 yd of warp; exact 94 / (1 - 0.041143) = 98.03.
    percent = advice.warp_contraction_percent(180 * 2 / 5, 70, 4)
    assert 94 / (1 - percent / 100) == pytest.approx(98.03, abs=0.01)


# Taylor 1909, pp. 427-429. The first prints 4 (94 yd of cloth then need 98 yd of warp), exact 4.114.
@pytest.mark.parametrize(
    ("per_inch", "count", "k", "percent"),
    [(180 * 2 / 5, 70, 4, 4.1143), (120, 70, 4, 6 + 6 / 7), (60, 40, 3, 4.5)],
)
def test_taylor_contraction(per_inch, count, k, percent):
    assert advice.warp_contraction_percent(per_inch, count, k) == pytest.approx(percent, abs=1e-4)


def test_substitution_names_the_nearest_first_and_says_what_changes():
    got = advice.substitute_heddle(wanted_per_inch=15, on_hand_per_inch=(7.5, 10, 12.5), ends=150)
    assert (got[0].heddle_per_inch, got[0].ends_per_opening) == (15, 2)
    assert got[0].change_percent == pytest.approx(0)
    assert got[0].effect == "about the same cloth"
    assert got[1].heddle_per_inch == 12.5
    assert got[1].width_in_heddle_mm == pytest.approx(150 / 12.5 * 25.4)
    assert got[1].ends_for_same_width == 125
    assert "more open" in got[1].effect


@pytest.mark.parametrize("bad", [math.nan, math.inf, -3.0, 0.0, 1e9])
def test_refuses_absurd_numbers(bad):
    for call in (
        lambda: advice.diameters_per_inch(bad),
        lambda: advice.sett_from_wraps(bad, "plain"),
        lambda: advice.same_firmness_sett(bad, "plain", "twill 2/2"),
        lambda: advice.ends_for_width(30, bad, 20.0),
        lambda: advice.substitute_heddle(wanted_per_inch=bad, on_hand_per_inch=(10,), ends=10),
    ):
        with pytest.raises(UsageError):
            call()


@pytest.mark.parametrize("weave", ["", "twill", "twill 2/0", "twill 2", "satin 4", "lace"])
def test_unknown_weaves_are_named(weave):
    with pytest.raises(UsageError):
        advice.interlacings(weave)


@given(yards=st.floats(100, 100_000), finer=st.floats(1.01, 4))
def test_finer_yarn_takes_more_ends(yards, finer):
    assert advice.diameters_per_inch(yards * finer) > advice.diameters_per_inch(yards)


@given(sett=st.floats(2, 200), pair=st.permutations(["plain", "twill 2/1", "twill 2/2", "satin 5"]))
def test_firmness_there_and_back(sett, pair):
    there = advice.same_firmness_sett(sett, pair[0], pair[1])
    assert advice.same_firmness_sett(there, pair[1], pair[0]) == pytest.approx(sett)
