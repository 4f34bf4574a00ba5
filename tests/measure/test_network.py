"""The network worked out by matrix products must say what OpenCV makes of the same file, whatever lies beside a crop."""

import hashlib
import os
import subprocess
import sys

import cv2
import numpy as np
import pytest

from cloth import make_cloth
from pickglass.measure.arbiter import NETWORK, cut_crop, spectrum
from pickglass.measure.network import Network, read_weights

SAID = """
import hashlib, numpy as np
from pickglass.measure.arbiter import NETWORK, spectrum
from pickglass.measure.network import Network
crops = np.random.default_rng(3).normal(size=(5, 2, 96, 96)).astype(np.float32)
print(hashlib.sha256(Network(NETWORK).logits(crops, spectrum(crops)).tobytes()).hexdigest())
"""


@pytest.fixture(scope="module")
def network():
    return Network(NETWORK)


@pytest.fixture(scope="module")
def crops():
    """Crops of cloth and of noise, one of them cut at the picture's corner."""
    cloth = make_cloth((300, 320), end_pitch_px=9.0, pick_pitch_px=11.0, seed=5)
    lightness = cv2.cvtColor(cloth.bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    cut = [
        cut_crop(lightness, None, centre, (pitch, 11.0))
        for centre in ((150.0, 140.0), (60.0, 200.0), (0.0, 0.0))
        for pitch in (4.5, 9.0, 18.0)
    ]
    noise = np.random.default_rng(1).normal(size=(2, 2, 96, 96)).clip(-4, 4).astype(np.float32)
    return np.concatenate([np.stack(cut), noise])


def test_says_what_opencv_makes_of_the_file(network, crops):
    reader = cv2.dnn.readNetFromONNX(str(NETWORK))
    reader.setInput(crops, "crop")
    reader.setInput(spectrum(crops), "spectrum")
    expected = reader.forward()
    assert np.ptp(expected) > 5
    np.testing.assert_allclose(network.logits(crops, spectrum(crops)), expected, atol=1e-5)


def test_a_crop_is_looked_at_by_itself(network, crops):
    together = network.logits(crops, spectrum(crops))
    alone = [network.logits(crops[k : k + 1], spectrum(crops[k : k + 1]))[0] for k in range(len(crops))]
    np.testing.assert_array_equal(together, alone)


def test_says_the_same_with_any_number_of_threads():
    said = set()
    for threads in ("1", "2", "3"):
        env = os.environ | {"OPENBLAS_NUM_THREADS": threads}
        run = subprocess.run(
            [sys.executable, "-c", SAID], capture_output=True, text=True, check=True, env=env
        )
        said.add(run.stdout)
    assert len(said) == 1
    assert len(said.pop().strip()) == hashlib.sha256().digest_size * 2


def test_reads_every_weight():
    weights = read_weights(NETWORK)
    assert sum(weight.size for weight in weights.values()) == 216_927
    assert weights["image0_w"].shape == (16, 2, 5, 5)
    assert weights["logits_b"].shape == (27,)
