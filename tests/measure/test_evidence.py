import numpy as np
import pytest

from cloth import Setting, make_cloth
from pickglass.calibration.errors import SampleError
from pickglass.measure.evidence import FREQUENCIES, gather_evidence, peak_frequencies
from pickglass.measure.lattice import read_lattice

WEAVES = ("plain", "twill 2/2", "twill 1/2", "satin 5", "basket 2/2")


def whole(cloth):
    return np.ones(cloth.bgr.shape[:2], bool)


@pytest.mark.parametrize("weave", WEAVES)
def test_true_pitch_is_among_the_two_highest_peaks(weave):
    cloth = make_cloth((330, 390), end_pitch_px=9.0, pick_pitch_px=12.0, weave=weave, seed=7)
    for direction, pitch in zip(gather_evidence(cloth.bgr, whole(cloth)), (9.0, 12.0), strict=True):
        peaks = [*peak_frequencies(direction.row, 2), *peak_frequencies(direction.axis, 2)]
        # Peaks lie on a 2 % grid and are broad; a candidate within 14 % is refined later.
        assert min(abs(np.log(peak * pitch)) for peak in peaks) < 0.14


@pytest.mark.parametrize("weave", WEAVES)
def test_projection_is_the_axis_of_the_spectrum(weave):
    """Projection-slice theorem (Bracewell 1956): projecting along the ends keeps just the on-axis spectrum."""
    cloth = make_cloth((256, 256), end_pitch_px=8.0, pick_pitch_px=8.0, weave=weave, seed=2)
    gray = cloth.bgr.mean(axis=2)
    gray -= gray.mean()
    np.testing.assert_allclose(np.fft.fft(gray.sum(axis=0)), np.fft.fft2(gray)[0], atol=1e-6)


def test_a_quarter_turn_swaps_ends_and_picks():
    cloth = make_cloth((320, 320), end_pitch_px=8.0, pick_pitch_px=13.0, seed=1)
    ends, picks = gather_evidence(cloth.bgr, whole(cloth))
    turned = np.ascontiguousarray(np.rot90(cloth.bgr))
    turned_ends, turned_picks = gather_evidence(turned, whole(cloth))
    # Windows start elsewhere in the turned picture, so the noise between the peaks differs; the peaks do not move.
    for turned_one, one in ((turned_ends, picks), (turned_picks, ends)):
        for kind in ("row", "axis"):
            peak = peak_frequencies(getattr(turned_one, kind), 1)
            assert peak == pytest.approx(peak_frequencies(getattr(one, kind), 1), rel=0.021)


def test_pairs_leave_the_thread_among_the_candidates():
    pairs = Setting(group=2, group_shift=0.25)
    cloth = make_cloth((330, 390), end_pitch_px=10.0, pick_pitch_px=12.0, end_setting=pairs, seed=5)
    ends, _ = gather_evidence(cloth.bgr, whole(cloth))
    peaks = [*peak_frequencies(ends.row, 2), *peak_frequencies(ends.axis, 2)]
    assert min(abs(np.log(peak * 10.0)) for peak in peaks) < 0.14


def test_the_same_picture_gives_the_same_curves_wherever_it_lies_in_memory():
    """Vectorised routines may round the ends of a row otherwise than its middle, by where in memory it starts."""
    cloth = make_cloth((200, 220), seed=3)
    rng = np.random.default_rng(0)
    curves, clutter = set(), []
    for _ in range(12):
        clutter = [*clutter[-60:], *(bytearray(int(rng.integers(1, 40_000))) for _ in range(20))]
        both = gather_evidence(cloth.bgr.copy(), whole(cloth))
        curves.add(
            b"".join(getattr(one, kind).tobytes() for one in both for kind in ("row", "axis", "half_row"))
        )
    assert len(curves) == 1


def test_peaks_come_highest_first():
    curve = np.zeros_like(FREQUENCIES)
    curve[20], curve[60], curve[90] = 1.0, 3.0, 2.0
    assert peak_frequencies(curve, 2) == pytest.approx(FREQUENCIES[[60, 90]])


@pytest.mark.parametrize("wide_px", [40, 60, 80])
def test_a_band_narrower_than_the_windows_is_seen(wide_px):
    """It was met with an error of our own: no window lay on cloth alone."""
    cloth = make_cloth((600, 160), end_pitch_px=6.0, pick_pitch_px=14.0, seed=4)
    band = np.zeros(cloth.bgr.shape[:2], bool)
    band[:, 80 - wide_px // 2 : 80 + wide_px // 2] = True
    table = np.random.default_rng(0).normal(120, 4, cloth.bgr.shape).astype(np.uint8)
    photo = np.where(band[:, :, None], cloth.bgr, table)
    for direction, pitch in zip(gather_evidence(photo, band), (6.0, 14.0), strict=True):
        peaks = [*peak_frequencies(direction.row, 2), *peak_frequencies(direction.axis, 2)]
        assert min(abs(np.log(peak * pitch)) for peak in peaks) < 0.14


def test_cloth_in_patches_too_small_for_any_window_is_refused_in_words():
    photo = np.random.default_rng(1).integers(60, 200, (300, 300, 3)).astype(np.uint8)
    patches = np.zeros((300, 300), bool)
    patches.reshape(10, 30, 10, 30)[:, :20, :, :20] = True
    with pytest.raises(SampleError) as refused:
        read_lattice(photo, patches)
    assert refused.value.code == "sample-too-small"
