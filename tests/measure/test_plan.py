"""The chain of a plan beside published worked examples; the arithmetic's own laws as properties."""

import dataclasses
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pickglass.calibration.errors import UsageError
from pickglass.measure.colour_order import parse_order
from pickglass.measure.plan import PlanRequest, make_plan
from pickglass.measure.quantities import GRAMS_PER_POUND, MM_PER_YARD, Factor, parse_change
from pickglass.measure.yarn import count_to_tex

INCH = 25.4


def factor(name, value, unit="%", standard=0.0, base="", origin="given"):
    return Factor(name=name, value=value, unit=unit, standard=standard, origin=origin, base=base)


def request(**changes):
    """Return a plan without any loss or waste; `changes` may be plain numbers for factors."""
    fields = {
        "width_mm": 20 * INCH,
        "length_mm": 72 * INCH,
        "sett": factor("sett", 20, "per inch", base="in the heddle"),
        "picks": factor("picks", 18, "per inch", base="off the loom"),
        "shrink_width": factor("shrinkage of the width", 0),
        "shrink_length": factor("shrinkage of the length", 0),
        "take_up": factor("take-up", 0),
        "draw_in": factor("draw-in", 0),
        "give": factor("give on the loom", 0),
        "waste": factor("loom waste", 0, "mm"),
    }
    for key, value in changes.items():
        old = fields.get(key)
        plain = isinstance(old, Factor) and isinstance(value, (int, float))
        fields[key] = dataclasses.replace(old, value=value) if plain else value
    return PlanRequest(**fields)


def yarn(plan, role):
    lines = [line for line in plan.yarn if line.role == role]
    return (
        math.fsum(line.length_mm for line in lines),
        math.fsum(line.mass_g or 0.0 for line in lines),
    )


def tex(name, count, system="cotton"):
    return factor(name, count_to_tex(count, system), "tex")


def test_whole_plan():
    # Computed from the formulas: 20 x 72 in finished, 10 % both ways, draw-in 8 %, take-up 10 % of the warp,
    # waste 24 in, 20 ends and 18 picks per inch.
    plan = make_plan(
        request(shrink_width=10, shrink_length=10, draw_in=8, take_up=10, waste=24 * INCH, parity="even")
    )
    assert plan.off_loom_width_mm / INCH == pytest.approx(22.2222, abs=1e-4)
    assert plan.off_loom_length_mm / INCH == pytest.approx(80)
    assert plan.exact_ends / 20 == pytest.approx(24.1546, abs=1e-4)
    assert len(plan.ends) == 484
    assert plan.heddle_width_mm / INCH == pytest.approx(24.2)  # 484 whole ends, not 483.09
    assert plan.warp_length_mm / INCH == pytest.approx(112.889, abs=1e-3)
    assert yarn(plan, "warp")[0] / MM_PER_YARD == pytest.approx(1517.73, abs=0.01)
    assert yarn(plan, "weft")[0] / MM_PER_YARD == pytest.approx(966.18, abs=0.01)
    assert plan.picks_total == 1440


def test_brooks_warp():
    # Brooks, Cotton Manufacturing: 38 in x 60 ends, 38 yd of 30s: 2280 ends, 103 1/7 hanks, 3 lb 7 oz.
    plan = make_plan(
        request(
            width_mm=38 * INCH,
            length_mm=38 * MM_PER_YARD,
            sett=factor("sett", 60, "per inch", base="in the heddle"),
            warp_yarn=tex("warp yarn", 30),
        )
    )
    length, mass = yarn(plan, "warp")
    assert len(plan.ends) == 2280
    assert length / MM_PER_YARD / 840 == pytest.approx(103 + 1 / 7, abs=1e-9)
    # 103.143 / 30 = 3.438 lb = 3 lb 7.01 oz: printed in whole ounces.
    assert mass / GRAMS_PER_POUND * 16 == pytest.approx(3 * 16 + 7, abs=0.5)


def test_brooks_weft_uses_the_width_in_the_reed():
    # Brooks: 37 1/2 in in the reed x 64 picks x 36 yd of 36s: 2 lb 13 3/4 oz.
    plan = make_plan(
        request(
            width_mm=37.5 * INCH,
            length_mm=36 * MM_PER_YARD,
            picks=factor("picks", 64, "per inch", base="off the loom"),
            weft_yarn=tex("weft yarn", 36),
        )
    )
    # Exact 37.5 * 64 * 36 / 840 / 36 = 2.857 lb = 45.71 oz; printed in quarters of an ounce.
    assert yarn(plan, "weft")[1] / GRAMS_PER_POUND * 16 == pytest.approx(2 * 16 + 13.75, abs=0.125)


def test_taylor_weft_hanks():
    # Taylor, Cotton Weaving and Designing, 1909, p. 436: 34 in x 84 yd x 60 picks / 840 = 204 hanks.
    plan = make_plan(
        request(
            width_mm=34 * INCH,
            length_mm=49_999,
            picks=factor("picks", 60, "per inch", base="off the loom"),
        )
    )
    # 84 yd is longer than one piece may be; hanks go with the length.
    assert yarn(plan, "weft")[0] * (84 * MM_PER_YARD / 49_999) / MM_PER_YARD / 840 == pytest.approx(204)


def test_taylor_95_yards_of_warp_gave_90_of_cloth():
    # Taylor 1909, p. 245: 5.56 % of the cloth, 5.26 % of the warp; here the base is the warp.
    take_up = parse_change("95 yd to 90 yd", "take-up", "warp length")
    assert take_up.value == pytest.approx(100 * 5 / 95)
    assert 100 * take_up.value / (100 - take_up.value) == pytest.approx(5.5556, abs=1e-4)
    # Same page: 30 in x 70 ends, 80 picks, 30s and 40s: 2100 ends, 7.917 lb of warp, 6.429 lb of weft (computed).
    plan = make_plan(
        request(
            width_mm=30 * INCH,
            length_mm=45 * MM_PER_YARD,
            pieces=2,
            sett=factor("sett", 70, "per inch", base="in the heddle"),
            picks=factor("picks", 80, "per inch", base="off the loom"),
            take_up=take_up,
            warp_yarn=tex("warp yarn", 30),
            weft_yarn=tex("weft yarn", 40),
        )
    )
    assert len(plan.ends) == 2100
    assert plan.warp_length_mm / MM_PER_YARD == pytest.approx(95)
    assert yarn(plan, "warp")[1] / GRAMS_PER_POUND == pytest.approx(7.917, abs=5e-4)
    assert yarn(plan, "weft")[1] / GRAMS_PER_POUND == pytest.approx(6.429, abs=5e-4)


# Weavers' handout: width x ends per inch x warp length at so many yards per pound.
@pytest.mark.parametrize(
    ("width_in", "epi", "yards", "ypp", "ends", "total_yd", "pounds"),
    [
        (22, 24, 4.0, 3360, 528, 2112, 0.629),
        (48, 48, 7.5, 8400, 2304, 17_280, 2.057),
        (7, 8, 2.5, None, 56, 140, None),
    ],
)
def test_handout_plans(width_in, epi, yards, ypp, ends, total_yd, pounds):
    plan = make_plan(
        request(
            width_mm=width_in * INCH,
            length_mm=yards * MM_PER_YARD,
            sett=factor("sett", epi, "per inch", base="in the heddle"),
            warp_yarn=tex("warp yarn", ypp, "yards per pound") if ypp else None,
        )
    )
    length, mass = yarn(plan, "warp")
    assert len(plan.ends) == ends
    assert length / MM_PER_YARD == pytest.approx(total_yd)
    if pounds:
        assert mass / GRAMS_PER_POUND == pytest.approx(pounds, abs=5e-4)


# Loss from the lengths before and after.
@pytest.mark.parametrize(
    ("text", "percent"),
    [
        ("10 in to 8 in", 20.0),  # guild article on ratios of shrinkage
        ("10 in to 8 1/2 in", 15.0),  # Osterkamp, teaching pages
        ("27 in to 25.5 in", 5.5556),  # a weaver's published record (computed)
        ("22.75 in to 21.25 in", 6.5934),  # same
        ("7.5 in to 5 in", 33.3333),  # magazine article on sampling (computed)
        ("58 in to 45 in", 22.4138),  # same
        ("14 in to 12.75 in", 8.9286),  # towel, draw-in; a weaver's record (computed)
        ("12.75 in to 11 in", 13.7255),  # towel, shrinkage; same
    ],
)
def test_losses_from_two_lengths(text, percent):
    assert parse_change(text, "loss", "length before").value == pytest.approx(percent, abs=1e-4)


def test_division_not_addition():
    # Guild article on ratios of shrinkage: 20 % loss; for 10 in weave 12.5 in. Adding 20 % would give 9.6 in.
    plan = make_plan(request(width_mm=10 * INCH, shrink_width=20))
    assert plan.off_loom_width_mm / INCH == pytest.approx(12.5)
    assert 10 * 1.2 * 0.8 == pytest.approx(9.6)


def test_take_up_is_crimp_over_one_plus_crimp():
    # ASTM D3883: take-up = crimp / (1 + crimp); 10 % crimp is 9.09 % take-up. 100 in of cloth take 110 in of warp.
    plan = make_plan(request(length_mm=100 * INCH, take_up=100 * 0.1 / 1.1))
    assert plan.warp_length_mm / INCH == pytest.approx(110)


def test_warp_faced_band_from_own_ends():
    # A weaver's record (2014): 33 ends in about half an inch. The same band planned from ends over width.
    plan = make_plan(
        request(
            width_mm=12.7,
            sett=factor("sett", 66, "per inch", base="finished"),
            draw_in=None,
            weft_crimp=factor("weft crimp", 5),
        )
    )
    assert len(plan.ends) == 33
    assert plan.heddle_width_mm is None
    assert plan.heddle_sett_per_inch is None


def test_small_band_loom():
    # Weavers' records: a 50 in path gives 39.5 in of weaving, so its waste is 10.5 in.
    plan = make_plan(request(length_mm=39.5 * INCH, waste=10.5 * INCH))
    assert plan.warp_length_mm / INCH == pytest.approx(50)


def test_pieces_fringe_gaps_and_sampling_add_up():
    plan = make_plan(
        request(length_mm=1000, pieces=3, fringe_mm=80, gap_mm=20, sampling_mm=300, waste=500, take_up=20)
    )
    assert plan.warp_length_mm == pytest.approx(3 * (1000 / 0.8 + 160) + 2 * 20 + 300 + 500)
    # The sampler is woven too: 300 mm of warp less take-up.
    assert plan.picks_total == round(18 / INCH * (3 * 1000 + 300 * 0.8))


def test_margin_is_the_root_sum_square_of_the_factors():
    # Take-up 10 +- 1 (standard), waste 600 +- 30 mm: dL/dt = L / (1 - t)^2 / 100 per point; twice the root sum.
    plan = make_plan(
        request(
            length_mm=2000,
            take_up=factor("take-up", 10, standard=1.0),
            waste=factor("loom waste", 600, "mm", standard=30.0),
        )
    )
    by_take_up = 2000 / 0.9**2 / 100
    assert plan.warp_length_u95_mm == pytest.approx(2 * math.hypot(by_take_up, 30), rel=1e-3)
    assert [share.factor for share in plan.margin_shares] == ["loom waste", "take-up"]
    assert math.fsum(share.percent for share in plan.margin_shares) == pytest.approx(100)


def test_no_uncertainty_means_no_margin():
    plan = make_plan(request())
    assert plan.warp_margin_percent == 0
    assert plan.expected_width_u95_mm == 0


def test_priors_are_named():
    plan = make_plan(request(take_up=factor("take-up", 10, standard=2.9, origin="prior")))
    assert any("take-up" in notice.text for notice in plan.notices if notice.code == "general-figures")


def test_colours_share_warp_and_weft():
    plan = make_plan(
        request(
            order=parse_order("4 navy, [6 white 2 red], 4 navy"), weft_order=parse_order("3 navy 1 white")
        )
    )
    assert (len(plan.ends) - 8) % 8 == 0
    warp = {line.colour: line.threads for line in plan.yarn if line.role == "warp"}
    assert warp["navy"] == 8
    assert warp["white"] == 3 * warp["red"] == 6 * plan.repeats
    weft = {line.colour: line.length_mm for line in plan.yarn if line.role == "weft"}
    assert weft["navy"] == pytest.approx(3 * weft["white"])


def test_order_that_does_not_fit_the_width_says_so():
    plan = make_plan(request(width_mm=100, order=parse_order("40 red")))
    assert {"ends-from-order", "width-differs"} <= {notice.code for notice in plan.notices}
    assert plan.expected_width_mm == pytest.approx(2 * INCH)


@pytest.mark.parametrize("parity", ["odd", "even"])
def test_parity(parity):
    for width in (100.0, 101.5):
        plan = make_plan(request(width_mm=width, parity=parity, selvedge_ends=2))
        assert (len(plan.ends) % 2 == 1) == (parity == "odd")


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, -5.0, 1e12])
@pytest.mark.parametrize(
    "name",
    ["width_mm", "length_mm", "pieces", "fringe_mm", "gap_mm", "sampling_mm", "sett", "picks", "waste"],
)
def test_absurd_numbers_name_the_accepted_range(name, bad):
    with pytest.raises(UsageError) as caught:
        request(**{name: bad})
    assert caught.value.code == "out-of-range"
    assert " to " in caught.value.next_step


@pytest.mark.parametrize("name", ["shrink_width", "shrink_length", "take_up", "draw_in", "give"])
@pytest.mark.parametrize("bad", [math.nan, math.inf, 100.0, 75.0, -60.0])
def test_absurd_losses_are_refused(name, bad):
    with pytest.raises(UsageError):
        request(**{name: bad})


def test_sett_in_the_heddle_needs_a_draw_in():
    with pytest.raises(UsageError) as caught:
        request(draw_in=None)
    assert caught.value.code == "no-draw-in"


losses = st.floats(0, 40)


@given(width=st.floats(20, 1500), shrink=losses, draw=losses, sett=st.floats(4, 60))
def test_planned_ends_finish_at_the_wished_width(width, shrink, draw, sett):
    plan = make_plan(
        request(
            width_mm=width,
            shrink_width=shrink,
            draw_in=draw,
            sett=factor("s", sett, "per inch", base="in the heddle"),
        )
    )
    # Rounding up adds less than one end (two at the least number of ends).
    one_end = INCH / sett * (1 - shrink / 100) * (1 - draw / 100)
    assert -1e-6 <= plan.expected_width_mm - width <= 2 * one_end


@given(loss=losses, more=st.floats(0.1, 15), name=st.sampled_from(["shrink_length", "take_up", "waste"]))
def test_more_loss_needs_more_warp(loss, more, name):
    less = make_plan(request(**{name: loss})).warp_length_mm
    assert make_plan(request(**{name: loss + more})).warp_length_mm > less


@given(spread=st.floats(0.01, 5), wider=st.floats(1.1, 2))
def test_less_knowledge_means_more_margin(spread, wider):
    def margin(standard):
        return make_plan(request(take_up=factor("take-up", 10, standard=standard))).warp_margin_percent

    assert margin(spread * wider) > margin(spread) > 0


@settings(max_examples=50)
@given(
    truth=st.lists(st.floats(-1, 1), min_size=5, max_size=5),
    spread=st.floats(0.1, 3),
)
def test_weaving_with_other_factors_stays_inside_the_margin(truth, spread):
    """Weave the planned warp with factors anywhere within half their U95: size and warp must hold.

    Two factors enter each size, so moving both by one standard uncertainty changes it by at most
    sqrt(2) standard < U95 (with a little slack for the chain being curved).
    """
    names = ("shrink_width", "shrink_length", "draw_in", "take_up", "give")
    means = {"shrink_width": 8, "shrink_length": 10, "draw_in": 8, "take_up": 10, "give": 2}
    plan = make_plan(request(**{n: factor(n, means[n], standard=spread) for n in names}, waste=600))
    true = {n: 1 - (means[n] + t * spread) / 100 for n, t in zip(names, truth, strict=True)}
    width = plan.heddle_width_mm * true["draw_in"] * true["shrink_width"]
    length = plan.on_loom_length_mm * true["give"] * true["shrink_length"]
    used = plan.on_loom_length_mm * true["give"] / true["take_up"] + 600
    assert abs(width - plan.expected_width_mm) <= plan.expected_width_u95_mm
    assert abs(length - plan.expected_length_mm) <= plan.expected_length_u95_mm
    assert used <= plan.warp_length_with_margin_mm
