"""Mixed light against spectra: what is predicted from the lights alone, and what integrating their sum gives."""

from itertools import combinations
from types import ModuleType

import colour
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from greystep.compare.drift import Drift, analyse
from greystep.measure import camera, chromaticity
from greystep.mix.casts import find_casts
from greystep.mix.gels import NO_GEL, Gel, nominal_gels, parse_gel
from greystep.mix.lights import (
    best_balance,
    build_lights,
    colour_of,
    delta_e,
    light_estimates,
    light_xyz,
    mix,
    path_table,
    points,
    upvp_of,
)
from greystep.mix.setup import SetupRow
from greystep.session.settings import DEFAULT_TOLERANCE

NM = np.arange(380.0, 781.0)
_FUNCTIONS = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
OBSERVER = np.stack([np.interp(NM, _FUNCTIONS.wavelengths, column) for column in _FUNCTIONS.values.T], axis=-1)
#: An invented camera that sees the observer through one 3x3: XYZ to camera RGB.
EXACT = np.array([[1.05, -0.35, -0.10], [-0.50, 1.30, 0.20], [-0.10, 0.25, 0.80]])


def planck(kelvin: float) -> np.ndarray:
    return (560.0 / NM) ** 5 / np.expm1(1.4388e-2 / (NM * 1e-9 * kelvin))


def lines(*wanted: tuple[float, float, float]) -> np.ndarray:
    """Return lines given by centre [nm], width [nm], height."""
    return np.sum([height * np.exp(-0.5 * ((NM - nm) / width) ** 2) for nm, width, height in wanted], axis=0)


def unit(spectrum: np.ndarray) -> np.ndarray:
    """Return a spectrum with luminance 1."""
    return spectrum / (spectrum @ OBSERVER[:, 1])


#: Lights 2000 K and more apart, every one with lines or bands.
SPECTRA = {
    "warm flash": unit(planck(2900.0) * (1.0 + lines((467, 3, 0.4), (541, 3, 0.3), (611, 2, 0.8)))),
    "flash": unit(planck(5400.0) * (1.0 + lines((467, 2.5, 0.3), (473, 2.5, 0.2), (529, 2.5, 0.2), (619, 2.5, 0.1)))),
    "blue flash": unit(planck(8600.0) * (1.0 + lines((450, 2, 0.5), (484, 2, 0.3), (597, 3, 0.2)))),
    "lamp": unit(0.25 * planck(4000.0) / planck(4000.0).max() + lines((436, 2, 1.0), (546, 2, 1.6), (611, 3, 1.4))),
}
UPVP = {name: chromaticity.xyz_to_upvp(spectrum @ OBSERVER) for name, spectrum in SPECTRA.items()}
PAIRS = [("warm flash", "flash"), ("warm flash", "blue flash"), ("flash", "blue flash"), ("blue flash", "lamp")]


def seen(spectrum: np.ndarray) -> np.ndarray:
    """Return u'v' of a light as the camera's neutral gives it through the one matrix."""
    neutral = spectrum @ OBSERVER @ EXACT.T
    return chromaticity.xyz_to_upvp(camera.neutral_xyz(EXACT, neutral[None])[0])


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_a_mixture_is_the_sum_of_its_spectra(pair: tuple[str, str], share: float) -> None:
    first, second = (SPECTRA[name] for name in pair)
    kelvins = [colour_of(UPVP[name]).cct_k for name in pair]
    assert abs(kelvins[1] - kelvins[0]) >= 2000.0
    truth = chromaticity.xyz_to_upvp(((1.0 - share) * first + share * second) @ OBSERVER)
    predicted = mix(np.array([seen(first), seen(second)]), [1.0 - share, share])
    assert chromaticity.steps(predicted, truth) < 0.05
    # In camera RGB the same: neutrals add by the luminance that each light brings.
    rgb = ((1.0 - share) * first + share * second) @ OBSERVER @ EXACT.T
    assert chromaticity.steps(chromaticity.xyz_to_upvp(camera.neutral_xyz(EXACT, rgb[None])[0]), predicted) < 0.05
    # What must not pass: mireds averaged by share.
    mired = [1e6 / kelvin for kelvin in kelvins]
    average = upvp_of((1.0 - share) * mired[0] + share * mired[1], 0.0)
    assert chromaticity.steps(average, truth) > 1.0


def test_three_lights_add_too() -> None:
    names, shares = ["warm flash", "flash", "lamp"], np.array([0.5, 0.2, 0.3])
    truth = chromaticity.xyz_to_upvp(sum(s * SPECTRA[n] for s, n in zip(shares, names, strict=True)) @ OBSERVER)
    assert chromaticity.steps(mix(np.array([UPVP[name] for name in names]), shares), truth) < 0.05


def session_of(synthetic: ModuleType, whites: dict[str, np.ndarray], scatter: float = 0.0) -> Drift:
    """Analyse a test in which head NAME has the white u'v' at full and is 3 mired warmer at 1/2; six frames each."""
    rng = np.random.default_rng(2)
    heads, stops, mired, duv = [], [], [], []
    for frame in range(12):  # all heads are rigged and take turns
        for name, upvp in whites.items():
            here = colour_of(upvp)
            heads.append(name)
            stops.append(float(frame % 2))
            mired.append(here.mired + 3.0 * (frame % 2) + scatter * rng.standard_normal())
            duv.append(here.duv + 1e-5 * scatter * rng.standard_normal())
    table: pd.DataFrame = synthetic.table(heads, np.array(stops), np.array(mired), np.array(duv))
    table[["u_prime", "v_prime"]] = upvp_of(np.array(mired), np.array(duv))
    return analyse(table, synthetic.make_session())


def row(number: int, role: str, head: str, cell: int, share: float, gel: Gel = NO_GEL, group: str = "") -> SetupRow:
    return SetupRow(number, role, head, "1/1", 0.0, share, gel, group, ((cell, 1.0),))


def test_the_whole_way_from_a_test_session_to_the_mixture(synthetic: ModuleType) -> None:
    names = ["warm flash", "flash", "blue flash"]
    drift = session_of(synthetic, {name: UPVP[name] for name in names})
    shares = [0.2, 0.5, 0.3]
    rows = [row(n, name, name, 2 * n, share) for n, (name, share) in enumerate(zip(names, shares, strict=True))]
    casts = find_casts(build_lights(rows, drift.fitted), drift, DEFAULT_TOLERANCE, EXACT)
    truth = chromaticity.xyz_to_upvp(sum(s * SPECTRA[n] for s, n in zip(shares, names, strict=True)) @ OBSERVER)
    assert chromaticity.steps(truth, casts.mixture.upvp) < 0.05
    assert casts.verdict == "outside"
    assert (casts.worst.pair.role_a, casts.worst.pair.role_b) == ("warm flash", "blue flash")
    assert casts.worst.pair.delta_steps == pytest.approx(
        float(chromaticity.steps(UPVP["warm flash"], UPVP["blue flash"])), abs=0.05
    )
    # Under the best common balance the farthest light is as far off as on the other side.
    assert casts.worst.share in (0.0, 1.0)
    assert casts.worst.cast_steps == pytest.approx(max(point.cast_steps for point in casts.path))


def test_heads_ganged_are_one_light_of_their_sum(synthetic: ModuleType) -> None:
    drift = session_of(synthetic, {name: UPVP[name] for name in ("warm flash", "blue flash", "flash")}, 0.2)
    rows = [row(1, "key", "warm flash", 0, 0.3, group="G"), row(2, "key", "blue flash", 2, 0.3, group="G")]
    rows.append(row(3, "fill", "flash", 4, 0.4))
    key, fill = build_lights(rows, drift.fitted)
    truth = chromaticity.xyz_to_upvp((SPECTRA["warm flash"] + SPECTRA["blue flash"]) @ OBSERVER)
    assert chromaticity.steps(points([key])[0], truth) < 0.2
    assert (key.role, key.head, key.share, fill.share) == ("key", "warm flash & blue flash", pytest.approx(0.6), 0.4)
    # Two heads err apart, so that their sum is surer than either.
    own = [light_estimates([light], drift.fitted, "mired")[0].parts.sum() for light in build_lights(
        [row(1, "a", "warm flash", 0, 1.0), row(2, "b", "blue flash", 2, 1.0)], drift.fitted)]  # fmt: skip
    assert light_estimates([key], drift.fitted, "mired")[0].parts.sum() < max(own)


def test_differences_and_their_uncertainty_are_those_of_the_report(synthetic: ModuleType) -> None:
    whites = {"A": upvp_of(178.0, 0.0), "B": upvp_of(186.0, 0.001), "C": upvp_of(180.0, -0.001)}
    drift = session_of(synthetic, whites, 0.3)
    rows = [row(1, "key", "A", 0, 0.4), row(2, "fill", "B", 2, 0.3), row(3, "back", "C", 4, 0.3)]
    pairs = find_casts(build_lights(rows, drift.fitted), drift, DEFAULT_TOLERANCE, EXACT).pairs
    report = drift.pairs[(drift.pairs["power_a"] == "1/1") & (drift.pairs["power_b"] == "1/1")].reset_index()
    for name in ("mired", "k", "duv", "steps"):
        for column in (f"delta_{name}", f"u_delta_{name}"):
            np.testing.assert_allclose(
                [getattr(pair, column) for pair in pairs], report[column], rtol=1e-9, err_msg=column
            )


def test_without_repeats_nothing_is_called(synthetic: ModuleType) -> None:
    table = synthetic.table(["A", "B"], np.zeros(2), np.array([178.0, 190.0]))
    drift = analyse(table, synthetic.make_session())
    rows = [row(1, "key", "A", 0, 0.5), row(2, "fill", "B", 1, 0.5)]
    casts = find_casts(build_lights(rows, drift.fitted), drift, DEFAULT_TOLERANCE, EXACT)
    assert casts.verdict == "undecided"
    assert all(np.isnan(pair.u_delta_mired) for pair in casts.pairs)


def test_a_gel_of_unknown_make_brings_its_spread_and_one_gel_on_two_heads_errs_alike(synthetic: ModuleType) -> None:
    drift = session_of(synthetic, {"A": upvp_of(178.0, 0.0), "B": upvp_of(178.0, 0.0)}, 0.05)
    gel = parse_gel("1/4 CTO", nominal_gels())
    spread = 2.0 * gel.doubts[0][1]
    one = build_lights([row(1, "key", "A", 0, 0.5, gel), row(2, "fill", "B", 2, 0.5)], drift.fitted)
    assert one[0].mired - one[1].mired == pytest.approx(gel.mired_shift, abs=0.1)
    u_one = find_casts(one, drift, DEFAULT_TOLERANCE, EXACT).pairs[0].u_delta_mired
    assert u_one == pytest.approx(spread, rel=0.05)
    (mired,) = light_estimates(one, drift.fitted, "mired")
    assert mired.dof[:-1] == pytest.approx(drift.fitted["mired"].cells.dof)  # what is no scatter comes last
    assert mired.dof[-1] > 1e6
    assert mired.parts[-1] == pytest.approx(np.diag([gel.doubts[0][1] ** 2, 0.0]))
    both = build_lights([row(1, "key", "A", 0, 0.5, gel), row(2, "fill", "B", 2, 0.5, gel)], drift.fitted)
    assert find_casts(both, drift, DEFAULT_TOLERANCE, EXACT).pairs[0].u_delta_mired < 0.1 * spread


def test_between_two_tested_powers_the_light_lies_between_and_is_less_sure(synthetic: ModuleType) -> None:
    drift = session_of(synthetic, {"A": upvp_of(178.0, 0.0), "B": upvp_of(178.0, 0.0)}, 0.05)
    between = SetupRow(1, "key", "A", "1/1-0.5", 0.5, 0.5, NO_GEL, "", ((0, 0.5), (1, 0.5)))
    lights = build_lights([between, row(2, "fill", "B", 2, 0.5)], drift.fitted)
    assert lights[0].mired == pytest.approx(179.5, abs=0.1)
    u = find_casts(lights, drift, DEFAULT_TOLERANCE, EXACT).pairs[0].u_delta_mired
    assert u == pytest.approx(2.0 * 0.25 * 3.0, rel=0.1)


# --- best common balance ---------------------------------------------------------------------------------------------


def test_the_best_balance_of_two_lights_lies_half_way() -> None:
    np.testing.assert_allclose(best_balance(np.array([[0.2, 0.47], [0.21, 0.48]])), [0.205, 0.475])


def test_the_best_balance_of_an_even_triangle_is_its_middle_and_of_a_flat_one_half_its_longest_side() -> None:
    angle = np.radians([90.0, 210.0, 330.0])
    even = np.column_stack([0.2 + 0.01 * np.cos(angle), 0.47 + 0.01 * np.sin(angle)])
    np.testing.assert_allclose(best_balance(even), [0.2, 0.47], atol=1e-12)
    np.testing.assert_allclose(best_balance(np.array([[0.0, 0.0], [0.1, 0.0], [0.05, 0.01]])), [0.05, 0.0], atol=1e-12)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=2, max_size=7), st.integers(0, 10**6))
def test_no_other_balance_leaves_less(grid: list[tuple[int, int]], seed: int) -> None:
    lights = np.array(grid) * 5e-4 + [0.2, 0.47]
    reach = np.hypot(*(lights - best_balance(lights)).T).max()
    others = lights.mean(axis=0) + 0.004 * np.random.default_rng(seed).standard_normal((200, 2))
    for other in [
        *others,
        lights.mean(axis=0),
        *(lights[list(two)].mean(axis=0) for two in combinations(range(len(lights)), 2)),
    ]:
        assert np.hypot(*(lights - other).T).max() >= reach - 1e-12


# --- what is seen ----------------------------------------------------------------------------------------------------


def test_delta_e_on_grey_is_that_of_the_two_whites() -> None:
    """By hand: the grey takes the colour of its light, adapted to D50 from the balance; CIEDE2000 of the library."""
    white, light = upvp_of(178.6, 0.0), upvp_of(182.6, 0.0)
    matrix = np.eye(3)
    found = delta_e(matrix, white[None], light[None], white)[0]
    d50 = np.array([0.34567, 0.35851])
    adapt = np.asarray(
        colour.adaptation.matrix_chromatic_adaptation_VonKries(
            light_xyz(white), chromaticity.xy_to_xyz(d50), transform="Bradford"
        )
    )
    labs = [colour.XYZ_to_Lab(adapt @ (0.1842 * light_xyz(one)), d50) for one in (white, light)]
    assert found[0] == pytest.approx(float(colour.delta_E(*labs, method="CIE 2000")), abs=1e-3)
    # 4 mired and 0.0022 Duv as simulated on a grey: 0.9 and 1.9.
    assert found[0] == pytest.approx(0.9, abs=0.15)
    green = delta_e(matrix, white[None], upvp_of([178.6], [0.0022]), white)[0]
    assert green[0] == pytest.approx(1.9, abs=0.3)
    assert np.all(delta_e(EXACT, white[None], white[None], white) == 0.0)
    assert found.shape == (25,)


def test_the_path_runs_from_light_to_light_and_the_cast_is_largest_at_its_ends() -> None:
    a, b = upvp_of(170.0, 0.0), upvp_of(200.0, 0.002)
    path = path_table(a, b, best_balance(np.array([a, b])), np.linspace(0, 1, 11))
    np.testing.assert_allclose(path[["u_prime", "v_prime"]].iloc[[0, -1]], [a, b], atol=1e-12)
    assert path["cast_steps"].idxmax() in (0, 10)
    assert path["cast_steps"].iloc[0] == pytest.approx(float(chromaticity.steps(a, b)) / 2.0)
    assert path["mired"].is_monotonic_increasing
