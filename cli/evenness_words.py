"""What a teacher would say about a finding: common practice, never certain about the cause."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..measure.beat_patterns import Rhythm
    from ..measure.evenness import Evenness, Step
    from ..measure.faults import Fault

__all__ = ["FAULT_NAMES", "SAFETY", "fault_words", "faults_words", "finding_words"]

SAFETY = (
    "Evenness in a picture says nothing of strength: no hand-woven band for climbing, lifting, restraining or carrying "
    "without a tensile test by a laboratory and the local rules; no cords on small children's clothes."
)
FAULT_NAMES = {
    "missed-pick": "missed pick",
    "doubled-pick": "doubled pick",
    "selvedge-loop": "loop at the selvedge",
    "selvedge-nick": "nick in the selvedge",
    "uneven-end": "slack, tight or caught end",
    "end-float": "float of an end",
    "pick-float": "float of a pick",
    "hole": "hole",
    "knot-or-slub": "knot, slub or lump",
    "crowded-edge": "crowded selvedge",
}
_FAULT_ADVICE = {
    "missed-pick": "often the shuttle was not thrown, or came back through the wrong shed, after a pause; before weaving "
    "on, open the next shed and look which ends lie on top",
    "doubled-pick": "often two picks lie in one shed because it was not changed; change the shed before you beat, "
    "always in the same order",
    "selvedge-loop": "often the weft was not drawn up before the beat; draw it up until it just touches the outer end",
    "uneven-end": "often one end was slack or tight there, or caught in its neighbour; tie it to a small weight of its own, "
    "and look at the shed from the side before each pick",
    "end-float": "often the end stuck to its neighbour, or was threaded or picked up wrongly, and so was not caught by these "
    "picks; clear the shed by hand before you throw, and sew the float in with a needle afterwards",
    "pick-float": "often some ends did not rise or sink with the others and the shuttle passed over or under them; look at the "
    "shed from the side before you throw, and sew the float in with a needle afterwards",
    "hole": "often a yarn broke there or was left out; hold the cloth against the light, and darn it with the same yarn "
    "before washing",
    "knot-or-slub": "often a knot, a thick place in the yarn, or a bit of something lying on the cloth; look with a magnifier, "
    "and next time tie knots beyond the edge and take thick places out of the yarn",
    "crowded-edge": "often the weft was drawn in too hard and pulled the outermost ends together; leave the weft at an angle "
    "or as an arc before the beat, so that it finds its length",
    "selvedge-nick": "often the weft was pulled hard at the turn; leave it lying at an angle and close it with the beat",
}
LONG_LUMP = 3.0  # times as long one way as the other
_VAGUE = 0.1  # of the length: where a place is known less well than that, it is told as a stretch
LEAST_USUAL_BOW, LEAST_USUAL_SKEW = 1.5, 1.5  # percent of the width


def faults_words(faults: Sequence[Fault]) -> list[str]:
    """Return one sentence on each fault; what often causes it is said with the first of a kind."""
    first = {fault.kind: number for number, fault in reversed(list(enumerate(faults)))}
    return [fault_words(fault, with_cause=first[fault.kind] == k) for k, fault in enumerate(faults)]


def fault_words(fault: Fault, *, with_cause: bool = True) -> str:
    """Return one sentence on a fault."""
    name = FAULT_NAMES[fault.kind]
    cause = f": {_FAULT_ADVICE[fault.kind]} (common practice)." if with_cause else "."
    if fault.kind == "crowded-edge":
        side = "left" if fault.across_mm < 0 else "right"
        place = f"along {fault.size_mm:z.0f} mm on the {side} (with the beginning of the band on top)"
        name = f"{name} {place}, the outer ends at {fault.clearness:z.2f} of the usual distance"
        return f"Perhaps a {name}{cause}"
    if fault.kind == "knot-or-slub":
        name += _along_thread(fault)
    return f"Perhaps a {name} at {fault.at_mm:z.0f} mm{cause}"


def _along_thread(fault: Fault) -> str:
    """Say along which thread a lump lies that is much longer one way than the other: a thick place of the yarn."""
    if fault.size_mm >= LONG_LUMP * fault.across_size_mm > 0:
        return f" along an end, {fault.size_mm:z.0f} mm long,"
    if fault.across_size_mm >= LONG_LUMP * fault.size_mm:
        return f" along a pick, {fault.across_size_mm:z.0f} mm long,"
    return ""


def finding_words(evenness: Evenness) -> tuple[str, ...]:
    """Return one sentence for each finding that is not a fault."""
    words = [_step_words(step) for step in evenness.steps]
    words += [_possible_words(step, evenness.trace.length_mm) for step in evenness.possible_steps]
    drift = evenness.drift
    if drift is not None and drift.significant and not any(s.of == "beat" for s in evenness.steps):
        way = "denser" if drift.percent_per_100mm > 0 else "more open"
        words.append(
            f"The beat grows {way} along the band, by {abs(drift.percent_per_100mm):z.1f} ± "
            f"{drift.u95_percent_per_100mm:z.1f} % per 100 mm; creeping like this often comes from a warp that slackens or "
            "tightens, or from a tired arm: tighten at equal distances and measure as you weave (common practice)."
        )
    words.extend(_rhythm_words(rhythm) for rhythm in evenness.rhythms)
    # The greatest of many stations is large by chance in a narrow band: the usual one must show it too.
    usual_bow, usual_skew = _usual_shape(evenness)
    if (
        evenness.bow_percent is not None
        and abs(evenness.bow_percent) >= 2.0
        and abs(usual_bow) >= LEAST_USUAL_BOW
    ):
        way = "smile" if evenness.bow_percent > 0 else "frown"
        words.append(
            f"The picks bow by up to {abs(evenness.bow_percent):z.1f} % of the width (a {way} with the beginning of the "
            "band on top); often the middle and the sides of the warp are not equally tight: check the tension across "
            "before you beat (common practice)."
        )
    if (
        evenness.skew_percent is not None
        and abs(evenness.skew_percent) >= 2.5
        and abs(usual_skew) >= LEAST_USUAL_SKEW
    ):
        side = "right" if evenness.skew_percent > 0 else "left"
        words.append(
            f"The picks lean by up to {abs(evenness.skew_percent):z.1f} % of the width, the {side} side ahead; often the "
            "beater was not square to the warp or one side was tighter (common practice)."
        )
    return tuple(words)


def _usual_shape(evenness: Evenness) -> tuple[float, float]:
    """Return the median bow and skew of the stations, percent."""
    shapes = [s.shape for s in evenness.stations if s.shape is not None]
    if not shapes:
        return 0.0, 0.0
    return median(s.bow_percent for s in shapes), median(s.skew_percent for s in shapes)


def _step_words(step: Step) -> str:
    size = f"{abs(step.change_percent):z.0f} ± {step.change_u95_percent:z.0f} %"
    place = f"at {step.at_mm:z.0f} mm (± {step.at_u95_mm:z.0f} mm)"
    if step.of == "width":
        way = "wider" if step.change_percent > 0 else "narrower"
        return (
            f"The band becomes {way} at once by {size} {place}; often the weft was drawn in differently after a pause: "
            "turn every pick against the same gauge (common practice)."
        )
    way = "denser" if step.change_percent > 0 else "more open"
    return (
        f"The beat becomes {way} at once by {size} {place}; often the warp was moved on or tightened there: try to bring "
        "the tension back to the same feel before the next pick (common practice)."
    )


def _possible_words(step: Step, length_mm: float) -> str:
    way = "denser" if step.change_percent > 0 else "more open"
    size = f"{abs(step.change_percent):z.0f} ± {step.change_u95_percent:z.0f} %"
    place = f"near {step.at_mm:z.0f} mm (± {step.at_u95_mm:z.0f} mm)"
    if step.at_u95_mm > _VAGUE * length_mm:
        low, high = max(step.at_mm - step.at_u95_mm, 0.0), min(step.at_mm + step.at_u95_mm, length_mm)
        place = f"somewhere between {low:z.0f} and {high:z.0f} mm"
    return (
        f"The beat becomes {way} by {size} {place}, perhaps at once, perhaps over "
        "some picks: lay a rule along the band and count the picks before and behind the place."
    )


def _rhythm_words(rhythm: Rhythm) -> str:
    if rhythm.kind == "alternate":
        return (
            f"Every second pick lies closer, by ± {rhythm.size_percent:z.0f} %; often one hand beats harder or one shed opens "
            "less: beat with both hands alike, or on the open shed both times (common practice)."
        )
    return (
        f"A bar comes back every {rhythm.every_mm:z.0f} mm (± {rhythm.size_percent:z.0f} % in the spacing); if that is how far "
        "you move the warp on, tighten it alike each time and beat the first picks more gently (common practice)."
    )
