"""The demo's sensor and scene, against photon statistics and hand arithmetic."""

import numpy as np
import pytest

from greystep.demo import sensor
from greystep.errors import GreystepError

PLAIN = sensor.Sensor(height=200, width=240, prnu=0.0, hot_pixels=0, dust=0)


def lit(red: float, green: float, blue: float) -> np.ndarray:
    return np.tile([red, green, blue], (len(sensor.MATERIALS), 1))


def frame(camera: sensor.Sensor, electrons: np.ndarray, room: np.ndarray | None = None, **how: float) -> np.ndarray:
    rng = np.random.default_rng(5)
    scene = sensor.table_top(camera, rng, flat=True)
    dark = np.zeros_like(electrons)
    fixed = sensor.chip(camera, rng)
    mosaic = sensor.expose(camera, fixed, scene, electrons, dark if room is None else room, rng, **how)
    return mosaic.astype(np.float64)


def test_each_site_of_the_cell_sees_its_filter_colour_over_its_own_black() -> None:
    camera = sensor.Sensor(height=200, width=240, black=(100.0, 200.0, 300.0, 400.0), prnu=0.0, hot_pixels=0, dust=0)
    mosaic = frame(camera, lit(8000.0, 20000.0, 12000.0))
    sites = [mosaic[0::2, 0::2], mosaic[0::2, 1::2], mosaic[1::2, 0::2], mosaic[1::2, 1::2]]
    wanted = [100 + 2000, 200 + 5000, 300 + 5000, 400 + 3000]
    for site, mean in zip(sites, wanted, strict=True):
        assert site.mean() == pytest.approx(mean, abs=5 * site.std() / np.sqrt(site.size))


@pytest.mark.parametrize(("electrons", "iso"), [(200.0, 100.0), (4000.0, 100.0), (4000.0, 400.0), (40000.0, 100.0)])
def test_noise_is_photons_and_reading(electrons: float, iso: float) -> None:
    mosaic = frame(PLAIN, lit(electrons, electrons, electrons), iso=iso)
    gain = PLAIN.counts_per_electron * iso / 100
    assert mosaic.mean() == pytest.approx(512 + gain * electrons, rel=3e-4)
    expected = gain**2 * (electrons + PLAIN.read_noise_e**2) + 1 / 12
    assert mosaic.var() == pytest.approx(expected, rel=5 * np.sqrt(2 / mosaic.size))


def test_room_light_adds_and_a_dark_frame_is_the_black_level() -> None:
    assert frame(PLAIN, lit(0.0, 0.0, 0.0)).mean() == pytest.approx(512.0, abs=0.02)
    both = frame(PLAIN, lit(4000.0, 4000.0, 4000.0), lit(400.0, 400.0, 400.0))
    assert both.mean() == pytest.approx(512 + 1100, abs=0.5)


def test_counts_stop_at_the_white_level() -> None:
    assert (frame(PLAIN, lit(9e4, 9e4, 9e4)) == PLAIN.white).all()


def test_level_is_a_share_of_the_range() -> None:
    assert sensor.electrons_at(PLAIN, 0.75) * PLAIN.counts_per_electron == pytest.approx(0.75 * (16383 - 512))
    with pytest.raises(GreystepError, match="exposure level 0"):
        sensor.electrons_at(PLAIN, 0.0)


def test_hot_pixels_and_dust_stay_where_they_are() -> None:
    camera = sensor.Sensor(height=200, width=240)
    one, two = (sensor.chip(camera, np.random.default_rng(3)) for _ in range(2))
    np.testing.assert_array_equal(one.response, two.response)
    assert (one.hot > 0).sum() == camera.hot_pixels
    assert one.response.min() < 0.995  # a shadow of dust
    assert one.response.std() == pytest.approx(camera.prnu, rel=0.3)


def test_the_card_is_off_centre_even_and_lit_with_the_wanted_gradient() -> None:
    camera = sensor.Sensor()
    scene = sensor.table_top(camera, np.random.default_rng(0), gradient=0.08)
    rows, columns = np.nonzero(scene.surface == sensor.CARD)
    assert rows.mean() / camera.height == pytest.approx(0.45, abs=0.01)
    assert columns.mean() / camera.width == pytest.approx(0.43, abs=0.01)
    assert rows.size == pytest.approx(0.34 * 0.50 * camera.height * camera.width, rel=0.02)
    assert (scene.structure[rows, columns] == 1).all()
    assert scene.structure.std() > 0.1
    row = scene.shading[144, columns.min() : columns.max()]
    assert (row[-1] - row[0]) / row.mean() == pytest.approx(0.08, abs=0.025)  # the lens darkens outwards as well
    assert scene.shading[144, 206] == pytest.approx(1.0, abs=2e-3)
    moved = sensor.table_top(camera, np.random.default_rng(0), shift=0.25)
    by = np.nonzero(moved.surface == sensor.CARD)[1].mean() - columns.mean()
    assert by == pytest.approx(0.25 * 0.34 * camera.width, abs=1.0)
    np.testing.assert_array_equal(moved.surface == sensor.MATERIALS.index("red"), scene.surface == 3)


def test_focus_moves_and_keeps_the_card_even() -> None:
    camera = sensor.Sensor(prnu=0.0, hot_pixels=0, dust=0)
    electrons = lit(20000.0, 20000.0, 20000.0) * np.linspace(0.1, 1.0, len(sensor.MATERIALS))[:, None]
    scene = sensor.table_top(camera, np.random.default_rng(0))
    fixed = sensor.chip(camera, np.random.default_rng(1))

    def taken(focus: float | None) -> np.ndarray:
        rng = np.random.default_rng(2)
        return sensor.expose(camera, fixed, scene, electrons, 0 * electrons, rng, focus=focus).astype(np.float64)

    sharp, near, far = taken(None), taken(0.95), taken(0.05)

    def contrast(mosaic: np.ndarray, rows: slice) -> float:
        return float(np.abs(np.diff(mosaic[rows, ::2], axis=1)).mean())

    top, bottom = slice(0, 40), slice(270, 310)
    assert contrast(far, top) > contrast(near, top)
    assert contrast(near, bottom) > contrast(far, bottom)
    patch = (slice(120, 170), slice(180, 230))
    assert near[patch].mean() == pytest.approx(sharp[patch].mean(), rel=1e-3)
