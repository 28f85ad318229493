"""Costs of alignments near the diagonal against those of all alignments."""

import numpy as np
import pytest

from greystep.session import alignment
from greystep.session.costs import GAP, disagreement


def shoot(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return five ways to expect the light of some rows, and frames: some rows and frames dark or not known."""
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(1, 80))
    frames = max(1, rows + int(rng.integers(-5, 6)))
    stops = rng.choice([0.0, 1.0, 2.0, 3.0, np.inf, np.nan], rows, p=[0.23, 0.23, 0.23, 0.23, 0.05, 0.03])
    light = rng.normal(1.0, 1.0, frames)
    light[rng.random(frames) < 0.05] = -np.inf
    return stops + 0.3 * np.arange(5)[:, None] * rng.integers(0, 2, rows), light


def in_full(expected: np.ndarray, light: np.ndarray) -> np.ndarray:
    return np.array([alignment._best(disagreement(one, light))[-1, -1] for one in expected])


def test_the_least_cost_is_that_of_all_alignments_and_none_is_told_too_low() -> None:
    for seed in range(60):
        expected, light = shoot(seed)
        full, found = in_full(expected, light), alignment.least_costs(expected, light)
        assert (found.min(), int(np.argmin(found))) == (full.min(), int(np.argmin(full)))
        assert (alignment._in_band(expected, light, 3) >= full - 1e-9).all()


def test_a_slip_wider_than_the_band_widens_it() -> None:
    """Sixty frames of the start are lost of 200 rows that each have a light of their own."""
    expected, light = np.arange(200.0)[None, :], np.arange(60.0, 200.0)
    assert alignment.least_costs(expected, light) == pytest.approx([60 * GAP])
    rows, frames = np.append(np.full(60, 50.0), np.arange(140.0)), np.append(np.arange(140.0), np.full(60, -50.0))
    assert alignment._in_band(rows[None, :], frames, 44) > 120 * GAP, "60 rows without a frame, 60 frames without a row"
    assert alignment.least_costs(rows[None, :], frames) == pytest.approx([120 * GAP])


def test_the_band_is_widened_where_what_leaves_it_may_cost_less() -> None:
    """Fifty rows and thirty frames are of no other: 36. Within 44 of the diagonal rows a little off cost 36.9."""
    slope = 0.012 * np.arange(150)
    expected, light = np.append(np.full(50, 50.0), slope)[None, :], np.append(slope, np.full(30, -50.0))
    assert alignment._in_band(expected, light, 44)[0] == pytest.approx(36.9)
    assert alignment.least_costs(expected, light) == pytest.approx([80 * GAP])
