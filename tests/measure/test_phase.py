"""Phase of the thread lattice: against reference libraries and against constructed signals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import hilbert
from skimage.restoration import unwrap_phase

from pickglass.measure.phase import (
    PX_PER_THREAD,
    Demodulator,
    LatticePicture,
    combine_routes,
    feature_planes,
    lattice_picture,
    unwrap_weighted,
)


def wrap(phase):
    return np.angle(np.exp(1j * phase)).astype(np.float32)


def bowed_surface(rows=40, cols=56):
    y, x = np.mgrid[0:rows, 0:cols].astype(float)
    return 0.5 * x + 0.004 * (x - cols / 2) ** 2 - 0.3 * y + 0.9 * np.sin(y / 9)


def test_unwrapping_agrees_with_scikit_image():
    # scikit-image unwraps by sorted reliability (Herraez et al. 2002), ours by least squares: on a surface
    # without residues both are exact up to a whole number of turns.
    wrapped = wrap(bowed_surface())
    reference = unwrap_phase(wrapped.astype(float), rng=0)
    ours = unwrap_weighted(wrapped, np.ones_like(wrapped), iterations=200)
    difference = ours - reference
    difference -= 2 * np.pi * np.round(difference.mean() / (2 * np.pi))
    assert np.abs(difference).max() < 0.02


def test_unwrapping_bridges_a_hole_of_nonsense():
    truth = bowed_surface()
    phase, weight = wrap(truth), np.ones(truth.shape, np.float32)
    hole = (slice(12, 26), slice(18, 34))
    phase[hole] = np.random.default_rng(3).uniform(-np.pi, np.pi, phase[hole].shape)
    weight[hole] = 0.0
    ours = unwrap_weighted(phase, weight, iterations=200)
    outside = weight > 0
    difference = (ours - truth)[outside]
    # Less than a tenth of a turn anywhere around the hole: no thread is lost on the way past it.
    assert np.ptp(difference) < 0.2 * np.pi
    naive = np.unwrap(np.unwrap(phase, axis=1), axis=0)
    assert np.ptp((naive - truth)[outside]) > 2 * np.pi


def test_local_frequency_agrees_with_the_analytic_signal():
    # Pitch falls by 12 % across the picture. Reference: scipy's Hilbert transform of one row.
    k, threads = PX_PER_THREAD, 80
    x = np.arange(threads * k) / k
    index = 0.94 * x + 0.06 * x**2 / threads
    row = np.cos(2 * np.pi * index).astype(np.float32)
    plane = np.tile(row, (12 * k, 1))
    baseband = Demodulator(plane).node(1.0, 0.0)[6]
    ours = np.unwrap(np.angle(baseband)) / (2 * np.pi) + np.arange(threads)
    reference = np.unwrap(np.angle(hilbert(row.astype(float))))[::k] / (2 * np.pi)
    inner = slice(8, -8)
    assert np.gradient(ours)[inner] == pytest.approx(np.gradient(reference)[inner], abs=0.01)
    assert ours[inner] == pytest.approx(index[::k][inner], abs=0.02)


def test_half_nodes_carry_the_thread_where_the_axis_is_empty():
    k = PX_PER_THREAD
    y, x = np.mgrid[0 : 30 * k, 0 : 40 * k] / k
    bow = 0.8 * np.sin(2 * np.pi * x / 40)
    board = np.cos(np.pi * x) * np.cos(np.pi * (y + bow))  # a chess board has no on-axis component at all
    found = Demodulator(board.astype(np.float32))
    assert np.abs(found.node(0.0, 1.0)).max() < 0.01
    rising, falling = found.node(0.5, 0.5), found.node(0.5, -0.5)
    picks = np.unwrap(np.angle(rising * np.conj(falling))[15]) / (2 * np.pi)
    assert picks[6:-6] == pytest.approx(bow[0, ::k][6:-6], abs=0.05)


def test_routes_with_their_own_offsets_add_up_and_noise_is_left_out():
    rng = np.random.default_rng(1)
    shape = (30, 40)
    phase = np.tile(np.linspace(0, 3, shape[1]), (shape[0], 1))

    def route(offset, noise):
        jitter = rng.normal(0, noise, shape)
        return np.exp(1j * (phase + offset + jitter)).astype(np.complex64)

    nonsense = np.exp(1j * rng.uniform(-np.pi, np.pi, shape)).astype(np.complex64)
    cloth = np.ones(shape, np.float32)
    merged, coherence, agreement = combine_routes(
        [route(0.0, 0.3), route(2.0, 0.3), nonsense], cloth, along=0
    )
    left = np.angle(merged * np.exp(-1j * phase))
    assert np.ptp(np.unwrap(left.ravel())) < 0.6
    assert np.median(coherence) > 0.8
    assert agreement[2] < 0.5 < agreement[:2].min()


def test_lattice_picture_has_the_same_pixels_per_thread_both_ways():
    bgr = np.zeros((300, 200, 3), np.uint8)
    picture = lattice_picture(bgr, np.ones((300, 200), bool), pitch_x_px=5.0, pitch_y_px=20.0)
    assert picture.bgr.shape == (15 * PX_PER_THREAD, 40 * PX_PER_THREAD, 3)
    assert picture.scale_x == pytest.approx(PX_PER_THREAD / 5.0)
    assert picture.scale_y == pytest.approx(PX_PER_THREAD / 20.0)


def test_features_do_not_see_a_change_of_dye():
    k = PX_PER_THREAD
    x = np.arange(40 * k) / k
    threads = 0.5 + 0.5 * np.cos(2 * np.pi * x)
    dyed = np.where(x < 20, 60.0, 200.0) * (0.6 + 0.4 * threads)
    bgr = np.repeat(np.tile(dyed, (20 * k, 1))[..., None], 3, axis=2).astype(np.float32)
    cloth = np.ones(bgr.shape[:2], np.float32)
    planes = feature_planes(LatticePicture(bgr=bgr, cloth=cloth, scale_x=1.0, scale_y=1.0))
    for name in ("light", "edge_x", "gap_x"):
        dark, bright = planes[name][:, 6 * k : 16 * k], planes[name][:, 24 * k : 34 * k]
        assert dark.std() == pytest.approx(bright.std(), rel=0.25), name
