"""No card where there is none: real pictures, demo photos cut free of their card, drawn surfaces and phones."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import skimage
from bank_card_scene import card_homography, cover, develop, draw, table
from notcloth import OTHERS, make_other

from pickglass.calibration.errors import PickglassError, ScaleError
from pickglass.calibration.photo import MIN_SIDE_PX, Photo, load_photo
from pickglass.calibration.scale import find_scale

HERE = Path(__file__).resolve()
DEMO = HERE.parents[2] / "sample_images"
SHARED = HERE.parents[3] / "shared"
# Pictures that come with scikit-image: brick, grass, coins, pages of text, microscopy, sky, animals.
LIBRARY = sorted(
    path
    for path in (Path(skimage.__file__).parent / "data").glob("*")
    if path.suffix in (".png", ".jpg", ".gif") and path.stat().st_size > 2000
)
PHONES_MM = (
    (138.0, 67.0, 9.0),
    (147.0, 71.5, 10.0),
    (151.0, 73.0, 8.0),
    (161.0, 78.0, 11.0),
    (163.0, 76.0, 4.0),
)


def false_card(photo: Photo) -> str | None:
    """Return what was taken for a card; None when the photo is refused for want of one, as it should be."""
    try:
        return find_scale(photo).source
    except ScaleError as error:
        return "two cards" if error.code == "two-cards" else None


def cut_free() -> Iterator[tuple[str, Photo]]:
    """Demo photos cut so that the card is gone: the cloth alone, and the whole side of the photo beside the card."""
    for path in sorted([*DEMO.glob("*.json"), *(SHARED / "scenes").glob("*.json")]):
        truth = json.loads(path.read_text(encoding="utf-8"))
        if not truth.get("card") or not path.with_suffix(".jpg").is_file() or truth["card"].get("on_cloth"):
            continue
        photo = load_photo(path.with_suffix(".jpg"))
        height, width = photo.bgr.shape[:2]
        corners = np.array(truth["card"]["corners_px"])
        low, high = corners.min(axis=0) - 20, corners.max(axis=0) + 20
        sides = {
            "left": photo.bgr[:, : max(0, int(low[0]))],
            "right": photo.bgr[:, int(high[0]) :],
            "above": photo.bgr[: max(0, int(low[1]))],
            "below": photo.bgr[int(high[1]) :],
        }
        name, largest = max(sides.items(), key=lambda item: item[1].size)
        yield f"{path.stem} {name} of the card", Photo(bgr=np.ascontiguousarray(largest), name=path.stem)
        if "sample_polygon_px" in truth:
            polygon = np.array(truth["sample_polygon_px"])[:, :2]
            middle, half = polygon.mean(axis=0), 0.3 * np.ptp(polygon, axis=0)
            x0, y0 = np.maximum(middle - half, 0).astype(int)
            x1, y1 = np.minimum(middle + half, [width, height]).astype(int)
            if min(x1 - x0, y1 - y0) >= MIN_SIDE_PX:
                part = np.ascontiguousarray(photo.bgr[y0:y1, x0:x1])
                yield f"{path.stem} cloth alone", Photo(bgr=part, name=path.stem, focal_length_35mm=26.0)


def real_pictures() -> Iterator[tuple[str, Photo]]:
    folders = (SHARED / "real" / "img", SHARED / "real" / "negatives")
    for path in [*LIBRARY, *(p for folder in folders if folder.is_dir() for p in sorted(folder.iterdir()))]:
        try:
            yield path.name, load_photo(path)
        except PickglassError:
            continue


def phone_photo(
    size: tuple[float, float, float],
    tilt_deg: float,
    turn_deg: float,
    *,
    lit: bool,
    exif: bool,
    with_card: bool = False,
) -> Photo:
    """A phone on a table, drawn from exact geometry: rim, screen, lens; a bank card beside it where asked."""
    shape, focal = (900, 1200), 26.0 / 43.267 * float(np.hypot(900, 1200))

    def place(shift: tuple[float, float]) -> np.ndarray:
        return card_homography(
            shape=shape,
            focal_px=focal,
            distance_mm=330.0,
            tilt_deg=tilt_deg,
            tilt_towards_deg=40.0,
            turn_deg=turn_deg,
            shift_mm=shift,
        )

    at = place((-30.0, -30.0) if with_card else (0.0, 0.0))
    light = cover(
        table(shape, "grain", 3), at, np.full(3, 0.03, np.float32), radius_mm=size[2], size_mm=size[:2]
    )
    screen = np.array((0.55, 0.6, 0.5) if lit else (0.012, 0.012, 0.014), np.float32)
    light = cover(light, at, screen, radius_mm=size[2] - 3, size_mm=(size[0] - 6, size[1] - 6))
    if with_card:
        light = cover(light, place((20.0, 58.0)), np.full(3, 0.7, np.float32))
    bgr = develop(light.astype(np.float32), blur_px=0.8, noise=0.004, seed=5)
    return Photo(bgr=bgr, name="phone.jpg", focal_length_35mm=26.0 if exif else None)


@pytest.mark.parametrize("kind", OTHERS)
def test_no_card_in_drawn_surfaces(kind: str):
    picture = make_other(kind, (480, 640), pitch_px=18.0, seed=3)
    assert false_card(Photo(bgr=picture, name=kind, focal_length_35mm=26.0)) is None


@pytest.mark.parametrize("size", PHONES_MM)
@pytest.mark.parametrize(
    ("tilt", "turn", "lit", "exif"), [(2.0, 3.0, True, True), (18.0, 75.0, False, False)]
)
def test_a_phone_is_no_card(size, tilt: float, turn: float, lit: bool, exif: bool):
    assert false_card(phone_photo(size, tilt, turn, lit=lit, exif=exif)) is None


@pytest.mark.parametrize("exif", [True, False])
def test_a_phone_beside_the_card_does_not_matter(exif: bool):
    plane = find_scale(phone_photo(PHONES_MM[1], 6.0, 5.0, lit=True, exif=exif, with_card=True))
    assert plane.source == "bank-card"
    assert plane.camera_distance_mm == (pytest.approx(330.0, rel=0.03) if exif else None)


def test_the_weaver_is_told_to_lay_the_number_side_down():
    bare = draw(size_mm=(1e-3, 1e-3), radius_mm=1e-4).photo
    with pytest.raises(ScaleError) as caught:
        find_scale(bare)
    assert caught.value.code == "no-card"
    assert "number side down" in caught.value.next_step


@pytest.mark.slow
def test_no_card_in_real_pictures_and_photos_cut_free():
    """At least fifty pictures without a card, none of them drawn for the purpose."""
    found = {name: false_card(photo) for name, photo in (*real_pictures(), *cut_free())}
    assert len(found) >= (50 if (SHARED / "real").is_dir() else 30)
    assert {name: what for name, what in found.items() if what is not None} == {}


def test_no_card_in_demo_photos_cut_free():
    found = {name: false_card(photo) for name, photo in cut_free() if name.startswith(("twill", "woolly"))}
    assert len(found) == 4
    assert set(found.values()) == {None}
