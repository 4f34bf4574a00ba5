"""Work on several threads: the same results in the same order, and the same error, as one after the other."""

import threading

import cv2
import pytest

from pickglass.calibration.side_by_side import both, side_by_side


@pytest.fixture(params=[1, 2, 4])
def threads(request):
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    yield request.param
    cv2.setNumThreads(before)


def test_results_come_in_order(threads):
    assert side_by_side(lambda n: n * n, range(9)) == [n * n for n in range(9)]
    assert side_by_side(str, []) == []
    assert both(lambda: "first", lambda: 2) == ("first", 2)


def test_the_first_error_is_the_one_that_comes(threads):
    def fail(n):
        raise ValueError(n)

    with pytest.raises(ValueError, match="1"):
        both(lambda: fail(1), lambda: fail(2))
    with pytest.raises(ValueError, match="2"):
        both(lambda: "well", lambda: fail(2))
    with pytest.raises(ValueError, match="3"):
        side_by_side(fail, [3, 4])


def test_one_thread_stays_in_its_own():
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        assert set(side_by_side(lambda _: threading.get_ident(), range(3))) == {threading.get_ident()}
    finally:
        cv2.setNumThreads(before)
