"""L*a*b* of eight bits is what OpenCV's own conversion gives, that of floats what scikit-image's gives."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.color

from pickglass.measure import lab


def some_colours():
    rng = np.random.default_rng(7)
    codes = rng.integers(0, 256, (300, 400, 3)).astype(np.uint8)
    codes[:64] //= 8  # dark ones, where the cube root is steep
    codes[64:80] = np.arange(400)[None, :, None] % 256  # greys
    return codes


def test_eight_bits_are_those_of_opencv():
    codes = some_colours()
    apart = np.abs(lab.lab_of_codes(codes).astype(int) - cv2.cvtColor(codes, cv2.COLOR_BGR2LAB))
    assert apart.max() <= 1
    assert np.mean(apart > 0) < 0.0002


def test_floats_are_those_of_scikit_image():
    # OpenCV's own are interpolated between 33 values of each channel, and up to half a unit off.
    floats = some_colours().astype(np.float32) / np.float32(255)
    known = skimage.color.rgb2lab(floats[..., ::-1].astype(np.float64))
    assert np.abs(lab.lab_of_floats(floats) - known).max() < 0.1


def test_white_and_black_are_neutral():
    ends = np.array([[[0, 0, 0], [1, 1, 1], [2, 2, 2]]], np.float32)
    assert lab.lab_of_floats(ends)[0] == pytest.approx(
        np.array([[0, 0, 0], [100, 0, 0], [100, 0, 0]]), abs=0.02
    )


def test_an_opencv_that_looks_up_eight_bits_only_gives_the_same(monkeypatch):
    codes = some_colours()
    floats = codes.astype(np.float32) / np.float32(255)
    quick = lab.lab_of_codes(codes), lab.lab_of_floats(floats)
    monkeypatch.setattr(lab, "_looks_up_sixteen_bits", lambda: False)
    assert np.array_equal(lab.lab_of_codes(codes), quick[0])
    assert np.array_equal(lab.lab_of_floats(floats), quick[1])
