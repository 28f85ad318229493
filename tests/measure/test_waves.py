"""The spectrum at low frequencies by which correlated noise enlarges the uncertainty of a patch."""

import numpy as np
import pytest

from greystep.measure import filter_colours, patch


def sites(height: int, width: int) -> filter_colours.Sites:
    y, x = ((2.0 * np.arange(size) + 1.0) / size - 1.0 for size in (height, width))
    nothing = np.zeros((height, width))
    return filter_colours.Sites(nothing, nothing, np.ones((height, width), dtype=bool), y, x, True)


def test_each_coefficient_of_white_noise_is_one_on_average() -> None:
    rng, grid = np.random.default_rng(1), sites(32, 48)
    found = [patch._waves(rng.standard_normal((32, 48)), grid, 1.0, 32 * 48)[0] for _ in range(400)]
    mean = np.mean(found, axis=0)
    # A square of a normal value has the standard deviation 1.41: means of 400 lie within 0.3 of 1.
    assert mean == pytest.approx(np.ones(len(mean)), abs=0.35)
    assert mean.mean() == pytest.approx(1.0, abs=0.05)
    assert len(mean) == sum(a / 4 + b / 6 <= 1 and a + b >= 3 for a in range(5) for b in range(7))


def test_the_band_is_the_mean_squared_frequency_of_the_coefficients() -> None:
    _, band = patch._waves(np.ones((32, 48)), sites(32, 48), 1.0, 32 * 48)
    orders = [(a, b) for a in range(5) for b in range(7) if a / 4 + b / 6 <= 1 and a + b >= 3]
    assert band == pytest.approx(np.mean([np.pi**2 * ((a / 32) ** 2 + (b / 48) ** 2) for a, b in orders]))


def test_a_single_wave_is_seen_in_its_own_coefficient() -> None:
    grid = sites(32, 48)
    wave = np.cos(np.pi * 3 * (grid.x + 1.0) / 2.0)[None, :] * np.ones((32, 1))
    power = patch._waves(wave, grid, 1.0, 32 * 48)[0]
    assert np.sort(power)[-1] == pytest.approx(32 * 48 / 2.0)
    assert np.sort(power)[-2] == pytest.approx(0.0, abs=1e-9)
    assert patch._waves(wave[:7, :9], sites(7, 9), 1.0, 63)[0].size == 0
    assert patch._waves(wave, grid, 0.0, 32 * 48)[0].size == 0
