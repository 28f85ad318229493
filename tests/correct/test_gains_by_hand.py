"""Trends of series, brightness, and why nothing can serve as reference: on a few frames written down."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from correct.test_doubts_by_hand import rows
from greystep.correct import frame_light, gains
from greystep.correct.frame_light import Sources
from greystep.correct.lit_frames import LitFrame, lit_table
from greystep.correct.references import Reference
from greystep.session.reference import HeadAtPower, MedianFrame, OneFrame
from greystep.session.settings import HeadInfo, Settings, load_settings
from helpers.lit_frames import lit_frame, readings


def sources_of(*frames: dict[str, Any]) -> Sources:
    given = [one | {"frame": f"f{at}"} for at, one in enumerate(frames)]
    lit = [lit_frame(**one) for one in given]
    return Sources(tuple(lit), lit_table(readings(given), lit), {}, {}, frozenset(), ())


def frame(shot: int, course: float, **more: Any) -> dict[str, Any]:
    """A frame of A at full whose light lies so far along a straight course."""
    light = {
        "shot": shot, "r_g": 0.5 * np.exp(0.01 * course), "b_g": 0.6 * np.exp(-0.02 * course),
        "signal_g": 8000.0 * 2.0 ** (0.1 * course), "mired": 180.0 + course, "duv": 0.001 + 1e-4 * course,
    }  # fmt: skip
    return rows([180.0])[0] | light | more


def test_a_series_is_one_light_at_one_exposure_in_the_order_of_its_shots() -> None:
    """Straight in the order of shots, out of it in the log: each frame keeps its own light; B's is another course."""
    shots = [3, 0, 4, 1, 2]
    series = [frame(2 * at, at) for at in shots]
    other = [frame(2 * at + 1, 50.0 - 3.0 * at, head="B") for at in shots]
    both = [one for pair in zip(series, other, strict=True) for one in pair]
    found = gains._trends(sources_of(*both), 5)
    assert sorted(found) == list(range(10))
    for place, given in enumerate(both):
        one = found[place]
        assert (one.label, one.u_mired) == ("trend", 0.0)
        assert one.neutral == pytest.approx((given["r_g"], 1.0, given["b_g"]))
        assert (one.green, one.mired, one.duv) == pytest.approx((given["signal_g"], given["mired"], given["duv"]))


@pytest.mark.parametrize(
    "unlike",
    [{"stops": 2.0}, {"head": "B"}, {"body": "Other"}, {"lights": "A@1/1 & B@1/1"}, {"f_number": 8.0}],
    ids=str,
)
def test_frames_of_another_light_or_setting_are_another_series(unlike: dict[str, Any]) -> None:
    """Two frames meet in their mean; a third of another light stays by itself."""
    found = gains._trends(sources_of(frame(0, 0.0), frame(1, 2.0), frame(2, 9.0, **unlike)), 9)
    assert [found[place].mired for place in range(3)] == pytest.approx([181.0, 181.0, 189.0])
    unknown = gains._trends(sources_of(frame(0, 0.0, stops=np.nan), frame(1, 2.0, stops=np.nan)), 9)
    assert unknown[0].mired == pytest.approx(181.0), "of one power that is not known"


def test_only_light_that_was_seen_in_the_frames_makes_a_trend() -> None:
    found = gains._trends(sources_of(frame(0, 0.0), frame(1, 2.0, source="overlap"), frame(2, 4.0, source="nearby"),
                                     frame(3, 99.0, source="profile"), frame(4, 99.0, source="")), 9)  # fmt: skip
    assert {place: round(one.mired, 9) for place, one in found.items()} == {0: 180.0, 1: 182.0, 2: 184.0}


def test_the_stops_that_bring_a_frame_to_the_reference() -> None:
    reference = Reference("A@full", (0.5, 1.0, 0.6), 8000.0, 180.0, 0.0, 0.1)
    dark: LitFrame = lit_frame(**rows([180.0])[0] | {"signal_g": 2000.0, "u_stops": 0.03})
    assert gains._stops(dark, reference) == (2.0, 0.03)
    stops, u_stops = gains._stops(dark, replace(reference, green=np.nan))
    assert (stops, np.isnan(u_stops)) == (0.0, True), "a white has no brightness"
    told = lit_frame(**rows([180.0])[0] | {"source": "profile", "error_stops": 0.25, "u_stops": 0.04})
    assert gains._stops(told, reference) == (-0.25, 0.04), "brighter than set: taken off"


def test_what_a_session_does_not_say_of_its_heads_the_test_says(tmp_path: Path) -> None:
    def settings(power: float | None, **heads: HeadInfo) -> Settings:
        return replace(load_settings(tmp_path), heads=heads, reference_power=power)

    own, tested = HeadInfo(max_energy_j=1200.0), HeadInfo(max_energy_j=600.0)
    profile: Any = SimpleNamespace(ingested=SimpleNamespace(settings=settings(1.0, A=tested, B=tested)))
    found = gains._reading_for(settings(None, A=own), profile)
    assert (found.heads, found.reference_power) == ({"A": own, "B": tested}, 1.0)
    assert gains._reading_for(settings(0.0), profile).reference_power == 0.0
    assert gains._reading_for(settings(None), None).reference_power is None


class AskedError(Exception):
    """What the sources were asked for."""


@pytest.mark.parametrize(
    ("to", "tested", "elsewhere", "of_itself"),
    [
        (None, False, False, True), (None, True, False, False), (None, False, True, False),
        ("median", False, False, True),
        ("median", True, False, True), ("frame:f0", True, False, True), ("A@full", False, False, False),
    ],
)  # fmt: skip
def test_a_series_needs_no_target_where_its_reference_is_one_of_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, to: str | None, tested: bool, elsewhere: bool, of_itself: bool
) -> None:
    def asked(*given: Any) -> Any:
        raise AskedError(*given)

    monkeypatch.setattr(gains, "find_sources", asked)
    monkeypatch.setattr(gains, "profile_wanted", lambda profile: None)
    settings = load_settings(tmp_path)
    ingested: Any = SimpleNamespace(settings=settings)
    profile: Any = SimpleNamespace(ingested=ingested) if tested else None
    other: Any = ingested if elsewhere else None
    with pytest.raises(AskedError) as caught:
        gains.correct_frames(ingested, to, profile=profile, elsewhere=other)
    assert caught.value.args == (ingested, profile, to, of_itself, None)


# --- why there is none ------------------------------------------------------------------------------------------------


def why(to: str | None, *frames: dict[str, Any], lost: dict[str, str] | None = None, trouble: str = "") -> str:
    lit = sources_of(*frames)
    return gains._no_reference(to, lit.rows.assign(trouble=trouble), lit, lost or {})


def test_why_nothing_can_serve_as_reference() -> None:
    good, blind = frame(0, 0.0), frame(1, 0.0, r_g=np.nan, flags="no_matrix", source="")
    assert why("kit", good, lost={"X": "of another session"}) == "of another session"
    assert why("frame:f0", good, trouble="it is dark") == "--to frame:f0: it cannot be the reference: it is dark"
    assert why("frame:f7", good, trouble="it is dark").startswith("--to frame:f7: no usable frame of that kind")
    assert why("frame:f0", good).startswith("--to frame:f0: no usable frame of that kind"), "nothing is told of it"
    assert why(None, blind).startswith("no colour matrix is known")
    lost = frame(1, 0.0, r_g=np.nan, source="")
    said = "no frame can serve as reference: 0 of 1 frames could be measured; the first: it is dark"
    assert why(None, lost, trouble="it is dark") == said
    assert why(None, good, blind) == (
        "no frame can serve as reference: 1 of 2 frames could be measured; measured: A@1/1; give one with --to"
    )
    named = why("B@full", good, frame(1, 0.0, head="B", power="1/4", kind="job", source="patch"))
    assert named.startswith("--to B@full: no usable frame of that kind; measured: A@1/1; or name ")
    assert "measured: none;" in why("B@full", frame(1, 0.0, kind="job", source="patch"))


# --- what a frame starts with -----------------------------------------------------------------------------------------


def test_a_patch_that_is_no_proven_card_is_told_and_a_card_is_the_source() -> None:
    def start(**more: Any) -> LitFrame:
        given = rows([180.0])[0] | {"source": "", "u_signal_g": 80.0, "shows_card": True} | more
        return frame_light._start(lit_frame(**given))

    card = start()
    assert (card.source, card.trouble) == ("patch", "")
    assert card.u_stops == pytest.approx(0.01 / np.log(2.0))
    picture = start(kind="job", shows_card=False)
    assert (picture.source, picture.trouble) == ("", "what stands at the place of the target may be no grey card")
    assert start(r_g=np.nan).trouble == "no grey target was measured in it"
    assert start(status="rejected", flags="uneven").trouble == "no grey target was measured in it"


def test_what_is_said_of_the_target_goes_where_the_light_is_known_from_elsewhere() -> None:
    marks = "clipped;uneven;tail_cut;light_changed"

    def cleared(source: str) -> set[str]:
        return set(frame_light._cleared(lit_frame(**rows([180.0])[0] | {"source": source, "flags": marks})).marks)

    assert cleared("patch") == set(marks.split(";"))
    assert cleared("overlap") == {"tail_cut", "light_changed"}
    assert cleared("") == {"clipped", "tail_cut", "light_changed"}, "what rejects it stays told"


def test_only_pictures_that_can_be_used_are_compared_with_others() -> None:
    def waits(**more: Any) -> bool:
        return frame_light._may_wait(lit_frame(**rows([180.0])[0] | {"kind": "job"} | more))

    assert waits()
    assert waits(flags="clipped")
    assert not waits(kind="flash")
    assert not waits(flags="damaged")


# --- references of profiles and of other sessions ---------------------------------------------------------------------


def profile_of(**light: Any) -> Any:
    """A profile whose every light is that of `light`; the camera and the lights that it was asked for."""
    return SimpleNamespace(asked=[], light=SimpleNamespace(**{"mired": 185.0, "duv": 0.001, "u_mired": 0.2} | light))


def test_the_reference_of_a_profile_may_be_a_frame_by_the_light_that_lit_it(monkeypatch: pytest.MonkeyPatch) -> None:
    found = profile_of()
    monkeypatch.setattr(gains, "light_at", lambda given, *asked: given.asked.append(asked) or given.light)
    monkeypatch.setattr(gains, "white", lambda *given: given)
    lit = sources_of(frame(0, 0.0, source="profile", observer="Test camera"), frame(1, 0.0, head="B", stops=1.0))
    sources = replace(lit, seen_by={"Made Up 7": "the body", "Other": "another"})  # type: ignore[dict-item]
    settings: Any = None
    named = gains._profile_references(sources, settings, OneFrame("f1"), "frame:f1", found)
    assert named["Made Up 7"] == ("frame:f1", "the body", pytest.approx(1e6 / 185.0), 0.001, 0.2)
    assert found.asked == [("Test camera", "B", 1.0), ("Other", "B", 1.0)], "in the terms of the camera of the test"
    assert gains._profile_references(sources, settings, OneFrame("none"), "", found) == {}
    several = replace(lit, seen_by={"Made Up 7": "the body"}, frames=(replace(lit.frames[0], lights="A & B"),))  # type: ignore[dict-item]
    assert gains._profile_references(several, settings, OneFrame("f0"), "", found) == {}, "lit by two heads"
    assert gains._profile_references(sources, settings, None, "", found) == {}
    assert gains._profile_references(sources, settings, OneFrame("f1"), "", None) == {}


def test_the_reference_of_a_profile_may_be_a_light_of_the_test(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[tuple[Any, ...]] = []
    monkeypatch.setattr(gains, "profile_reference", lambda given, *rest: asked.append(rest) or "of the test")
    monkeypatch.setattr(gains, "find_reference", lambda rows, *rest: asked.append((len(rows), *rest)) or None)
    given = [frame(0, 0.0, source="profile"), frame(1, 0.0), frame(2, 0.0, source="profile", body="Other")]
    sources: Any = replace(sources_of(*given), seen_by={"Made Up 7": "the body"})
    settings: Any = None
    wanted = HeadAtPower("A", 0.0)
    assert gains._profile_references(sources, settings, wanted, "A@full", profile_of()) == {"Made Up 7": "of the test"}
    assert gains._profile_references(sources, settings, MedianFrame(), "median", profile_of()) == {}
    assert asked == [("Made Up 7", "the body", wanted, "A@full"), (1, None, "the body", MedianFrame(), "median")]


def test_what_another_camera_may_see_otherwise_is_told_of_its_profile_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gains, "light_at", lambda given, *asked: asked)
    monkeypatch.setattr(gains, "observer_mired", lambda given, light, reference: (light, reference))
    settings: Any = None
    reference: Any = "reference"

    def observer(profile: Any, **more: Any) -> Any:
        return gains._observer(lit_frame(**frame(0, 0.0) | more), reference, profile, settings)

    assert observer(profile_of(), observer="Test camera") == (("Test camera", "A", 0.0), "reference")
    assert np.isnan(observer(profile_of()))
    assert np.isnan(observer(None, observer="Test camera"))
    assert np.isnan(observer(profile_of(), observer="Test camera", stops=np.nan)), "its power is not known"


def test_another_session_is_read_by_the_same_camera_or_by_its_first(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[Any, ...]] = []
    monkeypatch.setattr(gains, "profile_reference", lambda *given: asked.append(given[1:]) or "of the test")
    monkeypatch.setattr(gains, "find_reference", lambda rows, *given: asked.append((len(rows), *given)) or "found")
    monkeypatch.setattr(gains, "wanted_here", lambda settings, lights, body: f"usual of {body}")
    cards = readings([frame(0, 0.0), frame(1, 0.0, body="Two"), frame(2, 0.0, body="Two"), frame(3, 0.0, kind="job")])
    other: Any = SimpleNamespace(readings=cards, bodies={"Two": "body 2", "Made Up 7": "body 7"}, settings=None)
    lights: Any = "lights"
    wanted = HeadAtPower("A", 0.0)
    assert gains._of_other(other, lights, "Made Up 7", wanted, "A@full", profile_of()) == ("of the test", "Made Up 7")
    assert gains._of_other(other, lights, "Unknown", wanted, "A@full", None) == ("found", "Two")
    assert gains._of_other(other, lights, "Made Up 7", None, "", None) == ("found", "Made Up 7")
    assert gains._of_other(other, lights, "Made Up 7", MedianFrame(), "median", profile_of())[0] == "found"
    assert asked == [
        ("Made Up 7", "body 7", wanted, "A@full"), (2, "lights", "body 2", wanted, "A@full"),
        (1, "lights", "body 7", "usual of Made Up 7", ""), (1, "lights", "body 7", MedianFrame(), "median"),
    ]  # fmt: skip
