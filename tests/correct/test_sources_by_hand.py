"""Which source of light serves which frame, and what stands in for a hub or a matrix: with the sources played."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from correct.test_doubts_by_hand import MATRIX, blocks, lit
from correct.test_references import frame, session_of
from greystep import flags
from greystep.correct import frame_light, overlap, shared
from greystep.correct.frame_light import find_sources
from greystep.correct.lit_frames import LitFrame, lit_frames, lit_table
from greystep.correct.messages import CardAssumed, CardUnproven, MatchedToItself
from greystep.errors import GreystepError
from greystep.measure import camera, chromaticity
from greystep.measure.uncertainty import student_factor
from greystep.raw.dng import ColourTags
from greystep.session.bodies import Body
from helpers.lit_frames import readings

BODY = Body("Made Up 7", MATRIX, np.ones(3), None, "dng", None, None, False)


@pytest.fixture
def played(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Profile, overlap and nearby say that they serve whatever they are asked for; the frames that each was asked."""
    asked: list[list[str]] = [[], [], []]

    def from_profile(one: LitFrame, *_: object) -> LitFrame:
        asked[0].append(one.reading.frame)
        return replace(one, source="profile")

    def from_overlap(frames: Any, *_: object) -> Any:
        asked[1] += [one.reading.frame for one in frames if not one.source]
        served = [replace(one, source="overlap") if one.reading.frame == "shared" else one for one in frames]
        return served, {}, frozenset(), []

    def from_nearby(one: LitFrame, targets: Any, _: object) -> LitFrame:
        asked[2].append(one.reading.frame)
        return replace(one, source="nearby", via=",".join(other.reading.frame for other in targets))

    monkeypatch.setattr(frame_light, "_from_profile", from_profile)
    monkeypatch.setattr(frame_light, "_from_overlap", from_overlap)
    monkeypatch.setattr(frame_light, "_from_nearby", from_nearby)
    return asked


def job(name: str, shot: int, **more: Any) -> dict[str, Any]:
    """A picture; what was measured in it is no proven card unless it says so."""
    return frame(name, shot, "A", 0.0, 180.0) | {"kind": "job", "shows_card": False, "lights": ""} | more


NOTHING = {"r_g": np.nan, "b_g": np.nan, "signal_g": np.nan}


def sources(
    folder: Path, rows: list[dict[str, Any]], profile: Any = None, **more: Any
) -> tuple[dict[str, str], list[Any]]:
    given = [{"shows_card": True, "lights": ""} | row for row in rows]
    found = find_sources(session_of(folder, given), profile, **more)
    return {one.reading.frame: one.source for one in found.frames}, list(found.messages)


def test_a_card_then_what_is_shared_then_what_was_nearby(tmp_path: Path, played: list[list[str]]) -> None:
    rows = [
        frame("card", 0, "A", 0.0, 180.0), job("shared", 1, **NOTHING), job("near", 2, **NOTHING),
        job("lost", 3, flags="damaged", status="rejected", **NOTHING),
        frame("dark", 4, "A", 0.0, 180.0, flags="no_target", status="rejected", **NOTHING),
        frame("room", 5, "A", 0.0, 180.0) | {"kind": "ambient"},
    ]  # fmt: skip
    found, said = sources(tmp_path, rows)
    assert found == {"card": "patch", "shared": "overlap", "near": "nearby", "lost": "", "dark": ""}
    assert played == [[], ["shared", "near", "lost", "dark"], ["near"]], "only a picture may wait for another frame"
    assert said == []


def test_a_profile_serves_but_where_the_bodys_own_card_does(tmp_path: Path, played: list[list[str]]) -> None:
    """One body has cards that the log declares; what the other's pictures show is not sure enough."""
    rows = [
        frame("card", 0, "A", 0.0, 180.0), job("picture", 1, **NOTHING), job("lost", 2, flags="unreadable", **NOTHING),
        job("own", 3, shows_card=True), job("other", 4, shows_card=True, body="Other 2"),
    ]  # fmt: skip
    found, _ = sources(tmp_path, rows, profile=object())
    assert found == {"card": "patch", "picture": "profile", "lost": "", "own": "patch", "other": "profile"}
    assert played[0] == ["picture", "other"]


def test_a_flash_frame_that_shows_no_card_makes_no_card_sure(tmp_path: Path, played: list[list[str]]) -> None:
    rows = [frame("flash", 0, "A", 0.0, 180.0) | {"shows_card": False}, job("picture", 1, shows_card=True)]
    assert sources(tmp_path, rows, profile=object())[0] == {"flash": "profile", "picture": "profile"}
    assert played[0] == ["flash", "picture"]


def test_what_is_assumed_of_pictures_is_said(tmp_path: Path, played: list[list[str]]) -> None:
    pictures = [job("a", 0), job("b", 1, **NOTHING), job("c", 2, shows_card=True)]
    assert sources(tmp_path / "own", pictures)[1] == [CardUnproven(2, 3)]
    assert sources(tmp_path / "to", pictures, of_itself=False)[1] == [CardAssumed(), CardUnproven(2, 3)]
    declared = [*pictures, frame("card", 3, "A", 0.0, 180.0)]
    assert sources(tmp_path / "card", declared, of_itself=False)[1] == [CardUnproven(2, 3)]
    assert sources(tmp_path / "none", [job("b", 1, **NOTHING)])[1] == [], "no target was found in it at all"
    assert sources(tmp_path / "no", [job("b", 1, **NOTHING)], of_itself=False)[1] == [], "nothing is taken for a card"
    assert sources(tmp_path / "lost", [job("a", 0, flags="damaged"), job("c", 2, shows_card=True)])[1] == []
    with pytest.raises(GreystepError, match="the log has no flash and no job frame"):
        sources(tmp_path / "room", [frame("room", 5, "A", 0.0, 180.0) | {"kind": "ambient"}])


# --- hubs -------------------------------------------------------------------------------------------------------------


def test_the_hub_of_a_series_is_the_one_asked_for_or_a_sound_one_near_its_middle() -> None:
    names = ["a", "b", "c", "d", "e"]

    def hub(*lost: str, to: str | None = None) -> str:
        return shared._hub(names, to, lambda name: blocks(0.001 if name in lost else 0.5, 40))

    assert hub() == "c"
    assert hub("c") == "b"
    assert hub("c", "b") == "d"
    assert hub(to="frame:e") == "e"
    assert hub(to="frame:z") == "c"
    assert hub(to="median") == "c"
    with pytest.raises(GreystepError, match="a: 0 % of it is clipped and 100 % too dark"):
        hub("a", to="frame:a")
    with pytest.raises(GreystepError, match="no frame of the series can be compared with the others; c: 0 % of it"):
        hub(*names)


def test_a_hub_needs_twenty_four_fields_that_are_neither_dark_nor_clipped() -> None:
    few = blocks(0.5, 40)
    few.signal[:] = 0.001
    few.signal[:24, :16] = 0.5
    shared.check_hub("hub", few)
    few.signal[0, 0] = 0.001
    with pytest.raises(GreystepError, match="hub: 0 % of it is clipped and 76 % too dark"):
        shared.check_hub("hub", few)
    clipped = blocks(0.5, 40)
    clipped.clipped[:20] = True
    shared.check_hub("hub", clipped)
    clipped.clipped[:38] = True
    with pytest.raises(GreystepError, match="95 % of it is clipped and 0 % too dark"):
        shared.check_hub("hub", clipped)


def test_why_two_frames_share_nothing_is_told_without_the_frames_own_name() -> None:
    def read(name: str) -> Any:
        if name == "lost.dng":
            raise GreystepError("lost.dng: cannot be read")
        found = blocks(0.001 if name == "dark.dng" else 0.5, 40)
        return replace(found, height=90) if name == "odd.dng" else found

    def why(frame: str, hub: str = "hub.dng") -> str:
        found = shared._shared(frame, hub, np.ones(3), BODY, read)
        assert (found.frame, found.hub, found.overlap) == (frame, hub, None)
        assert found.light.shape == (3,)
        assert np.isnan([*found.light, found.mired, found.duv, found.u_mired, found.u_stops]).all()
        return found.trouble

    assert why("lost.dng") == "cannot be read"
    assert why("a.dng", "lost.dng") == "lost.dng: cannot be read"
    assert why("a.dng", "dark.dng").startswith("dark.dng: 0 % of it is clipped")
    assert why("odd.dng") == ("it has 80 x 90 px, the reference frame hub.dng 80 x 80 px; shoot a series at one size")


def test_what_is_shared_is_the_hubs_light_times_the_ratio_as_sure_as_the_ratio_is(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Blue of the ratio is known to 0.2 % from 15 degrees of freedom: what that makes of the mired, by differences."""
    covariance = np.diag([0.0, 0.001**2, 0.002**2])
    found = overlap.Overlap(np.array([1.0, 1.1, 1.05]), covariance, 15.0, 80.0, "", "")
    pictures = {name: blocks(0.5, 40) for name in ("a", "hub")}
    monkeypatch.setattr(
        shared,
        "compare",
        lambda *pair: found if (pair[0] is pictures["hub"], pair[1] is pictures["a"]) == (1, 1) else None,
    )
    base = np.array([0.5, 1.0, 0.65])
    one = shared._shared("a", "hub", base, BODY, pictures.__getitem__)
    assert (one.overlap, one.trouble) == (found, "")
    assert one.light == pytest.approx([0.5, 1.1, 0.6825])

    def mired(light: np.ndarray) -> float:
        return 1e6 / float(chromaticity.cct_duv(chromaticity.xyz_to_xy(np.linalg.solve(MATRIX, light)))[0])

    assert one.mired == pytest.approx(mired(one.light), rel=1e-5)
    by_green, by_blue = (
        (mired(one.light * (1.0 + 1e-4 * channel)) - mired(one.light)) / 1e-4 for channel in np.eye(3)[1:]
    )
    assert one.u_mired == pytest.approx(student_factor(15.0) * np.hypot(0.001 * by_green, 0.002 * by_blue), rel=0.01)
    assert one.u_stops == pytest.approx(student_factor(15.0) * 0.001 / np.log(2.0))
    monkeypatch.setattr(shared, "compare", lambda *_: replace(found, flag="light_changed", why="it has changed"))
    lost = shared._shared("a", "hub", base, BODY, lambda name: blocks(0.5, 40))
    assert (lost.trouble, lost.overlap is not None) == ("it has changed (hub)", True)


def test_the_light_that_a_camera_was_set_to_stands_in_and_else_daylight() -> None:
    tags = ColourTags(MATRIX, None, 21, 0, None, None, None, None, "dng")
    set_to = replace(blocks(0.5), neutral=(0.4, 0.8, 0.6))
    assert shared.assumed_light(BODY, set_to) == pytest.approx([0.5, 1.0, 0.75])
    assert shared.assumed_light(BODY, blocks(0.5)).tolist() == [1.0, 1.0, 1.0], "nothing is known of the camera"
    body = replace(BODY, tags=tags)
    usual = MATRIX @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(*camera.USUAL_FLASH))
    assert shared.assumed_light(body, blocks(0.5)) == pytest.approx(usual / usual[1], rel=1e-6)
    assert shared.assumed_light(body, set_to) == pytest.approx([0.5, 1.0, 0.75])
    neutral = np.array([0.5, 1.0, 0.7])
    made = shared.with_matrix(replace(body, matrix=None, target_factor=np.full(3, 0.9)), neutral)
    assert made.reference_neutral == (0.5, 1.0, 0.7)
    assert made.matrix is not None
    assert (made.target_factor == 1.0).all()
    assert shared.with_matrix(BODY, neutral) is BODY


def test_a_series_is_joined_in_the_order_of_its_shots(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[str, str]] = []
    monkeypatch.setattr(shared, "_shared", lambda name, hub, *_: asked.append((name, hub)) or name)
    waiting = [one for at, name in ((2, "c"), (0, "a"), (1, "b")) for one in lit([0.0], frame=name, shot=at)]
    _, found, said = shared.join_series(waiting, None, BODY, lambda name: blocks(0.5, 40))
    assert list(found) == ["a", "b", "c"]
    assert asked == [("a", "b"), ("b", "b"), ("c", "b")]
    assert said == MatchedToItself("b")


def test_a_frame_gets_the_light_that_it_shares_or_why_it_has_none() -> None:
    (waiting,) = lit([0.0], frame="j", source="", flags="no_target;tail_cut;uneven", faults=("no_target",))
    found = overlap.Overlap(np.ones(3), np.eye(3), 15.0, 82.5, "light_changed", "it has changed")
    light = np.array([4000.0, 8000.0, 5600.0])
    one = shared.Shared("j", "hub", replace(found, flag="", why=""), light, 181.0, 0.002, 0.3, 0.04, "")
    given = frame_light._from_shared(waiting, one)
    assert (given.source, given.via, given.agreed_pct) == ("overlap", "hub", 82.5)
    assert (given.r_g, given.b_g, given.signal_g) == (0.5, 0.7, 8000.0)
    assert (given.mired, given.duv, given.u_mired, given.u_stops) == (181.0, 0.002, 0.3, 0.04)
    changed = frame_light._from_shared(waiting, replace(one, overlap=found, trouble="it has changed (hub)"))
    assert (changed.source, changed.trouble, changed.faults) == ("", "it has changed (hub)", ())
    assert changed.marks == {"no_target", "tail_cut", "light_changed"}
    assert changed.agreed_pct == 82.5
    apart = frame_light._from_shared(waiting, replace(one, overlap=None, trouble="another lens"))
    assert apart.marks == {"no_target", "tail_cut", "no_overlap"}
    assert np.isnan(apart.agreed_pct)


def test_the_table_tells_of_each_frame_what_is_known_of_its_light() -> None:
    given = readings([frame(f"f{at}.dng", at, "A", 0.0, 180.0, status="ok") for at in range(3)])
    first, second, third = lit_frames(given)
    frames = [
        replace(first, source="overlap", marks=frozenset({"tail_cut"}), mired=181.0, via="hub"),
        replace(second, source="profile", marks=frozenset()),
        replace(third, source="", marks=frozenset({"no_flash"}), faults=("no_flash",), trouble=""),
    ]
    table = lit_table(given, frames)
    assert table["status"].tolist() == ["doubtful", "ok", "rejected"]
    assert table["flags"].tolist() == ["tail_cut", "", "no_flash"]
    assert table["source"].tolist() == ["overlap", "profile", ""]
    assert (table["mired"][0], table["via"][0], table["head"][0]) == (181.0, "hub", "A")
    assert table["trouble"].tolist() == ["", "", flags.MEANING["no_flash"]]
    both = replace(third, faults=("no_flash", "clipped"), trouble=", nor in any")
    assert both.why == f"{flags.MEANING['no_flash']}; {flags.MEANING['clipped']}, nor in any"


def test_the_light_of_a_profile_is_that_of_the_one_head_that_lit_the_frame(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen through the test's own body, or through this session's where that is another camera."""
    light: Any = SimpleNamespace(
        mired=182.0, duv=0.001, u_mired=0.3, scatter_mired=0.4, u_output_stops=0.05, scatter_stops=0.12,
        output_error_stops=0.2, how="A at 1/1 in the test",
    )  # fmt: skip
    asked: list[Any] = []
    monkeypatch.setattr(frame_light, "light_at", lambda profile, *given: asked.append(given) or light)
    profile: Any = SimpleNamespace(ingested=SimpleNamespace(bodies={"Made Up 7": BODY}))
    warmer = MATRIX * [[1.1], [1.0], [0.8]]
    tags = ColourTags(0.9 * MATRIX, warmer, 21, 17, None, None, None, None, "dng")
    here = session_of(tmp_path, [frame("x", 0, "A", 0.0, 180.0)])
    here.bodies["Other 2"] = replace(BODY, label="Other 2", matrix=None, tags=tags)
    (own,) = lit([0.0], source="", trouble="none", modifier="dome")
    seen_by: dict[str, Body] = {}
    found = frame_light._from_profile(own, profile, here, seen_by)
    assert (found.source, found.via, found.observer, found.error_stops) == ("profile", "A at 1/1 in the test", "", 0.2)
    assert (found.mired, found.duv, found.u_mired) == (182.0, 0.001, 0.5)
    assert found.u_stops == pytest.approx(0.13)
    assert np.isnan(found.signal_g)
    rgb = MATRIX @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(1e6 / 182.0, 0.001))
    assert (found.r_g, found.b_g) == pytest.approx((rgb[0] / rgb[1], rgb[2] / rgb[1]))
    assert (asked[0][0], *asked[0][1:3]) == ("Made Up 7", "A", 0.0)
    assert asked[0][3]["modifier"] == "dome"
    assert seen_by == {"Made Up 7": BODY}
    other = frame_light._from_profile(lit([0.0], source="", body="Other 2")[0], profile, here, seen_by)
    assert (other.observer, asked[1][0]) == ("Made Up 7", "Made Up 7")
    assert seen_by["Other 2"].matrix == pytest.approx(
        camera.xyz_to_camera(tags, chromaticity.cct_duv_to_xy(1e6 / 182.0, 0.001))
    )
    here.bodies["Measured 4"] = replace(BODY, label="Measured 4", tags=tags)
    here.bodies["Bare 5"] = replace(BODY, label="Bare 5", matrix=None, tags=None)
    for label in ("Measured 4", "Bare 5"):
        assert frame_light._profile_body(profile, label, "Made Up 7", here, light) is here.bodies[label]
    unknown = frame_light._from_profile(lit([0.0], source="", trouble="none", body="Lost 3")[0], profile, here, {})
    assert (unknown.source, unknown.trouble) == ("", "none, and no profile: its camera is not known")
    several = lit([0.0], source="", trouble="none", lights="A & B")[0]
    assert "does not name the one head" in frame_light._from_profile(several, profile, here, {}).trouble
    card = lit([0.0], source="patch", lights="A & B")[0]
    assert frame_light._from_profile(card, profile, here, {}) is card, "what it has stays"
    blind: Any = SimpleNamespace(ingested=SimpleNamespace(bodies={"Made Up 7": replace(BODY, matrix=None)}))
    assert "no colour matrix is known" in frame_light._from_profile(own, blind, here, {}).trouble
