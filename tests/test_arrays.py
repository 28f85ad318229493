"""Robust statistics against their closed forms."""

import numpy as np
import pytest

from greystep.arrays import jackknife_deviations, jackknife_sd, robust_sd, tukey_weights


def test_robust_sd_is_that_of_a_normal_distribution_and_ignores_outliers() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(5.0, 2.0, 200_001)
    assert robust_sd(values) == pytest.approx(2.0, rel=0.01)
    values[:1000] = 1e9
    assert robust_sd(values) == pytest.approx(2.0, rel=0.02)
    assert robust_sd(np.array([-1.0, 1.0, 3.0]), 0.0) == pytest.approx(1.482602, rel=1e-6)


def test_tukeys_weights() -> None:
    weights = tukey_weights(np.array([0.0, 1.0, -1.0, 2.0, 5.0]), 2.0)
    assert weights == pytest.approx([1.0, 0.5625, 0.5625, 0.0, 0.0], abs=1e-15)
    assert tukey_weights(np.array([3.0]), 2.0, least=1e-6) == pytest.approx([1e-12])


def test_the_jackknife_of_a_mean_is_its_standard_error() -> None:
    values = np.random.default_rng(2).normal(size=40)
    without = np.array([np.delete(values, place).mean() for place in range(40)])
    assert jackknife_sd(without) == pytest.approx(values.std(ddof=1) / np.sqrt(40), rel=1e-12)


def test_the_grouped_jackknife_of_a_weighted_mean() -> None:
    """Many repeats: the mean square of the deviations is the variance of the mean, whatever the groups' sizes."""
    rng = np.random.default_rng(3)
    group = np.repeat(np.arange(8), [5, 10, 15, 20, 10, 10, 20, 10])
    shares = np.bincount(group) / len(group)
    variances = []
    for _ in range(400):
        values = rng.normal(size=(len(group), 3))
        without = np.array([values[group != part].mean(axis=0) for part in range(8)])
        deviations = jackknife_deviations(values.mean(axis=0), without, shares)
        assert deviations.shape == (8, 3)
        variances.append(np.mean(deviations**2))
    assert np.mean(variances) == pytest.approx(1.0 / len(group), rel=0.08)
