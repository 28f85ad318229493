"""This project's own values beside the published ones: each is written as a number in its test."""

from types import ModuleType, SimpleNamespace

import numpy as np
import pytest

from greystep.compare.cells import QUANTITIES
from greystep.compare.drift import analyse
from greystep.correct.profile import observer_mired
from greystep.raw.exposure import nominal_iso


@pytest.mark.parametrize(("beyond", "exact"), [(0.088, 1.0 / 3.0), (0.112, 0.5)])
def test_a_marking_within_a_tenth_of_a_stop_of_a_third_is_that_third(beyond: float, exact: float) -> None:
    assert nominal_iso(100.0 * 2.0 ** (1.0 / 3.0 + beyond)) == pytest.approx(100.0 * 2.0**exact, rel=1e-9)


@pytest.mark.parametrize(("u_mired", "u_duv"), [(2.2, 0.0), (0.0, 0.00077)])
def test_a_step_is_two_and_two_tenths_mired_or_77_hundred_thousandths_of_duv(
    synthetic: ModuleType, u_mired: float, u_duv: float
) -> None:
    readings = synthetic.simulate(np.random.default_rng(4), np.zeros((2, 3)))
    readings["u_mired"], readings["u_duv"] = u_mired, u_duv
    noise = analyse(readings, synthetic.make_session()).frames.noise
    # One step is 0.0011 in u'v', shared by its two axes; the noise is given as a 95 % half-width.
    for axis in QUANTITIES[2:4]:
        assert noise[axis] == pytest.approx(np.full(len(noise[axis]), 0.0011 / np.sqrt(2.0) / 2.0), rel=0.05)


@pytest.mark.parametrize(("checks", "mired", "duv"), [(2, 0.5, 0.0001), (0, np.hypot(0.5, 1.0), np.hypot(1e-4, 2e-4))])
def test_a_heads_place_is_half_a_mired_and_what_nothing_watched_another_whole_one(
    synthetic: ModuleType, checks: int, mired: float, duv: float
) -> None:
    """In Duv one and two ten-thousandths; two heads say nothing of their places, as each may be another light."""
    readings = synthetic.simulate(
        np.random.default_rng(4), np.zeros((2, 3)), repeats=4, scatter=0.001, scatter_duv=1e-7, checks=checks
    )
    pairs = analyse(readings.assign(u_mired=1e-4, u_duv=1e-8), synthetic.make_session()).pairs
    # Each head has a place of its own; two standard deviations are the half-width of 95 %.
    for name, size in (("mired", mired), ("duv", duv)):
        expected = np.full(len(pairs), 2.0 * np.sqrt(2.0) * size)
        assert pairs[f"u_delta_{name}"].to_numpy() == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(
    ("to", "expected"), [("A@1/4", 2.0 * 0.07 * 10.0), ("B@1/4", 2.0 * 0.04 * 10.0), ("C@1/4", 2.0 * 3.0)]
)
def test_another_camera_sees_a_difference_otherwise_by_the_kind_of_its_heads(to: str, expected: float) -> None:
    """Seven hundredths of it for one head, four for one type; three mired between heads of different types."""
    heads = {name: SimpleNamespace(type=kind) for name, kind in (("A", "one"), ("B", "one"), ("C", "other"))}
    profile = SimpleNamespace(ingested=SimpleNamespace(settings=SimpleNamespace(heads=heads)))
    light, reference = SimpleNamespace(head="A", mired=190.0), SimpleNamespace(label=to, mired=180.0)
    assert observer_mired(profile, light, reference) == pytest.approx(expected, rel=0.05)  # type: ignore[arg-type]
