"""What speaks against a reading: the doubts that make it *unsure* instead of *measured*."""

from __future__ import annotations

from ..calibration.notices import Notice
from ..calibration.ranks import median
from .decision import REPEATED, SURE, SURE_WHEN_FINE, WOVEN
from .repeat import plain_share
from .results import Verdict
from .sample import Sample
from .settle import Settled
from .tracks import SystemTrack

__all__ = ["MOST_TURN_DEG", "decide_verdict"]

_CLEAR_THREADS = 2.0  # median likeness; a clear thread has 4, one placed by its neighbours less than 0
_PASSED_OVER = 0.02  # share of threads counted otherwise by local spectra from which a density is not sure
_FEW_THREADS = 8  # the network looks at twelve threads at once; a piece with an outline may have fewer
MOST_TURN_DEG = 30.0  # the legs of a knit lean more, to both sides, and would pass for two sets of threads


def decide_verdict(
    settled: Settled, picks: SystemTrack, sample: Sample, *, fine: bool, contradicted: bool
) -> tuple[Verdict, tuple[Notice, ...]]:
    """Say `measured` only when nothing speaks against it; otherwise say what does.

    Parameters
    ----------
    settled : Settled
    picks : SystemTrack
        Those that are told (`mending.woven_track`).
    sample : Sample
    fine : bool
        The threads are nearly too fine for the photo.
    contradicted : bool
        What the weaver told does not fit.
    """
    lattice, tracks = settled.lattice, settled.tracks
    faint = any(_faint(track) for track in (tracks.ends, picks))
    repeated = (fine or faint) and plain_share(tracks, settled.weave) >= REPEATED
    least = SURE_WHEN_FINE if fine and not repeated else SURE
    doubts: list[Notice] = []

    def doubt(code: str, text: str) -> None:
        doubts.append(Notice(code, text, doubt=True))

    for name, pitch, track in (("ends", lattice.ends, tracks.ends), ("picks", lattice.picks, picks)):
        if pitch.probability < least:
            text = f"The {name} can be read in more than one way in this photo."
            doubt(f"{name}-unsure", text)
        elif track.count == 0 or (_faint(track) and not repeated):
            text = f"The single {name} show too faintly in this photo for their number to be trusted."
            doubt(f"{name}-faint", text)
        elif track.passed_over > _PASSED_OVER * track.count:
            text = (
                f"The spacing of the {name} changes so suddenly that about {track.passed_over:.0f} of them may be left "
                "out or counted twice. Photograph the sample from nearer, or in parts."
            )
            doubt(f"{name}-passed-over", text)
        elif sample.all_cloth and track.count < _FEW_THREADS:
            text = f"Only {track.count} {name} show in the picture, too few to be sure of them. Show more of the cloth."
            doubt(f"{name}-few", text)
    if lattice.woven_probability < WOVEN:
        text = "It is not clear that this is woven. Check by eye that two sets of threads cross each other."
        doubt("woven-unsure", text)
    if abs(sample.turn_deg) > MOST_TURN_DEG:
        text = (
            f"The cloth seems to lie turned by about {abs(sample.turn_deg):.0f} degrees in the picture, where diagonals and threads "
            "are easily confused. Turn the picture until one set of threads runs upright, then measure again."
        )
        doubt("turned-far", text)
    if contradicted:
        doubt("hint-contradicted", "What you told and what the photo shows do not agree.")
    return ("unsure" if doubts else "measured"), tuple(doubts)


def _faint(track: SystemTrack) -> bool:
    return track.count > 0 and float(median(track.likeness)) < _CLEAR_THREADS
