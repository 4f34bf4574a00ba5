"""The marks lie on the threads they number: checked on drawn cloth whose every thread's place is known."""

import numpy as np
import pytest

from cloth import make_cloth
from pickglass.calibration.photo import Photo
from pickglass.cli.marks import marks_of, numbers_to_mark
from pickglass.cli.overlay import draw_marks
from pickglass.cli.pipeline import Request, measure_loaded


@pytest.mark.parametrize(
    ("count", "numbers"), [(3, [1]), (12, [1, 10]), (26, [1, 10, 20, 26]), (30, [1, 10, 20, 30])]
)
def test_numbers(count, numbers):
    assert numbers_to_mark(count) == numbers


def test_marked_threads_are_the_drawn_ones():
    cloth = make_cloth((560, 720), end_pitch_px=12.0, pick_pitch_px=15.0, seed=11)
    photo = Photo(bgr=cloth.bgr, name="drawn.png")
    measurement = measure_loaded(photo, Request(all_cloth=True, px_per_mm=8.0))
    marks = marks_of(measurement)
    middle_y, middle_x = 280.0, 360.0
    ends = [(t.number, float(np.interp(middle_y, t.course_px[:, 1], t.course_px[:, 0]))) for t in marks.ends]
    picks = [
        (t.number, float(np.interp(middle_x, t.course_px[:, 0], t.course_px[:, 1]))) for t in marks.picks
    ]
    for marked, drawn in ((ends, cloth.ends_px), (picks, cloth.picks_px)):
        pitch = float(np.diff(drawn).mean())
        # a thread cut by the picture's border may be counted or not, hence one shift for all numbers
        shifts = [int(np.argmin(np.abs(drawn - at))) - (number - 1) for number, at in marked]
        assert len(set(shifts)) == 1
        assert abs(shifts[0]) <= 1
        for number, at in marked:
            assert abs(drawn[number - 1 + shifts[0]] - at) < 0.3 * pitch
    picture = draw_marks(photo.bgr, marks)
    assert picture.shape[0] > 560
