"""Ends and limits of what is measured: the locus, what a target does to light, areas askew, no target."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray

from greystep.flags import Flag
from greystep.measure import camera, chart, locus, reading, target_moved
from greystep.measure.camera_json import calibrated_under

Floats = NDArray[np.float64]
#: A card that is a little warm, its reflectance a line and a bump over wavelength [nm].
NM = np.arange(380.0, 781.0, 10.0)
CARD = 0.2 + 0.00008 * (NM - 560.0) + 0.01 * np.exp(-(((NM - 480.0) / 40.0) ** 2))


# --- the locus --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("beyond", "end"), [(1.0, 4.0), (3.0, 4.0), (1110.0, 1100.0), (1180.0, 1100.0)])
def test_an_end_of_the_table_is_the_nearest_point_of_what_lies_beyond_it(beyond: float, end: float) -> None:
    at, away = locus.nearest(locus.planckian_uv(np.array([beyond])))
    assert at[0] == pytest.approx(end, abs=1e-9)
    assert abs(away[0]) < 1e-3


def test_many_colours_are_told_as_each_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    at = np.linspace(50.0, 900.0, 11)
    uv = locus.planckian_uv(at) + 0.004 * locus.greener(locus.points(at)[1])
    monkeypatch.setattr(locus, "_CHUNK", 4)
    found, away = locus.nearest(uv)
    assert found == pytest.approx(at, abs=1e-6)
    assert away == pytest.approx(np.full(11, 0.004), abs=1e-9)


# --- what a target does to light --------------------------------------------------------------------------------------


def seen(light: Floats, card: bool) -> Floats:
    """XYZ of a spectrum, off the card or by itself."""
    nm, functions = locus.observer()
    return np.asarray((light * np.interp(nm, NM, CARD) if card else light) @ functions)


@pytest.mark.parametrize(("cct", "duv"), [(5500.0, 0.002), (3200.0, -0.004)])
def test_a_target_does_to_lights_about_one_what_it_does_to_their_spectra(cct: float, duv: float) -> None:
    """Exact at the light, and in its differences over 15 mired and 0.005 Duv to either side."""
    matrix = camera.target_matrix(NM, CARD, cct, duv)
    middle = camera.smooth_light(cct, duv)
    scale = seen(middle, True)[1]
    assert matrix @ seen(middle, False) == pytest.approx(seen(middle, True) / scale)
    warm, cool = (camera.smooth_light(1e6 / (1e6 / cct + step), duv) for step in (15.0, -15.0))
    assert matrix @ seen(warm - cool, False) == pytest.approx(seen(warm - cool, True) / scale, abs=1e-9)
    green, pink = (camera.smooth_light(cct, duv + step) for step in (0.005, -0.005))
    assert matrix @ seen(green - pink, False) == pytest.approx(seen(green - pink, True) / scale, abs=1e-9)
    factor = camera.target_factor(NM, CARD, cct, duv)
    assert factor == pytest.approx(seen(middle, True) / seen(middle, False) / scale)
    assert np.isnan(camera.target_matrix(NM, CARD, np.nan, 0.0)).all()


# --- areas askew, maps without a middle -------------------------------------------------------------------------------


def test_an_even_area_may_lie_askew() -> None:
    """A rectangle of 10 by 16 px turned by 45 degrees, and one of 10 by 30, which is too long."""
    y, x = np.indices((120, 140))
    along, across = ((x - 40) + (y - 30)) / np.sqrt(2.0), ((x - 40) - (y - 30)) / np.sqrt(2.0)
    for length, seen in ((16.0, 1), (30.0, 0)):
        centres, sizes = chart._even_areas((np.abs(along) <= length / 2) & (np.abs(across) <= 5.0))
        assert len(sizes) == seen
    centres, sizes = chart._even_areas((np.abs(along) <= 8.0) & (np.abs(across) <= 5.0))
    assert centres[0] == pytest.approx((40.0, 30.0), abs=0.5)
    assert sizes[0] == pytest.approx(np.sqrt(160.0), rel=0.05)


def test_a_map_without_a_middle_has_no_noise() -> None:
    assert target_moved._calm(np.ones((2, 5, 0, 4))).tolist() == [0.0] * 5


# --- no target --------------------------------------------------------------------------------------------------------


def test_without_a_target_the_frame_is_told_to_have_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told = {"exposure": None, "width": 6, "colour": None, "black_masked": None, "opcodes": False, "way": "region"}
    monkeypatch.setattr(reading, "open_frame", lambda path: SimpleNamespace(height=4, **told))
    (tmp_path / "f.dng").write_bytes(b"a raw file")
    found = reading.measure_frame(tmp_path / "f.dng", None, recorded=reading.Exposure())
    assert found.flags == (Flag.NO_TARGET,)
    assert found.message == "f.dng: no target to measure; give its place in session.toml, [target] patch"
    assert (found.height, found.signal, found.surround) == (4, None, None)


def test_how_the_light_of_a_camera_file_was_known(tmp_path: Path) -> None:
    path = tmp_path / "camera.json"
    for said, known in (
        ('{"light": {"from": "given"}}', "given"), ('{"light": {}}', ""), ("{}", ""), ('{"light": "given"}', ""),
    ):  # fmt: skip
        path.write_text(said)
        assert calibrated_under(path) == known
