"""The accuracy table again under worse conditions: does doubt grow with them, or confident wrong numbers?

    cd tests; python -m accuracy.conditions FOLDER [--jobs 2] [--only NAME] [--every 3] [--condition NAME] [--markdown]

Every photo of FOLDER (NAME.jpg beside NAME.json) is changed as a poor photo would be and measured as before. One row for
each condition; the columns are those of the accuracy table's summary, counted over directions.
"""

from __future__ import annotations

import argparse
import os
import sys
import zlib
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from pickglass.calibration.photo import Photo

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from accuracy.cases import Case, load_cases
from accuracy.judge import PhotoScore, judge
from accuracy.table import render, summary_rows

from pickglass.calibration.flatten import resample, smooth_map
from pickglass.calibration.plane import apply_homography
from pickglass.calibration.scale import find_scale

__all__ = ["CONDITIONS", "condition_rows"]

_TUNGSTEN = (0.55, 0.82, 1.0)  # blue, green, red: a lamp with the camera's balance set for daylight
_TILT_DEG = 20.0
_STEP_BACK = 0.9  # the tilted camera steps back a little, so that what comes nearer stays in view
_COLUMNS = (
    "directions",
    "within 1 %",
    "2 %",
    "wrong > 3 %",
    "wrong > 5 %",
    "unsure",
    "refused",
    "inside 95 %",
)


def _with(photo: Photo, bgr: np.ndarray) -> Photo:
    return replace(photo, bgr=np.ascontiguousarray(bgr, dtype=np.uint8))


def unchanged(photo: Photo) -> Photo:
    """Leave the photo as it was taken."""
    return photo


def blurred(photo: Photo, *, sigma_px: float) -> Photo:
    """Put the photo out of focus."""
    return _with(photo, cv2.GaussianBlur(photo.bgr, (0, 0), sigma_px))


def noisy(photo: Photo, *, levels: float) -> Photo:
    """Add what a sensor adds in poor light: noise of its own in every pixel and colour."""
    rng = np.random.default_rng(zlib.crc32(photo.name.encode()))
    noise = rng.normal(0.0, levels, photo.bgr.shape).astype(np.float32)
    return _with(photo, np.clip(np.rint(photo.bgr + noise), 0, 255))


def saved_as_jpeg(photo: Photo, *, quality: int) -> Photo:
    """Save the photo once more as a JPEG."""
    _, data = cv2.imencode(".jpg", photo.bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return _with(photo, cv2.imdecode(data, cv2.IMREAD_COLOR))


def reduced(photo: Photo, *, factor: float) -> Photo:
    """Send the photo through something that reduces it; a scan's resolution is reduced with it."""
    bgr = cv2.resize(photo.bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    return replace(_with(photo, bgr), dpi=None if photo.dpi is None else photo.dpi * factor)


def tinted(photo: Photo) -> Photo:
    """Take the photo by lamplight with the camera set for daylight."""
    gains = np.array(_TUNGSTEN, dtype=np.float32)
    return _with(photo, np.rint(photo.bgr * gains))


def tilted(photo: Photo) -> Photo:
    """Photograph the table again with the camera tilted by 20 degrees, from a little farther away.

    Exact for all that lies in the table's plane: where the camera stood and how its lens bends the picture is taken from
    the card, and every pixel of the new picture is looked up where the old one shows the same place.
    """
    plane = find_scale(photo)
    assert plane.lens is not None, "only a card tells where the camera stood"
    height, width = photo.bgr.shape[:2]
    focal_px, (x, y) = plane.lens.focal_px, plane.lens.centre_px
    camera = np.array([[focal_px, 0, x], [0, focal_px, y], [0, 0, 1]])
    pose = np.linalg.inv(camera) @ plane.px_from_mm  # two columns of the rotation, and where the middle lies
    distance_mm = abs(float(pose[2, 2])) / float(np.linalg.norm(pose[:, :2], axis=0).mean())
    turn = np.asarray(cv2.Rodrigues(np.array([np.deg2rad(_TILT_DEG), 0.0, 0.0]))[0])
    new_from_mm = camera @ np.column_stack([turn[:, 0], turn[:, 1], [0.0, 0.0, distance_mm / _STEP_BACK]])

    def seen_before(points_px: np.ndarray) -> np.ndarray:
        return plane.to_px(apply_homography(np.linalg.inv(new_from_mm), points_px))

    positions = smooth_map(seen_before, (0.0, 0.0), 1.0, (height, width))
    return _with(photo, resample(photo.bgr, positions))


CONDITIONS: dict[str, Callable[[Photo], Photo]] = {
    "as taken": unchanged,
    "blur 1.5 px": partial(blurred, sigma_px=1.5),
    "blur 3 px": partial(blurred, sigma_px=3.0),
    "noise 12 levels": partial(noisy, levels=12.0),
    "noise 30 levels": partial(noisy, levels=30.0),
    "JPEG 60": partial(saved_as_jpeg, quality=60),
    "JPEG 25": partial(saved_as_jpeg, quality=25),
    "half resolution": partial(reduced, factor=0.5),
    "lamplight": tinted,
    "tilt 20°": tilted,
}


def _score(job: tuple[str, Case]) -> PhotoScore:
    condition, case = job
    change = unchanged if case.request.scan and condition.startswith("tilt") else CONDITIONS[condition]
    return replace(judge(case, change=change), group=condition)


def condition_rows(scores: list[PhotoScore]) -> list[list[str]]:
    """Return one row for each condition, header first, and how many pictures of no cloth were refused."""
    header, *rows = summary_rows(scores)
    chosen = [header.index(name) for name in _COLUMNS]
    out = [["condition", *_COLUMNS, "not woven: refused"]]
    for row in rows:
        negatives = [s for s in scores if s.group == row[0] and not s.woven]
        refused = sum(s.verdict == "refused" for s in negatives)
        if row[0] != "all":
            out.append([row[0], *(row[i] for i in chosen), f"{refused} of {len(negatives)}"])
    return out


def confident_and_wrong(scores: list[PhotoScore]) -> list[str]:
    """Name every reading that was called measured and is more than 3 % off, or was no cloth at all."""
    found = []
    for score in scores:
        if score.verdict != "measured":
            continue
        if not score.woven:
            found.append(f"{score.group}: {score.name}: measured, but not woven")
        for name, direction in (("ends", score.ends), ("picks", score.picks)):
            error = None if direction is None else direction.error_percent
            if error is not None and abs(error) > 3.0:
                found.append(f"{score.group}: {score.name}: {name} {error:+.1f} %")
    return found


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m accuracy.conditions", description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=1, help="photos measured at the same time")
    parser.add_argument("--only", help="only photos whose name contains this")
    parser.add_argument("--every", type=int, default=1, help="only every so-manieth photo")
    parser.add_argument("--condition", action="append", choices=list(CONDITIONS))
    parser.add_argument("--markdown", action="store_true")
    asked = parser.parse_args()
    cases = [case for case in load_cases(asked.folder) if asked.only is None or asked.only in case.path.stem]
    jobs = [(name, case) for name in asked.condition or CONDITIONS for case in cases[:: asked.every]]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    scores = []
    if asked.jobs > 1:
        with ProcessPoolExecutor(asked.jobs) as pool:
            scores = list(pool.map(_score, jobs))
    else:
        for job in jobs:
            scores.append(_score(job))
            print(f"\r{len(scores)} of {len(jobs)}", end="", file=sys.stderr, flush=True)
        print(file=sys.stderr)
    print(render(condition_rows(scores), markdown=asked.markdown))
    print("\n".join(["", *(confident_and_wrong(scores) or ["No confident wrong number."])]))


if __name__ == "__main__":
    main()
