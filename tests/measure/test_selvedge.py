"""Where the selvedge lies: beside its own shadow, and averaged over turns and gaps."""

import cv2
import numpy as np
import pytest

from pickglass.measure.selvedge import edges_beside_shadow, sharpen_edges, station_means

ROWS, COLUMNS, EDGE = 300, 90, 40.3
TABLE, NAVY = np.array((205.0, 220.0, 205.0)), np.array((70.0, 35.0, 25.0))


def dark_cloth_in_its_shadow(seed: int) -> np.ndarray:
    """Navy cloth from `EDGE` on; the table darkens towards it over some ten pixels, more in some rows than in others."""
    rng = np.random.default_rng(seed)
    x = np.arange(COLUMNS)[None, :]
    depth = 0.5 + 0.15 * np.sin(np.arange(ROWS) / 6.0)[:, None]
    reach = 9 + 3 * np.sin(np.arange(ROWS) / 9.0 + 1)[:, None]
    light = 1 - depth / (1 + np.exp((EDGE - reach - x) / 1.5))
    share = np.clip(x - EDGE + 0.5, 0, 1)[..., None]
    picture = light[..., None] * TABLE * (1 - share) + NAVY * share
    blurred = cv2.GaussianBlur(picture, (0, 0), 0.8) + rng.normal(0, 2, (ROWS, COLUMNS, 3))
    return np.clip(blurred, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("cloth_right", [True, False])
@pytest.mark.parametrize("off", [2.0, 3.0])
def test_edge_is_found_behind_the_shadow(cloth_right: bool, off: float) -> None:
    picture = dark_cloth_in_its_shadow(3)
    picture = picture if cloth_right else np.ascontiguousarray(picture[:, ::-1])
    truth = EDGE if cloth_right else COLUMNS - 1 - EDGE
    rough = np.full(ROWS, truth - off if cloth_right else truth + off)
    guess = sharpen_edges(picture, rough, cloth_right=cloth_right)
    found = edges_beside_shadow(picture, rough, guess, 9.0, cloth_right=cloth_right)
    assert np.mean(found) == pytest.approx(truth, abs=0.5)
    assert abs(np.mean(found) - truth) < abs(np.mean(guess) - truth)


def test_edge_stays_where_cloth_and_table_are_alike() -> None:
    rng = np.random.default_rng(4)
    picture = np.clip(200 + rng.normal(0, 3, (ROWS, COLUMNS, 3)), 0, 255).astype(np.uint8)
    rough = np.full(ROWS, 40.0)
    assert np.array_equal(edges_beside_shadow(picture, rough, rough, 9.0, cloth_right=True), rough)


def test_mean_of_a_station_counts_gaps_like_turns() -> None:
    arc = np.sqrt(1 - np.linspace(-1, 1, 19) ** 2)
    turns = np.tile(20.0 - 9.0 * arc, 30)  # round turns with narrow gaps between them, seen from the left
    _, means = station_means(turns, 0, len(turns), 95)
    assert means == pytest.approx(
        turns.mean(), abs=0.1
    )  # a mean with a tenth cut off at either end lies 0.5 farther out


def test_one_row_far_off_hardly_moves_a_station() -> None:
    edge = np.random.default_rng(5).normal(50, 1, 400)
    edge[100] = 500.0
    _, means = station_means(edge, 0, 400, 100)
    assert means == pytest.approx(50.0, abs=0.4)
