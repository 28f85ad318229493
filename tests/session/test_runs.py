"""How a head settles in a run from rest: by simulated runs of known course."""

import math

import numpy as np
import pandas as pd
import pytest

from greystep.sentences.session_notes import sentence
from greystep.session.runs import RUN_NOTE, Settles, run_rows, settling


def run_of(course: np.ndarray, head: str = "B", note: str = RUN_NOTE) -> pd.DataFrame:
    n = len(course)
    return pd.DataFrame(
        {
            "body": "X 1", "head": head, "power": "1/4", "kind": "flash", "note": note, "status": "ok", "flags": "",
            "shot": np.arange(n), "mired": course,
        }
    )  # fmt: skip


def simulated(rng: np.random.Generator, change: float, tau: float, n: int = 20, scatter: float = 0.3) -> pd.DataFrame:
    return run_of(180.0 + change * (1.0 - np.exp(-np.arange(n) / tau)) + rng.normal(0, scatter, n))


@pytest.mark.parametrize("change", [6.0, -8.0])
@pytest.mark.parametrize("tau", [3.0, 5.0])
def test_the_frames_until_a_quarter_of_the_limit_is_left(change: float, tau: float) -> None:
    """Closed form: change * exp(-k / tau) = limit / 4."""
    due = math.ceil(tau * math.log(abs(change) / 1.0))
    rng = np.random.default_rng(1)
    told = [settling(simulated(rng, change, tau, 30), 4.0)[0] for _ in range(60)]
    assert np.median([one.after for one in told]) == pytest.approx(due, abs=1)
    assert np.mean([one.mired for one in told]) == pytest.approx(change, abs=0.4)


def test_a_steady_head_is_hardly_ever_told_to_move() -> None:
    rng = np.random.default_rng(2)
    assert sum(settling(simulated(rng, 0.0, 5.0), 4.0)[0].after > 0 for _ in range(300)) <= 3


def test_a_head_that_still_moves_at_the_end_has_not_settled() -> None:
    (one,) = settling(simulated(np.random.default_rng(3), 12.0, 15.0), 4.0)
    assert one.after > one.frames


def test_what_is_no_run_or_cannot_be_used_is_left_out() -> None:
    rng = np.random.default_rng(4)
    assert settling(simulated(rng, 6.0, 3.0).assign(note=""), 4.0) == ()
    assert settling(simulated(rng, 6.0, 3.0, 4), 4.0) == ()  # too few to tell
    table = simulated(rng, 6.0, 3.0)
    table.loc[5, ["status", "mired"]] = "rejected", np.nan
    assert settling(table, 4.0)[0].frames == 20
    assert run_rows(table).all()
    both = pd.concat([table, run_of(np.full(20, 170.0) + rng.normal(0, 0.3, 20), "C")], ignore_index=True)
    assert [one.head for one in settling(both, 4.0)] == ["B", "C"]


def test_it_is_said() -> None:
    assert sentence(Settles("B", "1/4", 20, 9, 5.2)) == (
        "Head B at 1/4 settles after 9 frames of its run from rest: shoot 9 blanks first, or correct the stack. Until "
        "then it is up to 5.2 mired cooler."
    )
    assert sentence(Settles("B", "1/4", 20, 33, -5.2)) == (
        "Head B at 1/4 had not settled after the 20 frames of its run from rest, and was up to 5.2 mired warmer "
        "before: correct the stack, or plan a longer run."
    )
    assert sentence(Settles("B", "1/4", 20, 0, 0.1)) == (
        "Head B at 1/4 held its colour over the 20 frames of its run from rest: no blanks are needed."
    )
