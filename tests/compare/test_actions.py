"""What is asked of single heads, from findings written down here."""

import math
from types import SimpleNamespace
from typing import Any

from greystep.compare.actions import ShootEmpty, ShootRounds, _to_shoot


def head(name: str, **more: Any) -> Any:
    usual = {"head": name, "back": False, "spoilt": False, "empty": (), "colourless": False, "rounds": 2.0, "cells": 3}
    return SimpleNamespace(**usual | more)


def test_heads_that_need_the_same_share_one_action() -> None:
    found = _to_shoot([head("A"), head("B"), head("C", rounds=4.0), head("D", cells=5)])
    assert found == [ShootRounds(("A", "B"), 2.0, 3), ShootRounds(("C",), 4.0, 3), ShootRounds(("D",), 2.0, 5)]


def test_of_an_empty_power_that_is_shot_first() -> None:
    found = _to_shoot([head("A", empty=("1/4",)), head("B", empty=("1/4",), rounds=0.0), head("C", empty=("1/2",))])
    assert found == [ShootEmpty(("A", "B"), ("1/4",)), ShootEmpty(("C",), ("1/2",))]


def test_nothing_is_asked_of_a_head_that_goes_back_is_spoilt_has_no_colour_or_cannot_be_decided() -> None:
    none = [
        head("A", back=True), head("B", spoilt=True), head("C", rounds=0.0), head("D", rounds=math.inf),
        head("E", empty=("1/4",), colourless=True), head("F", empty=("1/4",), back=True),
    ]  # fmt: skip
    assert _to_shoot(none) == []
