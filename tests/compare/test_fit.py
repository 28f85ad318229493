"""Least squares, pooling and chance against published worked examples and closed forms."""

import numpy as np
import pytest
from scipy import stats

from greystep.arrays import Floats
from greystep.compare.fit import (
    Estimates,
    LeastSquares,
    contrast,
    draw_errors,
    effective_dof,
    f_test,
    half_width,
    largest_studentised,
    least_squares,
    own_variances,
    pair_variances,
    pooled_sd,
)
from greystep.measure.uncertainty import student_factor


def covariance(fit: LeastSquares) -> Floats:
    """Return the covariance of the coefficients as the estimator makes it, the scatter pooled over all values."""
    return np.asarray(fit.estimator @ fit.estimator.T * (fit.sum_of_squares / fit.dof))


def line(x: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones_like(x), x])


#: NIST/ITL StRD, Norris.dat: linear regression, lower level of difficulty, observed data (y, x).
NORRIS = np.loadtxt(
    [
        "0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5",
        "668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4",
        "0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6",
        "557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3",
        "0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0",
        "10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5",
    ]
).reshape(-1, 2)

#: NIST/ITL StRD, SiRstv.dat: analysis of variance, lower level of difficulty; 5 instruments, 5 readings each.
SIRSTV = np.array(
    [
        [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
        [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
        [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
        [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
        [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
    ]
)


def test_norris_to_its_certified_digits() -> None:
    y, x = NORRIS.T
    fit = least_squares(line(x), y)
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    assert np.sqrt(np.diag(covariance(fit))) == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-10)
    assert np.sqrt(fit.sum_of_squares / fit.dof) == pytest.approx(0.884796396144373, rel=1e-11)
    mean = least_squares(np.ones((36, 1)), y)
    f, chance = f_test((mean.sum_of_squares, mean.dof), (fit.sum_of_squares, fit.dof))
    assert f == pytest.approx(5436385.54079785, rel=1e-10)
    assert chance < 1e-80


def test_sirstv_to_its_certified_digits() -> None:
    y = SIRSTV.ravel()
    cells = least_squares(np.kron(np.eye(5), np.ones((5, 1))), y)
    mean = least_squares(np.ones((25, 1)), y)
    f, chance = f_test((mean.sum_of_squares, mean.dof), (cells.sum_of_squares, cells.dof))
    assert f == pytest.approx(1.18046237440255, rel=1e-9)
    assert pooled_sd(cells.sum_of_squares, cells.dof) == pytest.approx(0.104076068334656, rel=1e-11)
    assert (mean.dof - cells.dof, cells.dof) == (4, 20)
    assert chance == pytest.approx(0.3494474934022352, rel=1e-9)


def test_gum_h3_calibration_line() -> None:
    """JCGM 100:2008 H.3: the correlated line and its prediction; without the correlation u(b(30)) would be 0.0073."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    fit = least_squares(line(t - 20.0), b)
    cov = covariance(fit)
    u = np.sqrt(np.diag(cov))
    assert fit.coefficients[0] == pytest.approx(-0.1712, abs=5e-5)
    assert fit.coefficients[1] == pytest.approx(0.00218, abs=5e-6)
    assert u[0] == pytest.approx(0.0029, abs=5e-5)
    assert u[1] == pytest.approx(0.00067, abs=5e-6)
    assert cov[0, 1] / u[0] / u[1] == pytest.approx(-0.930, abs=5e-4)
    assert np.sqrt(fit.sum_of_squares / fit.dof) == pytest.approx(0.0035, abs=5e-5)
    joint = Estimates(fit.coefficients, cov[None], np.array([fit.dof]))
    value, half = contrast(joint, np.array([1.0, 10.0]))
    assert value == pytest.approx(-0.1494, abs=5e-5)
    assert half / student_factor(fit.dof) == pytest.approx(0.0041, abs=5e-5)


def test_natrella_5_4_1_line() -> None:
    """NBS Handbook 91, section 5-4.1."""
    x = np.array([30.0, *np.arange(100.0, 1501.0, 100.0)])
    y = np.array([4642, 4612, 4565, 4513, 4476, 4433, 4389, 4347, 4303, 4251, 4201, 4140, 4100, 4073, 4024, 3999.0])
    fit = least_squares(line(x), y)
    cov = covariance(fit)
    assert fit.coefficients == pytest.approx([4654.9846, -0.44985482], rel=2e-8)
    assert np.diag(cov) == pytest.approx([19.879452, 2.5649045e-05], rel=3e-7)
    variance = fit.sum_of_squares / fit.dof
    assert np.sqrt(variance) == pytest.approx(9.277617, abs=2e-6)
    at = np.array([[1.0, 1200.0], [1.0, 750.0]])
    of_fit = np.einsum("ri,ij,rj->r", at, cov, at)
    assert of_fit[0] == pytest.approx(10.53, abs=5e-3)
    assert of_fit[1] + variance == pytest.approx(91.45, abs=5e-3)


def test_nist_drift_elimination_xrrx() -> None:
    """NIST/SEMATECH e-Handbook 2.3.3.1.2: D = ((Y1-Y2)-(Y3-Y4))/2, whatever the drift; d = (-Y1+Y2-Y3+Y4)/4."""
    design = np.array([[1, 0, -3], [0, 1, -1], [0, 1, 1], [1, 0, 3.0]])
    y = np.array([5564.0, 5488.0, 5512.0, 5636.0])
    fit = least_squares(design, y)
    assert fit.coefficients[0] - fit.coefficients[1] == pytest.approx(100.0, abs=1e-9)
    assert fit.coefficients[2] == pytest.approx(12.0, abs=1e-9)
    y = np.array([7.0, 1.0, 4.0, 12.0])
    fit = least_squares(design, y)
    assert fit.coefficients[0] - fit.coefficients[1] == pytest.approx(((7 - 1) - (4 - 12)) / 2, abs=1e-12)


def test_nist_pooling() -> None:
    """NIST/SEMATECH e-Handbook 2.4.4.4."""
    sums = [0.48115, 0.69209, 0.48483, 1.21752, 0.30076]
    assert sum(sums) == pytest.approx(3.17635, abs=1e-9)
    assert pooled_sd(sums, [60.0] * 5) == pytest.approx(0.1029, abs=5e-5)
    assert np.isnan(pooled_sd([1.0], [0.0]))


def test_gum_h1_effective_degrees_of_freedom() -> None:
    """JCGM 100:2008 H.1 (recalled): nu_eff 16.7, truncated to 16; t99 2.92."""
    variances = np.array([25.0, 9.7, 2.9, 16.6]) ** 2
    dof = effective_dof(variances, np.array([18.0, 25.6, 50.0, 2.0]))
    assert float(dof) == pytest.approx(16.76, abs=0.01)
    assert student_factor(float(np.floor(dof)), 0.01) == pytest.approx(2.92, abs=0.005)


def test_gum_h5_day_to_day() -> None:
    """JCGM 100:2008 H.5: ten days of five readings with the printed means and standard deviations."""
    means = 10.0 + np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41]) * 1e-6
    sds = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86]) * 1e-6
    shape = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / np.sqrt(2.5)
    y = (means[:, None] + sds[:, None] * shape).ravel()
    cells = least_squares(np.kron(np.eye(10), np.ones((5, 1))), y)
    mean = least_squares(np.ones((50, 1)), y)
    assert mean.coefficients[0] == pytest.approx(10.000097, abs=5e-7)
    assert pooled_sd(cells.sum_of_squares, cells.dof) == pytest.approx(85e-6, abs=0.5e-6)
    f, chance = f_test((mean.sum_of_squares, mean.dof), (cells.sum_of_squares, cells.dof))
    assert f == pytest.approx(2.25, abs=0.02)  # 2.26 from the rounded data
    assert 0.025 < chance < 0.05
    days = least_squares(np.ones((10, 1)), cells.coefficients)
    assert np.sqrt(covariance(days)[0, 0]) == pytest.approx(18e-6, abs=0.5e-6)


def test_f_test_of_exact_data() -> None:
    assert f_test((3.0, 5.0), (0.0, 4.0)) == (np.inf, 0.0)
    assert f_test((0.0, 5.0), (0.0, 4.0)) == (0.0, 1.0)


def alike(cells: int, dof: float, variance: float = 0.04) -> Estimates:
    return Estimates(np.zeros(cells), np.eye(cells)[None] * variance, np.array([dof]))


@pytest.mark.parametrize(("cells", "dof"), [(2, 8.0), (7, 28.0), (20, 60.0)])
def test_max_t_over_all_pairs_is_the_studentised_range(cells: int, dof: float) -> None:
    first, second = np.triu_indices(cells, 1)
    drawn = largest_studentised((alike(cells, dof),), first, second, 20000, np.random.default_rng(1))
    exact = stats.studentized_range.ppf([0.5, 0.95], cells, dof) / np.sqrt(2)
    assert np.quantile(drawn, [0.5, 0.95]) == pytest.approx(exact, rel=0.015)


def test_max_t_of_a_distance_is_that_of_chance_along_one_line() -> None:
    """The longest tail for the variance: above the round cloud's sqrt(chi2(2) / 2)."""
    first, second = np.array([0]), np.array([1])
    rng = np.random.default_rng(2)
    both = largest_studentised((alike(2, 400.0), alike(2, 400.0, 0.01)), first, second, 20000, rng)
    assert np.quantile(both, 0.95) == pytest.approx(stats.t.ppf(0.975, 400), rel=0.02)
    assert np.quantile(both, 0.95) > 1.1 * np.sqrt(stats.chi2.ppf(0.95, 2) / 2)


def test_drawn_errors_have_the_covariance_they_are_drawn_from() -> None:
    part = np.array([[4.0, 1.0, 0.0], [1.0, 2.0, 0.0], [0.0, 0.0, 0.0]])
    joint = Estimates(np.zeros(3), np.array([part, np.diag([0.0, 0.0, 1.0])]), np.array([5.0, 9.0]))
    errors, measured = draw_errors(joint, 40000, np.random.default_rng(3))
    assert np.cov(errors) == pytest.approx(part + np.diag([0, 0, 1.0]), abs=0.08)
    assert measured.mean(axis=1) == pytest.approx([1.0, 1.0], abs=0.02)
    assert measured.var(axis=1) == pytest.approx([2 / 5, 2 / 9], rel=0.1)


def test_half_widths_of_differences() -> None:
    """Two heads of 5 frames a cell: u = t * s * sqrt(2/5) within a head, by Welch-Satterthwaite between them."""
    parts = np.array([np.diag([0.09 / 5, 0.09 / 5, 0.0]), np.diag([0.0, 0.0, 0.36 / 5])])
    joint = Estimates(np.array([1.0, 2.0, 4.0]), parts, np.array([8.0, 4.0]))
    first, second = np.array([0, 0]), np.array([1, 2])
    half = half_width(pair_variances(joint, first, second), joint.dof)
    assert half[0] == pytest.approx(stats.t.ppf(0.975, 8) * 0.3 * np.sqrt(2 / 5))
    va, vb = 0.09 / 5, 0.36 / 5
    dof = (va + vb) ** 2 / (va**2 / 8 + vb**2 / 4)
    assert half[1] == pytest.approx(stats.t.ppf(0.975, dof) * np.sqrt(va + vb))
    assert own_variances(joint).sum(axis=1) == pytest.approx([va, va, vb])
    assert contrast(joint, np.array([-1.0, 1.0, 0.0])) == pytest.approx((1.0, half[0]))
