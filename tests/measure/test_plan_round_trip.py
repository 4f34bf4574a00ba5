"""From the photo of a washed sampler to a plan, woven and washed with what really happened to that cloth.

The pictures come in pairs, the same cloth before and after washing, with every thread's place known. A plan made from the
washed sample and its shrinkage says how wide and long the cloth must be just off the loom; the unwashed truth says
whether cloth with the planned threads has that size.
"""

import json

import pytest
from scene_patches import SCENES

from pickglass.measure.plan import PlanRequest, make_plan
from pickglass.measure.quantities import Factor

PAIRS = sorted(path.stem.removesuffix("_before") for path in SCENES.glob("p*_before.json"))
# What a measurement from a photo claims (95 %) in the plan; the truth itself is exact.
U95_PERCENT = 1.0


def factor(name, value, unit, base):
    standard = (value if unit == "per inch" else 100.0) * U95_PERCENT / 200.0
    return Factor(name=name, value=value, unit=unit, standard=standard, origin="measured", base=base)


@pytest.mark.skipif(not PAIRS, reason="the pictures with truth are not here")
@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize(("width_mm", "length_mm"), [(40.0, 300.0), (95.0, 1800.0)])
def test_woven_with_the_truth_it_comes_out_as_wished(pair, width_mm, length_mm):
    before, after = (
        json.loads((SCENES / f"{pair}_{state}.json").read_text()) for state in ("before", "after")
    )
    shrank = after["pair"]["shrinkage"]  # of thread centre lines, positive = shrank
    plan = make_plan(
        PlanRequest(
            width_mm=width_mm,
            length_mm=length_mm,
            sett=factor("ends per inch", after["epi_centre"], "per inch", "finished"),
            picks=factor("picks per inch", after["ppi"], "per inch", "finished"),
            shrink_width=factor("shrinkage of the width", shrank["weft_percent"], "%", "off-loom width"),
            shrink_length=factor("shrinkage of the length", shrank["warp_percent"], "%", "off-loom length"),
            take_up=factor("take-up", 9.0, "%", "warp length"),
            draw_in=None,
            give=factor("give on the loom", 2.0, "%", "length on the loom"),
            waste=Factor(name="loom waste", value=500.0, unit="mm", standard=15.0, origin="given"),
            weft_crimp=factor("weft crimp", 4.0, "%", "woven width"),
        )
    )
    # Off the loom: as many threads as planned, as close as they lay in the unwashed cloth.
    woven_width = 25.4 * len(plan.ends) / before["epi_centre"]
    woven_length = 25.4 * plan.picks_per_piece / before["ppi"]
    washed_width = woven_width * (1 - shrank["weft_percent"] / 100)
    washed_length = woven_length * (1 - shrank["warp_percent"] / 100)
    one_end, one_pick = 25.4 / after["epi_centre"], 25.4 / after["ppi"]
    assert abs(washed_width - width_mm) <= plan.expected_width_u95_mm + one_end
    assert abs(washed_length - length_mm) <= plan.expected_length_u95_mm + one_pick
    assert woven_width == pytest.approx(plan.off_loom_width_mm, rel=U95_PERCENT / 100, abs=one_end)
    assert woven_length == pytest.approx(plan.off_loom_length_mm, rel=U95_PERCENT / 100, abs=one_pick)
    # And the warp suffices for it.
    assert woven_length / 0.91 + 500.0 <= plan.warp_length_with_margin_mm
