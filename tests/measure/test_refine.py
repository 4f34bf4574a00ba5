import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import zoom_fft

from pickglass.measure.refine import refine_node, refine_pitch

WHOLE = np.ones((180, 260), bool)


def grating(fx: float, fy: float, *, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    rows, cols = np.mgrid[: WHOLE.shape[0], : WHOLE.shape[1]]
    wave = np.cos(2 * np.pi * (fx * cols + fy * rows) + 0.7)
    wave = wave + noise * np.random.default_rng(seed).normal(size=wave.shape)
    return wave.astype(np.float32)


@given(f=st.floats(0.06, 0.3), start=st.floats(0.94, 1.06))
@settings(max_examples=25, deadline=None)
def test_finds_the_frequency_of_a_grating_from_a_start_that_is_off(f, start):
    node = refine_node(grating(f, 0.0), WHOLE, (f * start, 0.0))
    # A pure tone leaves no noise; what remains are the picture's borders, where the blur sees a mirrored tone.
    assert node.frequency[0] == pytest.approx(f, rel=0.004)
    assert node.coherence > 0.9


def test_agrees_with_a_zoom_dft_on_a_noisy_grating():
    wave = grating(0.1234, 0.0, noise=1.0)
    fine = np.linspace(0.11, 0.135, 2001)
    # Reference: chirp-z zoom of the projected intensity, scipy.signal.zoom_fft.
    projected = wave.sum(axis=0) * np.hanning(wave.shape[1])
    spectrum = np.abs(zoom_fft(projected, [fine[0], fine[-1]], m=fine.size, fs=1.0, endpoint=True))
    node = refine_node(wave, WHOLE, (0.12, 0.0))
    assert node.frequency[0] == pytest.approx(fine[np.argmax(spectrum)], rel=0.004)


def test_follows_a_leaning_system():
    node = refine_node(grating(0.12, 0.015), WHOLE, (0.12, 0.0))
    assert node.frequency == pytest.approx((0.12, 0.015), abs=0.001)


def test_noise_is_not_coherent():
    noise = np.random.default_rng(3).normal(size=WHOLE.shape).astype(np.float32)
    assert refine_node(noise, WHOLE, (0.12, 0.0)).coherence < 0.8


def test_masked_places_do_not_count():
    wave = grating(0.11, 0.0)
    wave[:, 130:] = grating(0.16, 0.0)[:, 130:]
    mask = WHOLE.copy()
    mask[:, 125:] = False
    assert refine_node(wave * mask, mask, (0.112, 0.0)).frequency[0] == pytest.approx(0.11, rel=0.01)


def test_refines_both_systems_of_drawn_cloth(plain_cloth):
    whole = np.ones(plain_cloth.bgr.shape[:2], bool)
    true = (plain_cloth.end_pitch_px, plain_cloth.pick_pitch_px)
    refined = refine_pitch(plain_cloth.bgr, whole, (true[0] * 1.06, true[1] * 0.94))
    assert refined == pytest.approx(true, rel=0.015)


@pytest.fixture(scope="module")
def plain_cloth():
    from cloth import make_cloth

    return make_cloth((300, 360), end_pitch_px=11.0, pick_pitch_px=13.0, seed=4)
