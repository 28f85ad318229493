"""A whole table of corrections from lights and references that are written down, and where these come from."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from correct.test_doubts_by_hand import BODY, rows
from greystep.correct import gains, plates
from greystep.correct.developed import developed_matrix, to_rec709, white_of_240
from greystep.correct.frame_light import Sources
from greystep.correct.gains import Corrections, correct_frames
from greystep.correct.lit_frames import lit_table
from greystep.correct.messages import NotCorrected
from greystep.correct.references import Reference
from greystep.correct.render import Developed
from greystep.errors import GreystepError
from greystep.measure.chromaticity import SPACES, bradford, chart_xyz, steps, working_space, xyz_to_upvp
from greystep.session.reference import HeadAtPower, MedianFrame, OneFrame
from helpers.lit_frames import lit_frame, readings

SPACE = "lin_rec709"
REFERENCE = Reference("A@full", (0.5, 1.0, 0.6), 8000.0, 180.0, 0.001, 0.3)
OF_PROFILE = Reference("A@full", (0.55, 1.0, 0.65), 8000.0, 182.0, 0.002, 0.4)


def frames(*more: dict[str, Any]) -> list[dict[str, Any]]:
    usual = {"body": "Made Up 7", "u_stops": 0.02, "via": "", "age_s": np.nan, "agreed_pct": np.nan}
    return [rows([180.0])[0] | usual | one | {"frame": f"f{at}"} for at, one in enumerate(more)]


def corrected(monkeypatch: pytest.MonkeyPatch, *more: dict[str, Any], **asked: Any) -> Corrections:
    """Correct frames whose lights are known, to REFERENCE where they were seen and to OF_PROFILE by a profile."""
    given = frames(*more)
    lit = tuple(lit_frame(**one) for one in given)
    bodies = {"Made Up 7": BODY}
    seen_by = bodies if any(one["source"] == "profile" for one in given) else {}
    sources = Sources(lit, lit_table(readings(given), lit), bodies, seen_by, frozenset(), ())
    monkeypatch.setattr(gains, "find_sources", lambda *_: sources)
    usual, lost = asked.pop("references", {"Made Up 7": REFERENCE}), asked.pop("lost", {})
    monkeypatch.setattr(gains, "_references", lambda *_: (usual, lost))
    monkeypatch.setattr(gains, "_profile_references", lambda *_: dict.fromkeys(seen_by, OF_PROFILE))
    monkeypatch.setattr(gains, "_observer", lambda frame, *_: 1.5 if frame.observer else np.nan)
    ingested: Any = SimpleNamespace(settings=None)
    return correct_frames(ingested, **asked)


def test_a_row_holds_the_gains_and_all_that_follows_from_them(monkeypatch: pytest.MonkeyPatch) -> None:
    light = {"r_g": 0.4, "b_g": 0.8, "signal_g": 2000.0, "mired": 170.0, "duv": 0.004, "u_mired": 0.4}
    told = {"source": "overlap", "via": "hub", "agreed_pct": 70.0, "age_s": 5.0, "flags": "uneven"}
    found = corrected(monkeypatch, light | told, match_brightness=True)
    (row,) = found.table.to_dict("records")
    neutral, gain = np.array([0.5, 1.0, 0.6]), np.array([1.25, 1.0, 0.75])
    assert [row[f"gain_{name}"] for name in "rgb"] == pytest.approx(gain)
    assert (row["multiplier_r"], row["multiplier_b"]) == pytest.approx((2.5, 1.25))
    assert (row["exposure_stops"], row["u_exposure_stops"]) == (2.0, 0.02)
    assert (row["mired_shift"], row["duv_shift"]) == pytest.approx((10.0, -0.003))
    assert row["u_mired_shift"] == pytest.approx(0.5)
    assert (row["frame"], row["head"], row["power"], row["source"], row["via"]) == ("f0", "A", "1/1", "overlap", "hub")
    assert (row["agreed_pct"], row["age_s"], row["flags"], row["status"]) == (70.0, 5.0, "uneven", "doubtful")
    assert np.isnan(row["u_observer_mired"])
    camera = developed_matrix(BODY, neutral, SPACE)
    assert found.developed["Made Up 7"] == pytest.approx(camera)
    matrix = camera @ np.diag(4.0 * gain) @ np.linalg.inv(camera)
    assert found.matrices["f0"] == pytest.approx(matrix)
    slopes = 4.0 * (camera @ neutral) / (camera @ (neutral / gain))
    assert found.slopes["f0"] == pytest.approx(slopes)
    white = white_of_240(to_rec709(SPACE) @ (1.0 / slopes))
    assert [row[f"white240_{name}"] for name in "rgb"] == pytest.approx(white.tolist())
    from_xyz, of_space = working_space(SPACE)
    patches = from_xyz @ chart_xyz(of_space).T
    by_slopes = slopes[:, None] * np.linalg.solve(matrix, patches)
    to_xyz = np.linalg.inv(from_xyz)
    away = steps(xyz_to_upvp((to_xyz @ patches).T), xyz_to_upvp((to_xyz @ by_slopes).T))
    assert row["residual_steps"] == pytest.approx(away.max())
    assert found.references == {"Made Up 7": REFERENCE}
    assert (found.space, found.messages) == (SPACE, ())


@pytest.mark.parametrize("space", list(SPACES))
def test_the_white_of_a_space_is_shown_as_white_and_what_is_shown_adapts_as_the_eye_does(space: str) -> None:
    """Grey stays grey; a colour is the one whose light, adapted after Bradford, is the same."""
    assert to_rec709(space) @ np.ones(3) == pytest.approx(np.ones(3), abs=2e-4)
    (from_xyz, white), (to_shown, shown) = working_space(space), working_space("lin_rec709")
    light = np.linalg.inv(from_xyz) @ [0.5, 0.3, 0.2]
    assert to_rec709(space) @ [0.5, 0.3, 0.2] == pytest.approx(to_shown @ bradford(white, shown) @ light)


def test_brightness_stays_where_it_is_not_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    found = corrected(monkeypatch, {"signal_g": 2000.0}, {"signal_g": 500.0})
    assert found.table["exposure_stops"].tolist() == [0.0, 0.0]
    assert found.table["u_exposure_stops"].tolist() == [0.0, 0.0]


def test_what_a_profile_says_is_brought_to_the_reference_in_its_terms(monkeypatch: pytest.MonkeyPatch) -> None:
    """The balance of a raw converter is that of the reference that frames of this body were seen in."""
    of_profile = {"source": "profile", "r_g": 0.44, "b_g": 0.52, "mired": 171.0, "duv": 0.001, "u_mired": 0.3,
                  "signal_g": np.nan, "observer": "Other"}  # fmt: skip
    found = corrected(monkeypatch, of_profile, {"r_g": 0.4})
    first, second = found.table.to_dict("records")
    assert (first["gain_r"], first["gain_b"]) == pytest.approx((1.25, 1.25))
    assert (first["multiplier_r"], first["multiplier_b"]) == pytest.approx((2.5, 1.25 / 0.6))
    assert (first["mired_shift"], first["u_mired_shift"]) == pytest.approx((11.0, 0.5))
    assert (first["flags"], first["u_observer_mired"]) == ("other_camera", 1.5)
    assert (second["gain_r"], second["flags"]) == (pytest.approx(1.25), "")
    assert found.references["Made Up 7"] is REFERENCE, "the lights that were seen come first"
    alone = corrected(monkeypatch, of_profile, references={})
    assert alone.references["Made Up 7"] is OF_PROFILE


def test_a_light_from_another_session_is_moved_to_as_this_body_sees_it(monkeypatch: pytest.MonkeyPatch) -> None:
    carried = replace(REFERENCE, seen=(177.0, 0.005))
    found = corrected(monkeypatch, {"mired": 180.0, "duv": 0.001}, references={"Made Up 7": carried})
    (row,) = found.table.to_dict("records")
    assert (row["mired_shift"], row["duv_shift"]) == pytest.approx((-3.0, 0.004))


def test_frames_without_light_or_reference_keep_their_row_and_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    unlit = {"source": "", "faults": ("no_flash",), "flags": "no_flash", "r_g": np.nan}
    dark = {"source": "", "trouble": "it is dark", "r_g": np.nan}
    found = corrected(monkeypatch, {}, unlit, dark, {"body": "Two"}, {"body": ""}, {"body": "Lost"},
                      lost={"Lost": "nothing ties it"})  # fmt: skip
    both = corrected(monkeypatch, {}, unlit | {"trouble": ", nor in any frame like it"})
    assert [one.own_fault for one in both.messages if isinstance(one, NotCorrected)] == [False]
    assert found.table["status"].tolist() == ["ok", *["rejected"] * 5]
    assert found.table["source"].tolist() == ["patch", *[""] * 5]
    assert np.isnan(found.table["gain_r"].iloc[1:]).all()
    assert sorted(found.matrices) == sorted(found.slopes) == ["f0"]
    said = [one for one in found.messages if isinstance(one, NotCorrected)]
    assert said[1:] == [
        NotCorrected("f2", "it is dark", False),
        NotCorrected("f3", "it is from another camera (Two) than the reference", False),
        NotCorrected("f4", "it is from another camera (unknown) than the reference", False),
        NotCorrected("f5", "nothing ties it", False),
    ]
    assert (said[0].frame, said[0].own_fault) == ("f1", True)
    with pytest.raises(GreystepError, match="no usable frame of that kind"):
        corrected(monkeypatch, {}, references={}, to="median")


def test_a_light_of_a_profile_has_no_reference_where_only_frames_were_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gains, "_profile_references", lambda *_: {})
    found = corrected(monkeypatch, {}, {"source": "profile", "body": "Made Up 7"})
    assert found.table["status"].tolist() == ["ok", "ok"]
    given = corrected(monkeypatch, {"source": "profile"}, {"body": "Made Up 7"}, references={})
    assert given.table["status"].tolist() == ["ok", "rejected"]
    (said,) = (one for one in given.messages if isinstance(one, NotCorrected))
    assert said == NotCorrected("f1", "the reference is not known in the terms of its source", False)


def test_frames_are_brought_to_the_trend_of_their_series_where_one_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two frames meet in their mean; the balance for a converter is still that of the reference."""
    found = corrected(monkeypatch, {"r_g": 0.4, "shot": 0}, {"r_g": 0.5, "shot": 1}, smooth_over=9)
    middle = np.sqrt(0.4 * 0.5)
    assert found.table["gain_r"].tolist() == pytest.approx([middle / 0.4, middle / 0.5])
    assert found.table["multiplier_r"].tolist() == pytest.approx([middle / 0.4 / 0.5, middle / 0.5 / 0.5])
    camera = found.developed["Made Up 7"]
    for name, red in (("f0", 0.4), ("f1", 0.5)):
        slopes = (camera @ [middle, 1.0, 0.6]) / (camera @ [red, 1.0, 0.6])
        assert found.slopes[name] == pytest.approx(slopes), "to the neutral on the trend"


# --- what is asked ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("to", "profile", "elsewhere", "smooth", "of_itself", "of_frames", "of_profile"),
    [
        (None, False, False, None, True, None, None),
        ("median", False, False, None, True, MedianFrame(), MedianFrame()),
        ("frame:f0", True, False, None, True, OneFrame("f0"), OneFrame("f0")),
        ("A@full", False, False, None, False, HeadAtPower("A", 0.0), HeadAtPower("A", 0.0)),
        (None, True, False, None, False, "of the test", "of the test"),
        (None, False, True, None, False, None, None),
        ("median", True, True, None, False, None, MedianFrame()),
        ("A@full", True, False, 5, False, MedianFrame(), HeadAtPower("A", 0.0)),
    ],
)
def test_where_a_reference_is_sought(
    monkeypatch: pytest.MonkeyPatch,
    to: str | None,
    profile: bool,
    elsewhere: bool,
    smooth: int | None,
    of_itself: bool,
    of_frames: object,
    of_profile: object,
) -> None:
    """Whether frames can be compared among themselves, and what is asked of frames and of the profile."""
    given = frames({})
    lit = tuple(lit_frame(**one) for one in given)
    sources = Sources(lit, lit_table(readings(given), lit), {"Made Up 7": BODY}, {}, frozenset(), ())
    asked: dict[str, Any] = {}
    monkeypatch.setattr(gains, "_reading_for", lambda settings, given: (settings, given))
    parsed = {"median": MedianFrame(), "frame:f0": OneFrame("f0"), "A@full": HeadAtPower("A", 0.0)}
    monkeypatch.setattr(gains, "parse_reference", lambda text, settings: parsed[text])
    monkeypatch.setattr(gains, "profile_wanted", lambda given: "of the test")
    monkeypatch.setattr(gains, "find_sources", lambda *words: asked.update(sources=words) or sources)
    monkeypatch.setattr(
        gains, "_references", lambda *words: asked.update(frames=words) or ({"Made Up 7": REFERENCE}, {})
    )
    monkeypatch.setattr(gains, "_profile_references", lambda *words: asked.update(profile=words) or {})
    monkeypatch.setattr(gains, "one_light", lambda *_: None)
    ingested: Any = SimpleNamespace(settings="settings")
    test: Any = "profile" if profile else None
    other: Any = "elsewhere" if elsewhere else None
    correct_frames(ingested, to, profile=test, elsewhere=other, smooth_over=smooth)
    assert asked["sources"] == (ingested, test, to, of_itself, None)
    assert asked["frames"] == (sources, ingested, of_frames, to or "", test, other)
    assert asked["profile"] == (sources, "settings", of_profile, to or "", test)


def references(
    monkeypatch: pytest.MonkeyPatch, own: set[str], wanted: Any, profile: Any, elsewhere: Any
) -> tuple[dict[str, Any], dict[str, str]]:
    """The references of five bodies: of those that hold their own, and of others by what another session says."""

    def of_other(*words: Any) -> tuple[Any, str]:
        if words[2] == "Broken":
            raise GreystepError("cannot be read")
        return (None if words[2] == "Nothing" else words), "there"

    def find(mine: Any, lights: str, body: Any, asked: Any, label: str) -> Any:
        return (mine["frame"].tolist(), lights, asked, label) if body.label in own else None

    def brought(theirs: Any, other: Any, others: Any, there: str, mine: Any, lights: str, body: Any, own: Any) -> Any:
        return theirs, other, others, there, mine["frame"].tolist(), lights, body.label, own

    monkeypatch.setattr(gains, "find_lights", lambda table: f"lights of {table}")
    monkeypatch.setattr(gains, "wanted_here", lambda settings, lights, label: f"usual of {label}")
    monkeypatch.setattr(gains, "_of_other", of_other)
    monkeypatch.setattr(gains, "carried", brought)
    monkeypatch.setattr(gains, "find_reference", find)
    labels = ["One", "Two", "One", "Nothing", "Broken", "Two", "Alone", "Of a profile"]
    seen = ["patch", "nearby", "overlap", "patch", "patch", "profile", "overlap", "profile"]
    table = pd.DataFrame({"frame": [f"f{at}" for at in range(8)], "body": labels, "source": seen})
    bodies = {label: SimpleNamespace(label=label) for label in labels}
    sources: Any = SimpleNamespace(rows=table, bodies=bodies, relative=frozenset({"Alone"}))
    ingested: Any = SimpleNamespace(readings="here", settings="settings")
    return gains._references(sources, ingested, wanted, "as asked", profile, elsewhere)


def test_a_body_has_its_own_reference_or_none(monkeypatch: pytest.MonkeyPatch) -> None:
    found, lost = references(monkeypatch, {"One", "Alone", "Of a profile"}, None, None, None)
    assert found == {
        "One": (["f0", "f2"], "lights of here", "usual of One", "as asked"),
        "Alone": (["f6"], "lights of here", "usual of Alone", "as asked"),
    }
    assert lost == {}
    found, _ = references(monkeypatch, {"Two"}, "wanted", None, None)
    assert found == {"Two": (["f1"], "lights of here", "wanted", "as asked")}


def test_a_body_without_its_own_has_that_of_the_test_brought_over(monkeypatch: pytest.MonkeyPatch) -> None:
    profile: Any = SimpleNamespace(ingested="the test", lights="lights of the test")
    found, lost = references(monkeypatch, {"One"}, "wanted", profile, None)
    theirs = ("the test", "lights of the test", "Two", "wanted", "as asked", profile)
    assert set(found) == {"One", "Two"}
    assert found["One"][0] == ["f0", "f2"]
    assert found["Two"] == (
        theirs,
        "the test",
        "lights of the test",
        "there",
        ["f1"],
        "lights of here",
        "Two",
        "settings",
    )
    assert lost == {
        "Broken": "cannot be read",
        "Alone": "no frame of its series holds a grey target, so it cannot be matched to another session",
    }


def test_another_session_stands_before_its_own_and_before_the_test(monkeypatch: pytest.MonkeyPatch) -> None:
    elsewhere, profile = SimpleNamespace(readings="there"), SimpleNamespace(ingested="the test", lights="tested")
    found, lost = references(monkeypatch, {"One", "Two"}, None, profile, elsewhere)
    for label, mine in (("One", ["f0", "f2"]), ("Two", ["f1"])):
        theirs = (elsewhere, "lights of there", label, None, "as asked", None)
        assert found[label] == (
            theirs,
            elsewhere,
            "lights of there",
            "there",
            mine,
            "lights of here",
            label,
            "settings",
        )
    assert set(found) == {"One", "Two"}
    assert set(lost) == {"Broken", "Alone"}


def test_bands_of_plates_are_added_with_their_factors_from_the_top() -> None:
    def plate(level: float) -> Developed:
        bands = [(top, np.full((2, 3, 3), level + top, np.float32)) for top in (0, 2)]
        return Developed(4, 3, iter(bands))

    found = list(plates._added([plate(1.0), plate(10.0)], [0.5, 2.0]))
    assert [top for top, _ in found] == [0, 2]
    assert [float(band[0, 0, 0]) for _, band in found] == [0.5 + 20.0, 1.5 + 24.0]
    assert all(band.dtype == np.float32 for _, band in found)
