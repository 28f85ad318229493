"""What a person is told to do before each box, by hand."""

import math

import numpy as np
import pandas as pd
import pytest

from greystep.sentences.shoot import not_taken_text, steps_to
from greystep.session.conductor import Conducted

WARM = "3 warm-up shots at full before"


def steps(*rows: str, shot: int = -1, **columns: list[str]) -> tuple[str, ...]:
    """Steps to the last of rows ``HEAD STOPS; NOTE``, the ones before it shot in their order (`shot` of them)."""
    cells = [row.partition("; ") for row in rows]
    light = [first.split() for first, _, _ in cells]
    plan = pd.DataFrame(
        {
            "head": ["" if len(one) < 2 else one[0] for one in light],
            "stops": [math.nan if len(one) < 2 else float(one[1]) for one in light],
            "kind": ["flash" if len(one) == 2 else one[0] for one in light],
            "note": [note for *_, note in cells],
            **columns,
        }
    )
    due = len(rows) - 1
    frames = np.arange(len(rows))
    frames[due if shot < 0 else shot :] = -1
    return steps_to(plan, Conducted(frames, (), due))


def test_a_power_that_is_lowered_is_dumped() -> None:
    assert steps("A 0", "A 2") == ("turn down", "dump", "wait for ready")
    assert steps("A 2", "A 0") == ("turn up", "wait for ready")
    assert steps("A 2", "A 2") == ("wait for ready",)
    assert steps("A 2", "ambient") == ("flash off",)
    assert steps("A 2", "dark") == ("flash off", "lens cap on")


def test_a_head_is_warmed_up_at_full_and_then_turned_down() -> None:
    change = "change to head B: pack off and discharged first, as its maker says"
    assert steps("ambient", f"A 0; {WARM}") == ("3 warm-up shots at full, no frame", "wait for ready")
    assert steps("A 0", f"B 4; {WARM}; after a dump") == (
        change, "3 warm-up shots at full, no frame", "turn down", "dump", "wait for ready",
    )  # fmt: skip
    assert steps("A 0", "B 4") == (change, "wait for ready")
    assert steps(f"A 0; {WARM}", f"A 0; {WARM}") == ("wait for ready",), "it is warm by then"


def test_the_iso_is_told_where_it_changes() -> None:
    assert steps("A 0; ISO 100") == ("set ISO 100", "wait for ready")
    assert steps("A 0; ISO 100", "A 0; ISO 100") == ("wait for ready",)
    assert steps("A 0; ISO 100", "A 2; after a dump; ISO 400") == ("set ISO 400", "turn down", "dump", "wait for ready")
    assert steps("A 0; ISO 100", "ambient; ISO 400") == ("set ISO 400", "flash off")
    assert steps("A 0; ISO 100", "ambient", "A 0; ISO 100") == ("wait for ready",), "no ISO is asked for in between"


def test_a_run_from_rest_begins_without_a_warm_up() -> None:
    rest = "from rest: no warm-up, at the pace of the stack"
    assert steps("A 0", "B 2; run from rest")[1:] == (rest, "wait for ready")
    assert steps("A 0", "B 2; run from rest", "B 2; run from rest") == ("wait for ready",)


def test_a_head_that_fires_beside_is_plugged_in_and_out() -> None:
    beside = "B fires with it, from the same pack, kept off the target"
    assert steps("A 0", "A 0", **{"with": ["", "B"]}) == (beside, "wait for ready")
    assert steps("A 0", "A 0", **{"with": ["B", "B"]}) == ("wait for ready",)
    assert steps("A 0", "A 0", **{"with": ["B", ""]}) == ("B no longer fires with it", "wait for ready")


@pytest.mark.parametrize("name", ["pack", "channel", "modifier"])
def test_what_else_parts_lights_is_told_where_it_changes(name: str) -> None:
    assert steps("A 0", "A 0", **{name: ["one", "one"]}) == ("wait for ready",)
    assert steps("A 0", "A 0", **{name: ["one", "two"]}) == (f"{name} two", "wait for ready")
    assert steps("A 0", **{name: ["two"]}) == (f"{name} two", "wait for ready")


def test_what_is_typed_in_vain_is_answered_with_what_may_be_typed() -> None:
    assert not_taken_text("set", "rubbish", True, False) == '"rubbish": not done; type undo, again, skip or note TEXT'
    assert not_taken_text("skip", "", False, True).startswith("skip: not done; type head and power, undo, or note TEXT")
    assert not_taken_text("set", "", False, False).startswith("set: not done; the log names its frames")
