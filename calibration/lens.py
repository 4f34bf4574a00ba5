"""Learning a phone's lens from several photos of the page card, and finding it again for a photo."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from .camera_view import focal_px_from_35mm
from .card_choice import CENTRE_U_DIAGONAL, FOCAL_LOG_U
from .card_memory import CheckBars, LensRecord
from .card_sighting import CardSighting, see_printed_cards
from .errors import QualityError, ScaleError, UsageError
from .photo import Photo
from .plane import Lens
from .printed_card import find_printed_cards

__all__ = ["FEWEST_PHOTOS", "LearnedLens", "known_lens", "learn_lens"]

FEWEST_PHOTOS = 3
FEWEST_CORNERS = 24
LARGEST_K1 = 0.3
WORST_RMS_PX_PER_1000 = 0.5  # per 1000 px of picture diagonal: beyond it the model does not hold


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedLens:
    """What `learn_lens` found.

    Attributes
    ----------
    record : LensRecord
        To be remembered.
    rms_px : float
        Scatter of the marker corners about the fit.
    focal_from_photos : bool
        False when the photos were too square-on to tell the focal length, so that the file's was kept.
    corner_shift_percent : float
        How far the lens moves the corner of the picture, in percent of its distance from the centre.
    """

    record: LensRecord
    rms_px: float
    focal_from_photos: bool
    corner_shift_percent: float

    @property
    def corner_shift_u95_percent(self) -> float:
        """Expanded uncertainty (95 %) of the shift of the corner, of which the radial term is the only source."""
        return 2.0 * self.record.k1_u * (0.5 / self.record.focal_per_diagonal) ** 2 * 100.0


def known_lens(photo: Photo, lenses: Sequence[LensRecord]) -> Lens | None:
    """Return the learned lens of a photo's camera and focal length in the photo's own pixels, or None."""
    if photo.camera is None or photo.focal_length_mm is None:
        return None
    height, width = photo.bgr.shape[:2]
    for record in lenses:
        if record.key == (photo.camera, round(photo.focal_length_mm, 1)):
            return Lens(
                focal_px=record.focal_per_diagonal * math.hypot(width, height),
                centre_px=((width - 1) / 2.0, (height - 1) / 2.0),
                k1=record.k1,
            )
    return None


def learn_lens(photos: Sequence[Photo], checks: Mapping[str, CheckBars]) -> LearnedLens:
    """Learn focal length and first radial term from photos of the page card.

    Parameters
    ----------
    photos : sequence of Photo
        Three or more photos of a page card, by one camera at one focal length, from different sides.
    checks : mapping of str to CheckBars
        Measured check bars by card code.

    Raises
    ------
    UsageError
        Too few photos, or photos of different cameras or without the tags that tell cameras apart.
    ScaleError
        A photo without page card, or with one that does not lie flat.
    QualityError
        Photos that do not agree with any lens.

    References
    ----------
    .. [1] Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22(11), 2000,
       doi:10.1109/34.888718, as in ``cv2.calibrateCameraExtended``.
    """
    camera, focal_mm = _one_camera(photos)
    sightings = [_page_sighting(photo, checks) for photo in photos]
    diagonals = [math.hypot(*photo.bgr.shape[:2]) for photo in photos]
    diagonal = max(diagonals)
    size = (round(0.8 * diagonal), round(0.6 * diagonal))
    centre = np.array([(size[0] - 1) / 2.0, (size[1] - 1) / 2.0])
    solids, pictures = [], []
    for photo, sighting, own in zip(photos, sightings, diagonals, strict=True):
        height, width = photo.bgr.shape[:2]
        # All photos are brought to one centre and one size, so that upright and lying ones go together.
        middle = np.array([(width - 1) / 2.0, (height - 1) / 2.0])
        pictures.append(((sighting.corners_px - middle) * (diagonal / own) + centre).astype(np.float32))
        solids.append(
            np.column_stack([sighting.points_mm, np.zeros(len(sighting.points_mm))]).astype(np.float32)
        )
    exif = photos[0].focal_length_35mm
    start_focal = 0.7 * diagonal if exif is None else focal_px_from_35mm(exif, size[0], size[1])
    fit = _calibrate_with_doubt(solids, pictures, size, start_focal, fix_focal=False)
    focal_from_photos = fit.focal_u / fit.focal <= FOCAL_LOG_U
    if not focal_from_photos:
        if exif is None:
            raise QualityError(
                "lens-too-alike",
                "The photos are all taken from the same side, so the lens cannot be told from the distance.",
                "Take them again: one from straight above, the others tilted by about 20° to different sides.",
            )
        fit = _calibrate_with_doubt(solids, pictures, size, start_focal, fix_focal=True)
    _check_fit(fit, diagonal)
    focal_u = fit.focal_u / fit.focal if focal_from_photos else FOCAL_LOG_U
    # The photos fix k1 over the square of the focal length, so that a doubtful focal length makes k1 doubtful too.
    k1_u = fit.k1_u if focal_from_photos else math.hypot(fit.k1_u, 2.0 * FOCAL_LOG_U * fit.k1)
    share = fit.focal / diagonal
    corner = (0.5 / share) ** 2
    return LearnedLens(
        record=LensRecord(
            camera=camera,
            focal_length_mm=focal_mm,
            focal_per_diagonal=share,
            focal_per_diagonal_u=max(focal_u, 0.003) * share,
            k1=fit.k1,
            k1_u=max(k1_u, 5e-4),
            photos=len(photos),
        ),
        rms_px=fit.rms_px,
        focal_from_photos=focal_from_photos,
        corner_shift_percent=100.0 * fit.k1 * corner,
    )


@dataclass(frozen=True, slots=True)
class _Calibration:
    focal: float
    focal_u: float
    k1: float
    k1_u: float
    rms_px: float


def _calibrate(
    solids: Sequence[NDArray[np.float32]],
    pictures: Sequence[NDArray[np.float32]],
    size: tuple[int, int],
    start_focal: float,
    *,
    fix_focal: bool,
    shift_px: tuple[float, float] = (0.0, 0.0),
) -> _Calibration:
    """Run OpenCV's calibration with one focal length, the centre of the picture, and k1 as the only distortion."""
    camera = np.array(
        [[start_focal, 0, (size[0] - 1) / 2.0], [0, start_focal, (size[1] - 1) / 2.0], [0, 0, 1.0]]
    )
    camera[:2, 2] += shift_px
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_FIX_PRINCIPAL_POINT
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K2
        | cv2.CALIB_FIX_K3
    )
    if fix_focal:
        flags |= cv2.CALIB_FIX_FOCAL_LENGTH
    rms, matrix, distortion, _, _, spread, _, _ = cv2.calibrateCameraExtended(
        solids, pictures, size, camera, np.zeros(5), flags=flags
    )
    known = np.asarray(spread, dtype=np.float64).ravel()
    return _Calibration(
        focal=float(np.asarray(matrix)[0, 0]),
        focal_u=float(known[0]),
        k1=float(np.asarray(distortion).ravel()[0]),
        k1_u=float(known[4]),
        rms_px=float(rms),
    )


def _calibrate_with_doubt(
    solids: Sequence[NDArray[np.float32]],
    pictures: Sequence[NDArray[np.float32]],
    size: tuple[int, int],
    start_focal: float,
    *,
    fix_focal: bool,
) -> _Calibration:
    """Calibrate, and add to the scatter what an axis beside the picture's centre would change.

    The axis of a phone's lens wanders with the image stabiliser; photos from straight above cannot tell that from
    a small tilt, nor a small tilt from another focal length. The scatter of the corners alone promises too much.
    """
    away = CENTRE_U_DIAGONAL * math.hypot(*size)
    fit = _calibrate(solids, pictures, size, start_focal, fix_focal=fix_focal)
    moved = [
        _calibrate(solids, pictures, size, fit.focal, fix_focal=fix_focal, shift_px=shift)
        for shift in ((away, 0.0), (0.0, away))
    ]
    focal_u = math.hypot(fit.focal_u, *(other.focal - fit.focal for other in moved))
    k1_u = math.hypot(fit.k1_u, *(other.k1 - fit.k1 for other in moved))
    return replace(fit, focal_u=focal_u, k1_u=k1_u)


def _check_fit(fit: _Calibration, diagonal: float) -> None:
    sound = (
        math.isfinite(fit.k1) and abs(fit.k1) <= LARGEST_K1 and 0.2 * diagonal < fit.focal < 10.0 * diagonal
    )
    if not sound or fit.rms_px > WORST_RMS_PX_PER_1000 * diagonal / 1000.0:
        raise QualityError(
            "lens-no-fit",
            f"The photos do not agree with one lens (the markers lie {fit.rms_px:.1f} px off on average).",
            "Lay the card on something flat, use the phone's original photos, uncropped and without zoom, and "
            "take them again in good light.",
        )


def _one_camera(photos: Sequence[Photo]) -> tuple[str, float]:
    """Return camera and focal length, which all photos must share."""
    if len(photos) < FEWEST_PHOTOS:
        raise UsageError(
            "lens-few-photos",
            f"{'One photo is' if len(photos) == 1 else f'{len(photos)} photos are'} too few to learn a lens.",
            f"Give {FEWEST_PHOTOS} or more photos of the page card, taken from different sides.",
        )
    for photo in photos:
        if photo.camera is None or photo.focal_length_mm is None:
            raise UsageError(
                "lens-no-tags",
                f"{photo.name} does not say which camera took it, so its lens could not be found again.",
                "Use the phone's original photos; messengers and editors remove these tags.",
            )
    keys = {(photo.camera, round(photo.focal_length_mm or 0.0, 1)) for photo in photos}
    if len(keys) > 1:
        listed = ", ".join(f"{name} at {focal:g} mm" for name, focal in sorted(keys, key=str))
        raise UsageError(
            "lens-mixed",
            f"The photos come from different lenses: {listed}.",
            "Give photos of one phone, taken with one of its lenses and without zoom.",
        )
    return str(photos[0].camera), float(photos[0].focal_length_mm or 0.0)


def _page_sighting(photo: Photo, checks: Mapping[str, CheckBars]) -> CardSighting:
    """Return the page card in a photo, refusing one that is missing, mostly covered or curled."""
    pages = [s for s in see_printed_cards(photo.bgr, checks) if s.layout.code.kind == "page"]
    if not pages or len(pages[0].points_mm) < FEWEST_CORNERS:
        raise ScaleError(
            "lens-no-card",
            f"{photo.name} does not show enough of a page card.",
            "Photograph the page card with all its markers in the picture and nothing on it.",
        )
    for plane in find_printed_cards(photo, checks):
        if plane.card_code == str(pages[0].layout.code) and any(
            n.code == "card-curled" for n in plane.notices
        ):
            raise ScaleError(
                "lens-card-curled",
                f"In {photo.name} the page card does not lie flat.",
                "Tape its corners to the table and take the photo again.",
            )
    return pages[0]
