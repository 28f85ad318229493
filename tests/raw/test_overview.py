"""A sparse overview: it shows what all pixels show, and what it may miss is looked for in all of them."""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from greystep.measure import clear_target
from greystep.measure.clear_target import clear_target_of
from greystep.raw import raster
from greystep.raw.frame import open_frame
from greystep.raw.overview import overview, unseen

Make = Callable[..., Path]
HEIGHT, WIDTH, TILE = 1024, 1536, 128


@pytest.fixture
def shoot(make_dng: Make, tmp_path: Path) -> Callable[..., Path]:
    """A card on a ground that darkens slowly to its edges, in lossless tiles."""

    def write(y0: int, y1: int, x0: int, x1: int) -> Path:
        rng = np.random.default_rng(8)
        y, x = np.ogrid[-1 : 1 : HEIGHT * 1j, -1 : 1 : WIDTH * 1j]
        light = 1500.0 * (1.0 - 0.1 * (y * y + x * x))
        light[y0:y1, x0:x1] *= 4.0
        light[::2, ::2] *= 0.5
        light[1::2, 1::2] *= 0.7
        noisy = (light + 0.2 * np.sqrt(light) * rng.standard_normal(light.shape)).astype(np.uint16)
        return make_dng(tmp_path / "a.dng", noisy, "ljpeg2", bits=14, block=(TILE, TILE), white=[16383], black=[0])

    return write


def _counted(decode: Callable[..., Any], rows: list[int], *task: Any) -> Any:
    rows.append(task[-1])
    return decode(*task)


def test_a_sparse_overview_decodes_less_and_shows_the_same(
    shoot: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = open_frame(shoot(330, 690, 500, 1000))
    whole = overview(frame, thinned=True)
    rows: list[int] = []
    monkeypatch.setattr(raster, "_decoded", partial(_counted, raster._decoded, rows))
    sparse = overview(frame, thinned=True, sparse=True)
    assert sum(rows) < 0.6 * HEIGHT * (WIDTH / TILE)
    np.testing.assert_allclose(sparse, whole, rtol=0.03)  # the noise of a bin of 6 x 4 px
    card = (slice(330 * len(whole) // HEIGHT - 2, 690 * len(whole) // HEIGHT + 2), slice(80, 170))
    np.testing.assert_array_equal(sparse[card][[0, 1, 2, 3, -4, -3, -2, -1]], whole[card][[0, 1, 2, 3, -4, -3, -2, -1]])


@pytest.mark.parametrize(("y0", "y1"), [(330, 690), (392, 504)], ids=["taller than two tiles", "within a row of tiles"])
def test_the_target_is_found_where_all_pixels_show_it(
    y0: int, y1: int, shoot: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clear_target, "LARGE", 0)
    path = shoot(y0, y1, 500, 1000)
    frame = open_frame(path)
    expected = clear_target.clear_target(overview(frame, thinned=True))
    assert expected is not None
    assert expected.box[3] - expected.box[1] == pytest.approx((y1 - y0) / HEIGHT, abs=0.03)
    assert unseen(frame) == TILE / HEIGHT
    assert clear_target_of(path) == (expected, True)


def test_of_a_small_frame_all_overviews_are_as_quick(shoot: Callable[..., Path]) -> None:
    assert clear_target_of(shoot(330, 690, 500, 1000)) == (None, False)
