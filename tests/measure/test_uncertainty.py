"""Propagation and coverage factors, held to published worked examples."""

import math

import numpy as np
import pytest
from scipy.special import ndtri

from greystep.measure.uncertainty import expanded, propagate, student_factor


@pytest.mark.parametrize(
    ("dof", "published"), [(1, 12.7062), (2, 4.3027), (4, 2.7764), (9, 2.2622), (16, 2.1199), (50, 2.0086)]
)
def test_factor_of_a_95_percent_interval(dof: int, published: float) -> None:
    """Standard table of Student's t at 97.5 %; NIST/SEMATECH e-Handbook 2.5.7 prints 12.7, 4.30, 2.78 and 2.26."""
    assert student_factor(dof) == pytest.approx(published, abs=1e-4)


def test_factor_is_exactly_two_above_fifty_degrees_of_freedom() -> None:
    assert student_factor(50.001) == 2.0
    assert student_factor(1e12) == student_factor(math.inf) == 2.0


def test_factor_for_one_of_several_rows_is_never_replaced_by_two() -> None:
    assert student_factor(math.inf, 0.05 / 20) == pytest.approx(-ndtri(0.05 / 40), abs=1e-8)
    assert student_factor(60, 0.01) == pytest.approx(2.6603, abs=5e-5)  # standard table, t(0.995; 60); from memory


def test_no_degrees_of_freedom_give_no_factor() -> None:
    assert np.isnan(student_factor(0))
    assert np.isnan(student_factor(math.nan))


def test_factors_of_an_array() -> None:
    factors = student_factor(np.array([[1.0, np.inf], [9.0, np.nan]]))
    assert factors.shape == (2, 2)
    np.testing.assert_allclose(factors, [[12.7062, 2.0], [2.2622, np.nan]], atol=1e-4)


def test_end_gauge_of_the_gum() -> None:
    """JCGM 100:2008 H.1: u = 25, 9.7, 2.9, 16.6 nm give uc 32 nm, 16 degrees of freedom, t99 2.92 and U99 93 nm."""
    contributions = np.diag(np.square([25.0, 9.7, 2.9, 16.6]))
    combined = float(np.sqrt(propagate(np.ones((1, 4)), contributions)[0, 0]))
    assert combined == pytest.approx(32, abs=0.5)
    assert student_factor(16, alpha=0.01) == pytest.approx(2.92, abs=0.005)
    assert combined * student_factor(16, alpha=0.01) == pytest.approx(93, abs=1.0)


def test_correlated_coefficients_of_the_gum() -> None:
    """JCGM 100:2008 H.3: u(y1) 0.0029, u(y2) 0.00067, r -0.930 give u 0.0041 at 30 C, 10 K from the mean."""
    covariance = np.array([[0.0029**2, -0.930 * 0.0029 * 0.00067], [-0.930 * 0.0029 * 0.00067, 0.00067**2]])
    assert np.sqrt(propagate([[1.0, 10.0]], covariance)[0, 0]) == pytest.approx(0.0041, abs=5e-5)
    assert np.sqrt(propagate([[1.0, 10.0]], np.diag(np.diag(covariance)))[0, 0]) == pytest.approx(0.0073, abs=5e-5)


def test_propagation_over_a_stack_is_propagation_one_by_one() -> None:
    rng = np.random.default_rng(1)
    jacobians, roots = rng.normal(size=(5, 2, 3)), rng.normal(size=(5, 3, 3))
    covariances = roots @ np.swapaxes(roots, 1, 2)
    stacked = propagate(jacobians, covariances)
    assert stacked.shape == (5, 2, 2)
    for jacobian, covariance, result in zip(jacobians, covariances, stacked, strict=True):
        by_hand = [[sum(a[i] * covariance[i, j] * b[j] for i in range(3) for j in range(3)) for b in jacobian]
                   for a in jacobian]  # fmt: skip
        np.testing.assert_allclose(result, by_hand, rtol=1e-12)


def test_expanded_multiplies_each_by_its_own_factor() -> None:
    np.testing.assert_allclose(expanded([1.0, 1.0, 3.0], np.array([2.0, 51.0, 4.0])), [4.3027, 2.0, 8.3292], atol=1e-3)
    assert float(expanded(0.5)) == 1.0
