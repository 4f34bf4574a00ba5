"""The whole way from a photo to its sett for Python programs, without a command line and without memory."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from ..calibration.photo import load_photo
from ..calibration.quality import check_photo, plane_notices
from ..calibration.scale import find_scale
from .plausible import doubt_impossible
from .sett import SettMeasurement, SettOptions, measure_sett

if TYPE_CHECKING:
    from ..calibration.rule_scale import RuleKind
    from ..calibration.scale import CardChoice, KnownDistance

__all__ = ["measure_photo"]


def measure_photo(
    path: Path | str,
    options: SettOptions | None = None,
    *,
    card: CardChoice = "auto",
    px_per_mm: float | None = None,
    scan: bool = False,
    dpi: float | None = None,
    no_scale: bool = False,
    points: KnownDistance | None = None,
    rule: RuleKind | None = None,
) -> SettMeasurement:
    """Read a photo, fix its scale and measure the sample in it.

    Parameters
    ----------
    path : Path or str
        The photo.
    options : SettOptions, optional
        What is known of the cloth.
    card : str
        ``"auto"``, ``"bank"`` or ``"printed"``: the card to look for.
    px_per_mm : float, optional
        Scale given by hand instead of a card.
    scan, dpi
        The picture is a scan at this resolution, or at the one its file names.
    no_scale : bool
        Look for no scale; results are then per 1000 pixels only.
    points : tuple of five floats, optional
        x and y of two points in pixels of the upright photo, and the distance between them in millimetres.
    rule : str, optional
        ``"mm"`` or ``"inch16"``: the graduation of a rule or tape that lies flat beside the cloth.

    Returns
    -------
    SettMeasurement
        ``.result`` says what was measured, ``.plane`` how sure the scale is.

    Raises
    ------
    PickglassError
        `PhotoError` when the file is no photo, `UsageError` when two ways to the scale were given or one that cannot
        be, `RefusedError` when no number could be trusted. Each says what happened (``problem``) and what helps
        (``next_step``).
    ValueError
        If `card` or `rule` is none of the words above.
    """
    photo = load_photo(path)
    plane = find_scale(
        photo, px_per_mm=px_per_mm, scan=scan, dpi=dpi, no_scale=no_scale, points=points, rule=rule, card=card
    )
    notices = (*check_photo(photo), *plane.notices, *plane_notices(plane))
    return doubt_impossible(measure_sett(photo, replace(plane, notices=notices), options))
