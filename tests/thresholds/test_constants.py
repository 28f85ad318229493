"""This project's own values beside the published ones: each is written as a number in its test."""

from types import ModuleType, SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from greystep.compare.budget import Part, find_budget, scale_of
from greystep.compare.cells import QUANTITIES
from greystep.compare.drift import analyse
from greystep.correct.profile import observer_mired
from greystep.measure.camera import smooth_light, target_doubt, target_factor, target_matrix
from greystep.measure.chromaticity import cct_duv, cct_duv_to_xy, xy_to_xyz, xyz_to_xy
from greystep.measure.locus import observer
from greystep.raw.exposure import nominal_iso
from greystep.sentences.session_notes import sentence
from greystep.session.messages import BodyFact, BodyNote, _far_from_daylight


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


# --- budget -----------------------------------------------------------------------------------------------------------

SEES = np.array([[0.86, -0.28, -0.09], [-0.56, 1.36, 0.22], [-0.10, 0.18, 0.71]])
LIGHT = SEES @ xy_to_xyz(cct_duv_to_xy(5600.0, 0.0))


def a_body(known: str) -> SimpleNamespace:
    neutral = tuple(LIGHT / LIGHT[1])
    return SimpleNamespace(
        label="Invented 1", matrix=SEES, sees=SEES, anchored=False, calibrated_under=known, reference_neutral=neutral,
        target_doubt=np.zeros((2, 2)),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("known", "mired", "duv"), [("given", 3.0, 0.0015), ("", 4.5, 0.002), ("assumed", 20.0, 0.005)]
)
def test_the_scale_is_as_good_as_a_meter_a_cameras_matrix_or_a_flash_of_which_nothing_is_known(
    known: str, mired: float, duv: float
) -> None:
    settings = SimpleNamespace(reflectance=None)
    first = scale_of(a_body(known), settings)[0]  # type: ignore[arg-type]
    assert (first.mired, first.duv) == (mired, duv)


def test_what_the_budget_assumes_of_card_bounce_dome_and_linearity(synthetic: ModuleType) -> None:
    """A card of 1 % from 400 to 700 nm, a hundredth of the surroundings' light, 3 mired a dome, 0.06 mired a stop."""
    readings = synthetic.simulate(np.random.default_rng(4), np.zeros((2, 3)))
    around = LIGHT * [1.5, 1.0, 0.5]
    for place, channel in enumerate("rgb"):
        readings = readings.assign(**{f"signal_{channel}": LIGHT[place], f"around_{channel}": around[place]})
    settings, body = synthetic.make_session(), a_body("")
    found = SimpleNamespace(readings=readings, settings=settings, bodies={body.label: body})
    parts = {part.part: part for part in find_budget(found, analyse(readings, settings), ())[::-1]}  # type: ignore[arg-type]

    def away(xyz: np.ndarray) -> float:
        return abs(1e6 / float(cct_duv(xyz_to_xy(xyz))[0]) - 1e6 / 5600.0)

    factor = target_factor((400.0, 700.0), (0.995, 1.005), 5600.0, 0.0)
    assert parts[Part.CARD].mired == pytest.approx(away(factor * xy_to_xyz(cct_duv_to_xy(5600.0, 0.0))), rel=1e-3)
    bounced = np.linalg.solve(SEES, LIGHT * (1.0 + 0.01 * around))
    assert parts[Part.BOUNCE].mired == pytest.approx(away(bounced), rel=1e-2)
    assert parts[Part.DOME].mired == 3.0
    assert parts[Part.LINEARITY].mired == pytest.approx(0.06 * 2.0)


def test_a_band_of_twenty_nanometres_of_a_flash_may_be_four_hundredths_higher() -> None:
    """From 380 to 780 nm; what the card, which is not flat, then makes of it, band by band."""
    nm, functions = observer()
    card = np.interp(nm, (400.0, 700.0), (0.9, 1.1))
    off = []
    for band in np.arange(380.0, 781.0, 20.0):
        light = smooth_light(5600.0, 0.0) * (1.0 + 0.04 * np.exp(-0.5 * ((nm - band) / 20.0) ** 2))
        seen = np.linalg.solve(target_matrix((400.0, 700.0), (0.9, 1.1), 5600.0, 0.0), functions.T @ (light * card))
        read = [1e6 / float(cct_duv(xyz_to_xy(xyz))[0]) for xyz in (functions.T @ light, seen)]
        off.append(read[1] - read[0])
    doubt = target_doubt((400.0, 700.0), (0.9, 1.1), 5600.0, 0.0)
    assert np.sqrt(doubt[0, 0]) == pytest.approx(np.linalg.norm(off), rel=0.02)


@pytest.mark.parametrize(("away", "told"), [(49.0, []), (51.0, ["a"]), (-49.0, []), (-51.0, ["a"])])
def test_a_light_50_mired_from_5600_k_is_far_from_daylight(away: float, told: list[str]) -> None:
    mired = 1e6 / 5600.0 + away
    lit = pd.DataFrame({"mired": [mired], "head": "A", "power": "full", "frame": "a", "cct_k": 1e6 / mired})
    assert [note.frame for note in _far_from_daylight("X", lit)] == told


def test_what_the_matrix_of_a_library_makes_of_8_mired_is_told() -> None:
    said = sentence(BodyNote(BodyFact.LIBRARY_MATRIX, "X"))
    assert "near 5600 K" in said
    assert "a true difference of 8 mired as 7.8 to 8.9" in said
