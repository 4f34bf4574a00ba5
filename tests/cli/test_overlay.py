"""The marked picture: everything that was asked for is on it, and grey print loses none of it."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from pickglass.cli.drawing import dashes, stroke
from pickglass.cli.overlay import Marks, NumberedThread, draw_marks, encode

from .fakes import OUTLINE, fake_plane

GREY = 128


def marks(*, card: bool = True, numbers: tuple[int, ...] = (10,)) -> Marks:
    return Marks(
        outline_px=OUTLINE,
        ends=[
            NumberedThread(
                number=n, course_px=np.column_stack([np.full(20, 200.0 + n), np.linspace(85, 375, 20)])
            )
            for n in numbers
        ],
        picks=[],
        card_px=fake_plane().card_outline_px if card else None,
        card_words="bank card",
        caption=["garden-band.jpg", "40.6 ± 0.3 ends per inch"],
        repeat_bgr=np.full((20, 10, 3), 90, np.uint8),
    )


def photo() -> np.ndarray:
    return np.full((1000, 1600, 3), GREY, np.uint8)


def test_shows_sample_and_card_at_full_resolution():
    picture = draw_marks(photo(), marks())
    assert picture.dtype == np.uint8
    # the part with sample and card is 856 by 860 px and is doubled, for it is smaller than 1400 px
    assert picture.shape[1] >= 2 * 856
    assert picture.shape[0] > 2 * 860


def test_a_large_photo_is_not_enlarged():
    large = np.full((4000, 5000, 3), GREY, np.uint8)
    whole = np.array([[0.0, 0.0], [4999.0, 0.0], [4999.0, 3999.0], [0.0, 3999.0]])
    picture = draw_marks(
        large,
        Marks(
            outline_px=whole, ends=[], picks=[], card_px=None, card_words="", caption=["a"], repeat_bgr=None
        ),
    )
    assert picture.shape[1] == 4000


def test_each_thread_is_marked_where_it_lies():
    plain = draw_marks(photo(), marks(numbers=()))
    marked = draw_marks(photo(), marks(numbers=(10,)))
    changed = np.argwhere(np.any(plain != marked, axis=2))
    # crop begins at x = 100 - 0.07 * 860 and is doubled: the end at x = 210 px lies at column 340
    left = 2 * (210 - (100 - 0.07 * 859.8))
    assert changed[:, 1].min() >= left - 60
    assert changed[:, 1].max() <= left + 60
    on_thread = changed[np.abs(changed[:, 1] - left) <= 3]
    assert np.ptp(on_thread[:, 0]) > 2 * 280


@pytest.mark.parametrize("ground", [0, 60, 128, 200, 255])
def test_strokes_show_in_grey_on_any_ground(ground):
    """Contrast in luma alone, so that colour vision and grey print do not matter; 60 of 255 is plainly seen."""
    line = np.array([[20.0, 50.0], [180.0, 50.0]])
    for draw in (
        lambda canvas: stroke(canvas, line, thickness=2),
        lambda canvas: dashes(canvas, line, thickness=2, dash_px=12.0),
    ):
        canvas = np.full((100, 200, 3), ground, np.uint8)
        draw(canvas)
        luma = cv2.cvtColor(canvas, cv2.COLOR_BGR2GRAY).astype(int)
        assert np.abs(luma[45:56, 30:170] - ground).max() > 60


@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.JPEG"])
def test_encodes_by_the_name(name):
    data = encode(photo(), Path(name))
    back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert back.shape == photo().shape
    assert data.startswith(b"\x89PNG" if name.endswith("png") else b"\xff\xd8")


def test_a_narrow_band_gets_room_for_its_words():
    band = np.array([[700.0, 20.0], [760.0, 20.0], [760.0, 980.0], [700.0, 980.0]])
    picture = draw_marks(
        photo(),
        Marks(
            outline_px=band,
            ends=[],
            picks=[],
            card_px=None,
            card_words="",
            caption=["words " * 30],
            repeat_bgr=None,
        ),
    )
    assert picture.shape[1] > 0.3 * picture.shape[0]
