"""What a plan asks for, row by row."""

import math

import numpy as np
import pytest

from greystep.session.plan_lights import Lights
from session.test_conductor_by_hand import plan_of

NAN = math.nan


def test_rows_are_of_one_level_by_head_and_place_and_of_one_light_by_kind_and_power() -> None:
    plan = plan_of("A0 A1 B0 - - A0", channel=["1", "1", "1", "1", "", "2"])
    lights = Lights.of(plan)
    assert lights.own.tolist() == [0, 0, 1, 2, 3, 4]
    assert len(set(lights.one.tolist())) == 6
    same = Lights.of(plan_of("A0 A0 A0.0004 A0.002 - - ? ?", kind=[*["flash"] * 4, "ambient", "dark", "job", "job"]))
    assert same.one.tolist() == [0, 0, 0, 1, 2, 2, 3, 3], "to a thousandth of a stop; frames without flash are alike"
    assert same.own.tolist() == [0] * 4 + [1] * 4
    unknown = Lights.of(plan_of("A0 A1 A1", stops=[0.0, NAN, 1.0], kind=["flash", "flash", "card"]))
    assert unknown.one.tolist() == [0, 1, 2]
    assert unknown.known.tolist() == [True, False, True]
    assert np.isnan(unknown.stops).tolist() == [False, True, False]


def test_a_check_frame_is_a_flash_whatever_its_kind() -> None:
    lights = Lights.of(
        plan_of("A0 A0 A0 A0", kind=["flash", "check", "flash", "job"], note=["", "", "check frame", ""])
    )
    assert lights.one.tolist() == [0, 0, 0, 1]
    assert lights.known.tolist() == [True, True, True, False]
    assert not lights.unlit.any()


def test_a_frame_must_be_within_half_of_the_finest_step_of_what_is_known() -> None:
    assert Lights.of(plan_of("A0 A0.6 B2 B2.4")).fits == pytest.approx(0.2)
    assert Lights.of(plan_of("A0 A0.004 A2")).fits == 0.45, "a hundredth of a stop is no step"
    odd = plan_of("A0 A0.2 A2", kind=["flash", "job", "flash"])
    assert Lights.of(odd).fits == 0.45, "a job frame's power tells no step"
    assert Lights.of(plan_of("- ?")).fits == 0.45


def test_the_iso_that_a_note_asks_for() -> None:
    notes = ["ISO 400", "at ISO 1600, later ISO 100", "MISO 200", "ISO", "ISO  50", ""]
    iso = Lights.of(plan_of("A0 A0 A0 A0 A0 A0", note=notes)).iso
    assert iso[:2].tolist() == [400.0, 1600.0]
    assert np.isnan(iso[2:]).all()
    assert np.isnan(Lights.of(plan_of("A0 A1 A2").drop(columns="note")).iso).tolist() == [True] * 3
