"""How a reference is carried from one session to another: the lights both share, as ratios written down."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from correct.test_references import BODY, MATRIX, frame, session_of
from greystep.correct import references
from greystep.correct.references import Reference, carried
from greystep.errors import GreystepError
from greystep.measure.chromaticity import cct_duv_to_xy, xy_to_xyz

#: Of a mired, in the logarithm of blue over red.
PER_RATIO = 150.0


def tie(mired: float = 0.0, stops: float = 0.0, sd: float = 0.1) -> references._Tie:
    """A light that reads so much warmer, and brighter; its red and blue move by half of the ratio each."""
    half = mired / PER_RATIO / 2.0
    return references._Tie(np.array([-half, 0.0, half]) + stops * np.log(2.0), sd**2)


Lights = dict[tuple[str, float], references._Tie]


def tied(here: Lights, there: Lights | None = None) -> tuple[float, float, float, dict[str, float], dict[str, float]]:
    """Return by how many mired and stops the sessions differ, the half-width, and the heads that moved."""
    other = {light: tie() for light in here} if there is None else there
    found = references._tied(other, here, PER_RATIO)
    assert found is not None
    offset, u_mired, moved, apart = found
    assert offset[1] == pytest.approx(found[0].mean()), "half on either side of green"
    return PER_RATIO * float(offset[2] - offset[0]), float(offset[1] / np.log(2.0)), u_mired, moved, apart


def test_one_light_in_common_ties_two_sessions_as_well_as_it_is_known_in_both() -> None:
    mired, stops, u_mired, moved, apart = tied({("A", 0.0): tie(3.0, 0.5)}, {("A", 0.005): tie(1.0, sd=0.2)})
    assert (mired, stops, moved, apart) == (pytest.approx(2.0), pytest.approx(0.5), {}, {})
    assert u_mired == pytest.approx(2.0 * np.sqrt(0.1**2 + 0.2**2 + 2 * 0.3**2)), (
        "and as like lights and heads may differ"
    )
    assert references._tied({("A", 0.0): tie()}, {("A", 1.0): tie(), ("B", 0.0): tie()}, PER_RATIO) is None


def test_lights_of_a_head_are_one_witness_and_heads_weigh_by_what_is_known_of_them() -> None:
    two = {("A", 0.0): tie(1.0), ("A", 1.0): tie(2.0), ("B", 0.0): tie(1.5)}
    assert tied(two)[0] == pytest.approx(1.5)
    unlike = tied({("A", 0.0): tie(1.0, sd=0.1), ("B", 0.0): tie(2.0, sd=0.5)})
    weights = 1.0 / (np.array([0.1, 0.5]) ** 2 + 0.1**2 + 2 * 0.3**2)  # of a head's mean, and of heads among each other
    assert unlike[0] == pytest.approx(weights @ [1.0, 2.0] / weights.sum())
    assert tied({(head, 0.0): tie(0.0, stops) for head, stops in zip("ABC", (0.0, 0.1, 2.0), strict=True)})[1] == (
        pytest.approx(0.1)
    ), "lights are set up anew: the middle one says how bright"


def test_of_three_heads_one_that_disagrees_has_moved_and_is_left_out() -> None:
    def of(*mired: float, sd: float = 0.1) -> tuple[float, float, float, dict[str, float], dict[str, float]]:
        return tied({(head, 0.0): tie(one, sd=sd) for head, one in zip("ABCD", mired, strict=False)})

    mired, _, _, moved, apart = of(1.0, 1.0, 4.0)
    assert (mired, apart) == (pytest.approx(1.0), {})
    assert moved == {"C": pytest.approx(3.0)}
    assert of(1.0, 1.0, -2.0)[3] == {"C": pytest.approx(-3.0)}
    assert of(4.0, 1.0, 1.0)[3] == {"A": pytest.approx(3.0)}, "the one farthest from the others"
    assert of(1.0, 1.0, 2.9)[3] == {}
    assert of(1.0, 1.0, 4.0, sd=1.0)[3] == {}, "within four of its standard uncertainties"
    assert set(of(1.0, 1.0, 9.0, -7.0)[3]) == {"C", "D"}
    _, _, wide, moved, _ = of(0.0, 0.9, 1.8)
    single = 2.0 * np.sqrt((0.02 + 2 * 0.09) / 3.0)
    assert moved == {}
    assert wide == pytest.approx(2.0 * np.sqrt((0.02 + 0.09 + 0.09) / 3.0 * max(1.0, 2 * 0.81 / 0.2 / 2)), rel=1e-6)
    assert wide > single, "their scatter among each other counts"


def test_two_heads_that_disagree_are_both_told_for_none_can_be_believed() -> None:
    assert tied({("A", 0.0): tie(0.0), ("B", 0.0): tie(1.9)})[4] == {}
    assert tied({("A", 0.0): tie(0.0), ("B", 0.0): tie(2.6)})[3:] == (
        {}, {"A": pytest.approx(2.6), "B": pytest.approx(2.6)},
    )  # fmt: skip


# --- carried ----------------------------------------------------------------------------------------------------------


def brought(folder: Path, here: list[dict[str, Any]], there: list[dict[str, Any]], **unlike: Any) -> Reference:
    """Carry a reference of 180 mired; `unlike` is what the body of this session has otherwise."""
    other = session_of(folder / "last_month", there, 'title = "last month"\n')
    own = replace(BODY, **unlike)
    now = session_of(folder / "now", here, body=own)
    seen = MATRIX @ xy_to_xyz(cct_duv_to_xy(1e6 / 180.0, 0.001))
    reference = Reference("A@full", (seen[0] / seen[1], 1.0, seen[2] / seen[1]), 8000.0, 180.0, 0.001, 0.2)
    return carried(reference, other, None, BODY.label, now.readings, None, own, now.settings)


def test_lights_on_a_card_in_both_sessions_tie_them(tmp_path: Path) -> None:
    """This session sees the same light 4 mired warmer and half as bright: so it sees the reference."""
    found = brought(
        tmp_path,
        [frame("n.dng", 0, "A", 2.0, 188.0, signal_g=1000.0)],
        [frame("o.dng", 0, "A", 2.0, 184.0, signal_g=2000.0)],
    )
    assert found.seen is not None
    assert found.seen[0] == pytest.approx(184.0, abs=0.1)
    light = MATRIX @ xy_to_xyz(cct_duv_to_xy(1e6 / found.seen[0], found.seen[1]))
    assert found.neutral == pytest.approx(tuple(light / light[1]))
    assert (found.label, found.mired) == ("A@full of last month", 180.0)
    assert found.green == pytest.approx(4000.0)
    assert found.u_mired == pytest.approx(np.hypot(0.2, 2.0 * np.sqrt(4 * 0.09)), rel=0.01)


def test_without_a_light_in_common_camera_and_lens_must_be_the_same(tmp_path: Path) -> None:
    other = [frame("o.dng", 0, "B", 0.0, 190.0, lens="50"), frame("p.dng", 1, "B", 2.0, 190.0)]
    same = brought(tmp_path / "same", [frame("n.dng", 0, "A", 0.0, 180.0)], other)
    assert same.seen is not None
    assert same.seen[0] == pytest.approx(180.0, abs=0.05)
    assert (np.isnan(same.green), same.u_mired, same.moved) == (True, 0.2, {})
    said = "no light is common to both sessions"
    with pytest.raises(GreystepError, match=f"A@full of last month: {said}"):
        brought(tmp_path / "lens", [frame("n.dng", 0, "A", 0.0, 180.0, lens="35")], other)
    with pytest.raises(GreystepError, match=said):
        brought(tmp_path / "body", [frame("n.dng", 0, "A", 0.0, 180.0)], other, label="Another 2")
    with pytest.raises(GreystepError, match=said):
        brought(tmp_path / "half", [frame("n.dng", 0, "A", 0.0, 180.0, lens="35")], other, anchored=True)


def test_two_cameras_that_a_meter_anchored_need_no_light_in_common(tmp_path: Path) -> None:
    """The other camera sees twice the red of a light: so this one sees the reference with half of it."""
    other = session_of(
        tmp_path / "o", [frame("o.dng", 0, "B", 0.0, 190.0)],
        body=replace(BODY, anchored=True, matrix=np.diag([2.0, 1.0, 1.0])),
    )  # fmt: skip
    now = session_of(tmp_path / "n", [frame("n.dng", 0, "A", 0.0, 180.0, lens="35")])
    reference = Reference("A@full", (0.8, 1.0, 0.6), 8000.0, 180.0, 0.001, 0.2)
    here = replace(BODY, anchored=True, matrix=np.eye(3))
    found = carried(reference, other, None, BODY.label, now.readings, None, here, now.settings)
    assert found.neutral == pytest.approx((0.4, 1.0, 0.6))


@pytest.mark.parametrize(
    ("unlike", "ties"),
    [({}, True), ({"flags": "too_dark"}, False), ({"status": "rejected"}, False), ({"signal_g": 0.0}, False),
     ({"kind": "job", "shows_card": False}, False), ({"kind": "job", "shows_card": True}, True),
     ({"lights": "A@1/4 & B@1/4"}, False), ({"stops": np.nan}, False)],
    ids=str,
)  # fmt: skip
def test_only_one_light_that_is_seen_on_a_card_ties(unlike: dict[str, Any], ties: bool, tmp_path: Path) -> None:
    shown = {"shows_card": True, "lights": ""} | unlike
    rows = session_of(tmp_path, [frame("n.dng", 0, "A", 2.0, 188.0) | shown])
    found = references._signals(rows.readings, None, BODY, rows.settings)
    assert list(found) == ([("A", 2.0)] if ties else [])


def test_several_frames_of_a_light_are_one_and_their_scatter_its_doubt(tmp_path: Path) -> None:
    seen = [frame(f"{at}.dng", at, "A", 0.0, mired, signal_g=level) for at, (mired, level) in
            enumerate(((180.0, 8000.0), (181.0, 8100.0), (190.0, 4000.0)))]  # fmt: skip
    rows = session_of(tmp_path, seen).readings
    settings = session_of(tmp_path / "again", seen).settings
    (one,) = references._signals(rows, None, BODY, settings).values()
    assert np.exp(one.offset[1]) == pytest.approx(8000.0)
    assert np.exp(one.offset[0] - one.offset[1]) == pytest.approx(rows["r_g"][1], rel=0.01)
    assert one.variance == pytest.approx(np.var([180.0, 181.0, 190.0], ddof=1) / 3)
    (single,) = references._signals(rows[:1], None, BODY, settings).values()
    assert single.variance == pytest.approx(0.3**2), "of one frame: what one flash may differ from another"
    doubted = rows[:1].assign(u_mired=2.0)
    (unsure,) = references._signals(doubted, None, BODY, settings).values()
    assert unsure.variance == pytest.approx(1.0)
