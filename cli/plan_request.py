"""From the options of `pickglass plan` to a request: every number with its origin."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from ..calibration.errors import UsageError
from .book_reference import book_name
from .loom_memory import recall_waste_mm, remember_waste
from .plan_sources import SavedSample, read_sample, read_shrinkage, yarn_factor
from .plan_units import PlanUnits

if TYPE_CHECKING:
    from ..measure.plan import PlanRequest
    from ..measure.quantities import Factor
    from ..measure.sett_advice import SettAdvice

__all__ = ["Options", "Prepared", "prepare"]

STATES = {"heddle": "in the heddle", "off-loom": "off the loom", "finished": "finished"}
# Spread of numbers given by hand without one (common practice): a heddle is made to a fraction of a percent, a sett
# counted over a few centimetres is good to two, a beat by hand repeats to five.
_HEDDLE_PERCENT, _COUNTED_PERCENT, _BEAT_PERCENT = 0.5, 2.0, 5.0
# How far rules of thumb for sett and a balanced beat lie from what a sampler then shows (common practice).
_ADVICE_PERCENT = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """The command line of `pickglass plan`, as typed."""

    width: str
    length: str
    pieces: int
    fringe: str
    gap: str
    sample: str | None
    sample_state: str | None
    shrinkage: str | None
    book: Path | None
    sett: str | None
    sett_state: str | None
    picks: str | None
    picks_state: str | None
    shrink_width: str | None
    shrink_length: str | None
    draw_in: str | None
    take_up: str | None
    give: str | None
    weft_crimp: str | None
    fibre: str | None
    band: bool | None
    waste: str | None
    loom: str | None
    loom_kind: str
    sampling: str | None
    warp_yarn: str | None
    weft_yarn: str | None
    wraps: str | None
    weave: str
    order: str | None
    weft_order: str | None
    selvedge_ends: int
    parity: str
    first: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """The request, and what else the options brought along."""

    request: PlanRequest
    units: PlanUnits
    palette: dict[str, str]
    unsure_ends: tuple[int, ...]
    sample_order: tuple[str, ...]
    advice: SettAdvice | None
    band: bool
    sources: tuple[str, ...] = ()


def prepare(options: Options, looms_path: Path) -> Prepared:
    """Read everything the options name and put the request together."""
    from ..measure.colour_order import parse_order, repeatable
    from ..measure.plan import PlanRequest
    from ..measure.priors import prior_sampling
    from ..measure.quantities import is_metric, parse_length_mm

    state = None if options.sample_state is None else STATES[options.sample_state]
    sample = read_sample(options.sample, state, options.book) if options.sample is not None else None
    band = options.band if options.band is not None else bool(sample and sample.warp_faced)
    width_mm = parse_length_mm(options.width, "finished width", 3.0, 3000.0)
    warp_yarn = yarn_factor(options.warp_yarn, "warp") if options.warp_yarn is not None else None
    sett, advice = _sett(options, sample, warp_yarn, band=band)
    shrink_width, shrink_length = _shrinkage(options)
    draw_in = None
    if options.draw_in is not None or not band:
        draw_in = _loss(options.draw_in, "draw-in", "width in the heddle")
    crimp = None
    if options.weft_crimp is not None or draw_in is None:
        crimp = _loss(options.weft_crimp, "weft crimp", "woven width")
    order = read_order = None
    if options.order is not None:
        order = parse_order(options.order)
    elif sample is not None and sample.order is not None:
        read_order = parse_order(sample.order)
        order = repeatable(read_order)  # the wish may be of another width than the sample
    request = PlanRequest(
        width_mm=width_mm,
        length_mm=parse_length_mm(options.length, "finished length", 20.0, 50_000.0),
        sett=sett,
        edges=sample.edges if sample is not None and options.sett is None else None,
        picks=_picks(options, sample, sett, band=band),
        shrink_width=shrink_width,
        shrink_length=shrink_length,
        take_up=_loss(
            options.take_up, "take-up", "warp length", usual="take-up of a band" if band else "take-up"
        ),
        draw_in=draw_in,
        give=_loss(options.give, "give on the loom", "length on the loom"),
        waste=_waste(options, looms_path),
        weft_crimp=crimp,
        warp_yarn=warp_yarn,
        weft_yarn=yarn_factor(options.weft_yarn, "weft") if options.weft_yarn is not None else None,
        pieces=options.pieces,
        fringe_mm=parse_length_mm(options.fringe, "fringe", 0.0, 1000.0),
        gap_mm=parse_length_mm(options.gap, "gap between pieces", 0.0, 1000.0),
        sampling_mm=parse_length_mm(options.sampling, "sampling allowance", 0.0, 5000.0)
        if options.sampling is not None
        else prior_sampling(sample is not None),
        order=order,
        order_from_sample=read_order is not None,
        weft_order=parse_order(options.weft_order) if options.weft_order is not None else None,
        selvedge_ends=options.selvedge_ends,
        parity={"odd": "odd", "even": "even"}.get(options.parity, "any"),  # type: ignore[arg-type]
        first_opening="hole" if options.first == "hole" else "slot",
    )
    from_sample = sample is not None and options.order is None
    return Prepared(
        request=request,
        units=PlanUnits(metric_first=is_metric(options.width)),
        palette=sample.palette if sample and from_sample else {},
        unsure_ends=sample.unsure_ends if sample and from_sample else (),
        sample_order=read_order.ends() if read_order is not None else (),
        advice=advice,
        band=band,
        sources=tuple(
            name if book_name(name) else Path(name).name
            for name in (options.sample, options.shrinkage)
            if name is not None
        ),
    )


def _loss(text: str | None, name: str, base: str, *, usual: str = "") -> Factor:
    """Return what was told of a loss, else what is usual; `usual` names that where its name differs."""
    from ..measure.priors import prior_percent
    from ..measure.quantities import parse_change

    return parse_change(text, name, base) if text is not None else prior_percent(usual or name, base)


def _spread(value: float, percent: float) -> float:
    return value * percent / 100.0 / math.sqrt(3.0)  # rectangular, GUM 4.3.7


def _sett(
    options: Options, sample: SavedSample | None, warp_yarn: Factor | None, *, band: bool
) -> tuple[Factor, SettAdvice | None]:
    from ..measure.quantities import Factor, parse_density_per_inch
    from ..measure.sett_advice import advise_sett, interlacings

    name = "ends per inch"
    interlacings(options.weave)  # a wrong word is told even where the weave decides nothing
    wraps = parse_density_per_inch(options.wraps, "wraps", 2.0, 300.0) if options.wraps is not None else None
    if options.sett is not None:
        base = STATES[options.sett_state or ("finished" if band else "heddle")]
        value = parse_density_per_inch(options.sett, "sett (--sett)")
        percent = _HEDDLE_PERCENT if base == "in the heddle" else _COUNTED_PERCENT
        given = Factor(
            name=name,
            value=value,
            unit="per inch",
            standard=_spread(value, percent),
            origin="given",
            base=base,
        )
        return replace(given, note=f"±{percent:g} %"), None
    if sample is not None:
        return sample.sett, None
    if band or (warp_yarn is None and options.wraps is None):
        what = "A warp-faced band follows no rule of yarn size" if band else "There is no sett"
        raise UsageError(
            "no-sett",
            f"{what}, and neither a sample nor a sett was given.",
            "Give --sample FILE.json or --sample book:NAME, or your own ends over width: --sett 33/15mm."
            if band
            else "Give --sample FILE.json, --sett 20/in, or --warp-yarn for a first sett to sample.",
        )
    soft = options.fibre == "wool"
    tex = warp_yarn.value if warp_yarn else None
    advice = advise_sett(weave=options.weave, tex=tex, wraps_per_inch=wraps, soft=soft)
    value = advice.start_per_inch
    prior = Factor(
        name=name,
        value=value,
        unit="per inch",
        standard=_spread(value, _ADVICE_PERCENT),
        origin="prior",
        base="in the heddle",
        note=advice.rule,
    )
    return prior, advice


def _picks(options: Options, sample: SavedSample | None, sett: Factor, *, band: bool) -> Factor:
    from ..measure.quantities import Factor, parse_density_per_inch

    name = "picks per inch"
    if options.picks is not None:
        value = parse_density_per_inch(options.picks, "beat (--picks)")
        base = STATES[options.picks_state or ("finished" if band else "off-loom")]
        standard = _spread(value, _BEAT_PERCENT)
        return Factor(
            name=name,
            value=value,
            unit="per inch",
            standard=standard,
            origin="given",
            base=base,
            note=f"±{_BEAT_PERCENT:g} %",
        )
    if sample is not None:
        return sample.picks
    if band:
        raise UsageError(
            "no-picks", "A band needs its picks per inch.", "Give --sample FILE.json, or --picks 10/in."
        )
    return Factor(
        name=name,
        value=sett.value,
        unit="per inch",
        standard=_spread(sett.value, _ADVICE_PERCENT),
        origin="prior",
        base="off the loom",
        note="as many picks as ends",
    )


def _shrinkage(options: Options) -> tuple[Factor, Factor]:
    from ..measure.priors import prior_shrinkage
    from ..measure.quantities import parse_change

    saved = read_shrinkage(options.shrinkage, options.book) if options.shrinkage is not None else None
    found = []
    for index, (way, text) in enumerate((("width", options.shrink_width), ("length", options.shrink_length))):
        name, base = f"shrinkage of the {way}", f"off-loom {way}"
        if text is not None:
            found.append(parse_change(text, name, base))
        elif saved:
            found.append(saved[index])
        else:
            found.append(prior_shrinkage(name, base, options.fibre))
    return found[0], found[1]


def _waste(options: Options, looms_path: Path) -> Factor:
    from ..measure.priors import prior_waste
    from ..measure.quantities import Factor, parse_length_mm

    note = ""
    if options.waste is not None:
        waste_mm = parse_length_mm(options.waste, "loom waste", 0.0, 3000.0)
        if options.loom is not None:
            remember_waste(looms_path, options.loom, waste_mm)
            note = f"now remembered for “{options.loom}”"
    elif options.loom is not None:
        waste_mm = recall_waste_mm(looms_path, options.loom)
        note = f"remembered for “{options.loom}”"
    else:
        return prior_waste(options.loom_kind)
    # Knots and the last shed vary by a few centimetres from warp to warp (common practice), rectangular.
    return Factor(
        name="loom waste",
        value=waste_mm,
        unit="mm",
        standard=25.0 / math.sqrt(3.0),
        origin="given",
        note=f"{note}, ±25 mm".removeprefix(", "),
    )
