"""One body's matrix under a tinted target and a colour meter, and the colour of its frames with each doubt."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from greystep.flags import Flag
from greystep.measure import camera, chromaticity
from greystep.measure.uncertainty import expanded
from greystep.raw.dng import ColourTags
from greystep.session import bodies, colour
from greystep.session.bodies import Body
from greystep.session.settings import Meter, load_settings

Floats = NDArray[np.float64]
MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
TAGS = ColourTags(MATRIX, illuminant_1=21)
#: A warm grey: a tenth more in the red than in the violet.
CARD = np.array([400.0, 700.0]), np.array([0.17, 0.19])


def xyz(mired: float, duv: float = 0.0) -> Floats:
    return np.asarray(chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(1e6 / mired, duv)))


def seen(mired: float, duv: float = 0.0) -> tuple[float, float, float]:
    red, green, blue = MATRIX @ xyz(mired, duv)
    return float(red / green), 1.0, float(blue / green)


def colour_of(light: Floats) -> tuple[float, float]:
    cct, duv = chromaticity.cct_duv(chromaticity.xyz_to_xy(light))
    return 1e6 / float(cct), float(duv)


def made(folder: Path, neutral: tuple[float, float, float], metered: Any = None, **settings: Any) -> Body:
    return bodies.make_body("X", TAGS, None, neutral, replace(load_settings(folder), **settings), metered)


def test_a_tinted_target_is_divided_out_of_the_light_that_it_shows(tmp_path: Path) -> None:
    """The light's own smooth spectrum off the card gives the neutral: the body reads the light back."""
    factor = camera.target_factor(*CARD, 1e6 / 180.0, 0.001)
    raw = MATRIX @ (factor * xyz(180.0, 0.001))
    found = made(tmp_path, (raw[0] / raw[1], 1.0, raw[2] / raw[1]), reflectance=CARD)
    assert found.matrix == pytest.approx(MATRIX)
    assert found.target_factor == pytest.approx(factor, rel=1e-6)
    assert found.sees is not None
    assert colour_of(np.linalg.solve(found.sees, raw)) == pytest.approx((180.0, 0.001), abs=1e-3)
    assert found.target_matrix == pytest.approx(camera.target_matrix(*CARD, 1e6 / 180.0, 0.001), rel=1e-5)
    assert found.target_doubt == pytest.approx(camera.target_doubt(*CARD, 1e6 / 180.0, 0.001), rel=1e-3)
    assert not found.anchored
    flat = made(tmp_path, seen(180.0, 0.001))
    assert (flat.target_matrix, flat.target_factor.tolist()) == (None, [1.0, 1.0, 1.0])
    assert not flat.target_doubt.any()


def test_a_meter_fixes_the_scale_of_the_body_that_took_its_frame(tmp_path: Path) -> None:
    """The frame reads 190 mired through the file's matrix, and the meter said 185: all frames are read through that."""
    meter = Meter("f1", 1e6 / 185.0, 0.002)
    found = made(tmp_path, seen(180.0), seen(190.0, 0.001), meter=meter)
    assert found.anchored
    assert found.sees is not None
    assert colour_of(np.linalg.solve(found.sees, seen(190.0, 0.001))) == pytest.approx((185.0, 0.002), abs=1e-3)
    gains = np.linalg.solve(MATRIX.T, np.asarray(found.matrix).T).T
    assert gains == pytest.approx(np.diag(np.diag(gains)), abs=1e-9), "a gain a channel"
    assert gains[1, 1] == pytest.approx(1.0)
    assert not made(tmp_path, seen(180.0), None, meter=meter).anchored
    assert not made(tmp_path, seen(180.0), seen(190.0), meter=Meter("f1", 500.0, 0.0)).anchored, "no white"
    both = made(tmp_path, seen(180.0), seen(190.0, 0.001), meter=meter, reflectance=CARD)
    read = np.linalg.solve(np.asarray(both.matrix) @ np.diag(both.target_factor), seen(190.0, 0.001))
    assert colour_of(read) == pytest.approx((185.0, 0.002), abs=1e-3)


def test_where_the_files_matrix_does_not_serve_there_is_none(tmp_path: Path) -> None:
    found = bodies.make_body("X", TAGS, None, (0.5, -1.0, 0.7), load_settings(tmp_path), None)
    assert (found.matrix, found.tags, found.colour_from) == (None, None, "none")


# --- colour of frames -------------------------------------------------------------------------------------------------


def signals(*mired: float, green: float = 8000.0, **more: Any) -> Any:
    """Frames of these lights, each channel known to two counts by itself and to one count that all share."""
    count = len(mired)
    causes = {"frame": np.repeat(4.0 * np.eye(3)[None], count, axis=0), "black": np.ones((count, 3, 3))}
    usual = {
        "signal": np.array([green * np.array(seen(one)) for one in mired]), "causes": causes,
        "covariance": causes["frame"] + causes["black"], "room": np.full(count, -1),
        "share": np.full(count, np.nan), "change": np.zeros((count, 3)),
    }  # fmt: skip
    return SimpleNamespace(**usual | more)


def body(matrix: Floats | None = MATRIX, **more: Any) -> Body:
    return Body("X", matrix, np.ones(3), TAGS, "dng", None, seen(180.0), False, **more)


def columns(given: Any, of: Body | None = None, usable: list[bool] | None = None) -> tuple[dict[str, Floats], Any]:
    count = len(given.signal)
    every = np.array(usable or [True] * count)
    return colour.colour_columns(["X"] * count, every, {"X": of or body()}, given)


def test_each_frame_has_the_colour_of_its_light_and_the_rejected_none() -> None:
    found, doubts = columns(signals(180.0, 190.0, 200.0), usable=[True, False, True])
    assert found["mired"] == pytest.approx([180.0, np.nan, 200.0], abs=1e-4, nan_ok=True)
    assert found["duv"] == pytest.approx([0.0, np.nan, 0.0], abs=1e-7, nan_ok=True)
    assert found["u_cct_k"] == pytest.approx(found["u_mired"] * found["cct_k"] / found["mired"], nan_ok=True)
    assert not any(flags.any() for flags in doubts.values())


def test_the_doubt_of_a_colour_is_told_by_its_causes() -> None:
    """By the derivative of mired for each channel, taken by differences."""
    given = signals(180.0)
    slope = [(colour_of(np.linalg.solve(MATRIX, given.signal[0] + step))[0] - 180.0) / 0.1 for step in 0.1 * np.eye(3)]
    target = np.array([[0.09, 0.0], [0.0, 1e-8]])
    found, _ = columns(given, body(target_doubt=target))
    own, black = 2.0 * np.hypot.reduce(slope), abs(np.sum(slope))
    assert found["u_mired_frame"] == pytest.approx([float(expanded(own))], rel=1e-3)
    assert found["u_mired_black"] == pytest.approx([float(expanded(black))], rel=1e-3)
    assert found["u_mired_target"] == pytest.approx([float(expanded(0.3))])
    assert found["u_duv_target"] == pytest.approx([float(expanded(1e-4))])
    assert found["u_mired"] == pytest.approx([float(expanded(np.sqrt(own**2 + black**2 + 0.09)))], rel=1e-3)
    plain, _ = columns(given)
    assert plain["u_mired_target"].tolist() == [0.0]


def test_what_is_far_from_the_reference_or_from_any_white_is_told() -> None:
    odd = signals(231.0, 229.0, 131.0, 129.0)
    odd.signal = np.vstack([odd.signal, [100.0, 8000.0, 100.0]])
    given = signals(231.0, 229.0, 131.0, 129.0, 180.0)
    given.signal = odd.signal
    found, doubts = columns(given)
    assert doubts[Flag.FAR_FROM_REFERENCE].tolist() == [True, False, False, True, False]
    assert doubts[Flag.FAR_FROM_LOCUS].tolist() == [False] * 4 + [True]
    assert np.isnan(found["u_mired_target"]).tolist() == [False] * 4 + [True]
    blind, doubts = columns(given, body(None))
    assert doubts[Flag.NO_MATRIX].all()
    assert np.isnan(blind["mired"]).all()


def test_what_a_change_of_room_light_does_to_a_colour() -> None:
    """A quarter of the chance that it had changed is taken off: with all of it left in, less with all of it off."""
    lamp = 80.0 * np.array(seen(345.0))
    given = signals(180.0, 180.0, room=np.array([-1, 0]), share=np.array([np.nan, 0.25]),
                    change=np.array([np.zeros(3), lamp]))  # fmt: skip
    found, _ = columns(given)
    left, off = (colour_of(np.linalg.solve(MATRIX, given.signal[1] + part * lamp)) for part in (0.25, -0.75))
    assert found["room_mired"] == pytest.approx([0.0, left[0] - off[0]], abs=1e-4)
    assert found["room_duv"] == pytest.approx([0.0, left[1] - off[1]], abs=1e-7)
    assert found["room_mired"][1] > 0.5


def test_another_calibration_than_the_bodys_is_told_of_lit_frames() -> None:
    other = ColourTags(1.1 * MATRIX, illuminant_1=21)
    read: Any = [SimpleNamespace(colour=one) for one in (TAGS, other, other, None)] + [None]
    kinds = np.array(["flash", "flash", "ambient", "flash", "flash"])
    log = pd.DataFrame({"body": ["X"] * 5})
    frames: Any = SimpleNamespace(read=read, log=log, of_kind=lambda *of: np.isin(kinds, of))
    settings: Any = SimpleNamespace(matrix="embedded")
    assert colour.other_matrices(frames, {"X": body()}, settings).tolist() == [False, True, False, False, False]
    assert not colour.other_matrices(frames, {}, settings).any()
    assert not colour.other_matrices(frames, {"X": body()}, SimpleNamespace(matrix="camera.json")).any()  # type: ignore[arg-type]
