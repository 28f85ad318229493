"""What is called of heads and kit, from rows and reasons that are written down; warm-ups by their formula."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from greystep.compare.called import Called, WarmUp, call_heads, call_kit, find_warm_up, groups_apart, lone_heads
from greystep.compare.drift import Drift
from greystep.compare.limits import colour_limits, judge_rows, own_rows
from greystep.session.settings import Tolerance
from greystep.terms import Quantity, Verdict, Withheld
from helpers.kits import drift_of

LIMITS = Tolerance(4.0, 0.001, None, None, 0.1, False)
IN, OUT, OPEN = Verdict.WITHIN, Verdict.OUTSIDE, Verdict.UNDECIDED
WARM = WarmUp(9.0, 0.1, 5, False, True)


def calls(
    drift: Drift,
    tolerance: Tolerance = LIMITS,
    warm: list[WarmUp | None] | None = None,
    held: dict[int, str] | None = None,
    quantity: Quantity = Quantity.MIRED,
) -> list[Called]:
    """Call heads; some rows of a quantity are held back."""
    rows = judge_rows(drift, tolerance)
    for at, reason in (held or {}).items():
        withheld = rows[quantity].withheld.copy()
        withheld[at] = reason
        rows[quantity] = replace(rows[quantity], withheld=withheld)
    return call_heads(drift, rows, warm or [None] * len(drift.heads))


def test_each_head_by_its_own_colour_and_output() -> None:
    drift = drift_of(
        [[180.0, 180.0], [180.0, 190.0], [180.0, 180.0], [180.0, None]],
        output=[[0.0, 0.0], [0.0, 0.0], [0.0, 0.3], [0.0, 0.0]],
    )
    found = calls(drift)
    assert [(one.colour, one.output) for one in found] == [(IN, IN), (OUT, IN), (IN, OUT), (OPEN, OPEN)]
    assert [one.verdict for one in found] == [IN, OUT, OUT, OPEN]
    assert all(one.withheld == () for one in found)
    only = calls(drift, Tolerance(4.0, None, None, None, None, False))
    assert [one.output for one in only] == [None] * 4
    bright = calls(drift, Tolerance(None, None, None, None, 0.1, False))
    assert [one.colour for one in bright] == [None] * 4
    assert [one.verdict for one in bright] == [IN, IN, OUT, OPEN]


def test_within_asks_the_span_and_its_half_width_against_the_limit() -> None:
    drift = drift_of([[180.0, 183.0]])
    reach = float((drift.heads["span_mired"] + drift.heads["u_span_mired"])[0])
    for limit, verdict in ((reach + 1e-6, IN), (reach - 1e-6, OPEN)):
        assert calls(drift, Tolerance(limit, None, None, None, None, False))[0].colour == verdict


def test_a_reason_holds_a_verdict_back_and_is_told_unless_the_head_is_outside() -> None:
    drift = drift_of([[180.0, 180.0], [180.0, 180.0]], output=[[0.0, 0.0], [0.0, 0.3]])
    found = calls(drift, held={0: "room"})
    assert (found[0].colour, found[0].output, found[0].withheld) == (OPEN, IN, (Withheld.ROOM,))
    assert (found[1].colour, found[1].output, found[1].withheld) == (IN, OUT, ())
    other = calls(drift, held={1: "room"})
    assert (other[1].colour, other[1].output, other[1].withheld) == (OPEN, OUT, ()), "outside needs no reason"
    assert other[0].withheld == ()
    pairs = calls(drift, held={2: "unwatched", 3: "unwatched"})
    assert [one.withheld for one in pairs] == [(), ()], "what lies between heads is not of one"
    bright = calls(drift, held={0: "room"}, quantity=Quantity.OUTPUT_STOPS)
    assert (bright[0].colour, bright[0].output, bright[0].withheld) == (IN, OPEN, (Withheld.ROOM,))


def test_where_heat_hides_nothing_is_outside() -> None:
    drift = drift_of([[180.0, 190.0], [180.0, 180.0]])
    found = calls(drift, held={0: "heat"})
    assert (found[0].colour, found[0].withheld) == (OPEN, (Withheld.HEAT,))


def test_a_warm_up_beyond_the_limit_leaves_colour_open_and_output_as_it_is() -> None:
    drift = drift_of([[180.0, 180.0], [180.0, 190.0]])
    found = calls(drift, warm=[WARM, WARM])
    assert (found[0].colour, found[0].output, found[0].withheld) == (OPEN, IN, (Withheld.WARMS_UP,))
    assert (found[1].colour, found[1].withheld) == (OUT, ())
    steady = calls(drift, warm=[replace(WARM, beyond=False), None])
    assert steady[0].colour == IN


def test_one_light_alone_is_compared_with_nothing_and_reasons_keep_their_order() -> None:
    alone = drift_of([[180.0], [180.0, 180.0]], bodies=["One", "Two"])
    assert lone_heads(alone).tolist() == [True, False]
    found = calls(alone, held={0: "heat"})
    assert (found[0].colour, found[0].withheld) == (OPEN, (Withheld.NOT_COMPARED,))
    assert found[1].withheld == (Withheld.HEAT,)
    two = drift_of([[180.0], [180.0], [181.0]], bodies=["One", "One", "Two"])
    assert lone_heads(two).tolist() == [False, False, True]
    both = calls(alone, held={0: "room"}, warm=[None, WARM])
    assert both[1].withheld == (Withheld.ROOM, Withheld.WARMS_UP)


# --- the kit ----------------------------------------------------------------------------------------------------------


def test_the_kit_is_the_worst_of_heads_and_pairs() -> None:
    drift = drift_of([[180.0, 180.0], [180.0, 180.0]])
    rows = judge_rows(drift, LIMITS)
    fine, off = Called(IN, IN), Called(IN, OUT)
    assert call_kit(drift, rows, [fine, fine], [IN], ()) == Called(IN, IN)
    assert call_kit(drift, rows, [fine, off], [IN, OPEN], ()) == Called(OPEN, OUT)
    assert call_kit(drift, rows, [fine, Called(OPEN, None, (Withheld.ROOM, Withheld.WARMS_UP))], [OUT], ()) == Called(
        OUT, IN, (Withheld.ROOM, Withheld.WARMS_UP)
    )
    assert call_kit(drift, rows, [fine], [IN], (("A",), ("B",))) == Called(OPEN, IN, (Withheld.NOT_COMPARED,))
    assert call_kit(drift, rows, [Called(None, IN)], [], ()) == Called(None, IN)
    assert call_kit(drift, rows, [Called(IN, None)], [], ()) == Called(IN, None)
    own = own_rows(drift, rows)
    held = rows[Quantity.DUV].withheld.copy()
    held[[0, own]] = "room", "unwatched"
    rows[Quantity.DUV] = replace(rows[Quantity.DUV], withheld=held)
    assert call_kit(drift, rows, [fine], [IN], ()).withheld == (Withheld.UNWATCHED,), "own rows count by their head"


def test_heads_that_no_camera_saw_together_are_in_groups() -> None:
    one = [[180.0]]
    assert groups_apart(drift_of(one * 3, bodies=["One", "Two", "One"])) == (("A", "C"), ("B",))
    assert groups_apart(drift_of(one * 2)) == ()
    shared = drift_of(one * 4, bodies=["One", "One", "Two", "Two"], names="ABAC")
    assert groups_apart(shared) == (("A", "B"), ("A", "C")), "B and C were not"
    all_seen = drift_of(one * 4, bodies=["One", "One", "Two", "Two"], names="ABAB")
    assert groups_apart(all_seen) == ()


# --- a warm-up --------------------------------------------------------------------------------------------------------


def warm_up(size: float, limits: Tolerance, mired: float = 180.0, tested: int = 40, **more: Any) -> WarmUp | None:
    """Return the warm-up of the second head, one power 40 times; time constant 80 s, a flash every 10 s."""
    drift = drift_of([[170.0, 170.0], [mired, mired]])
    own = {"tau": 80.0} | {key: more.pop(key) for key in ("driver", "tau") if key in more}
    heat = replace_of(drift.frames.heat, **own)
    frames = replace_of(drift.frames, head=np.repeat([0, 1], [3, tested]), heat=heat, **more.pop("frames", {}))
    table = drift.heads.assign(warmup_mired=[0.0, size], u_warmup_mired=[0.0, 0.5], warmup_kept=True, moved_mired=0.0)
    for name, value in more.items():
        table[name] = value
    return find_warm_up(replace(drift, frames=frames, heads=table, timing=replace(drift.timing, frame_s=10.0)),
                        colour_limits(limits), 1)  # fmt: skip


def replace_of(one: Any, **fields: Any) -> Any:
    return type(one)(**vars(one) | fields)


MIRED = Tolerance(4.0, None, None, None, None, False)


def test_flashes_until_a_quarter_of_the_limit_is_left() -> None:
    """Of 9 mired e^-n/8 is left after n flashes: 8 ln(9 / 1) = 17.6."""
    found = warm_up(9.0, MIRED)
    assert found == WarmUp(9.0, 0.5, 18, False, True)
    assert warm_up(-9.0, MIRED) == WarmUp(-9.0, 0.5, 18, False, True)
    assert warm_up(9.0, MIRED, tested=18) == WarmUp(9.0, 0.5, 18, True, True), "the test had no more"
    assert warm_up(9.0, MIRED, tested=7) == WarmUp(9.0, 0.5, 7, True, True)
    assert warm_up(0.9, MIRED) == WarmUp(0.9, 0.5, 1, False, False), "less than a quarter: one flash"
    assert warm_up(3.4, MIRED) == WarmUp(3.4, 0.5, math.ceil(8.0 * math.log(3.4)), False, False)
    by_shots = warm_up(9.0, MIRED, driver="shots", tau=4.0)
    assert by_shots is not None
    assert by_shots.flashes == math.ceil(4.0 * math.log(9.0))
    untimed = warm_up(9.0, MIRED, frames={"seconds": np.zeros(0)}, tau=4.0)
    assert untimed is not None
    assert untimed.flashes == math.ceil(4.0 * math.log(9.0))
    endless = warm_up(9.0, MIRED, tau=np.inf)
    assert endless is not None
    assert endless.flashes == 1


def test_a_warm_up_is_told_where_it_is_kept_and_beyond_its_doubt() -> None:
    assert warm_up(0.5, MIRED) is None
    assert warm_up(0.51, MIRED) is not None
    assert warm_up(9.0, MIRED, warmup_kept=False) is None
    assert warm_up(np.nan, MIRED) is None
    unknown = warm_up(9.0, MIRED, u_warmup_mired=np.nan)
    assert unknown is not None
    assert unknown.u_mired == 0.0


def test_a_warm_up_is_beyond_the_limit_by_itself_or_with_what_power_does() -> None:
    for size, moved, beyond in (
        (3.6, 0.0, True),
        (3.4, 0.0, False),
        (2.0, 4.1, True),
        (2.0, 3.9, False),
        (2.0, np.nan, False),
    ):
        found = warm_up(size, MIRED, moved_mired=moved)
        assert found is not None
        assert found.beyond == beyond


@pytest.mark.parametrize(
    ("limits", "limit"),
    [
        (Tolerance(None, None, None, 100.0, None, False), 100.0 * 200.0**2 / 1e6),
        (Tolerance(None, None, 2.0, None, None, False), 2.0 * 2.2),
        (Tolerance(4.0, None, 1.0, 500.0, None, False), 2.2),
        (Tolerance(None, 0.001, None, None, 0.1, False), math.inf),
    ],
)
def test_the_limit_of_warmth_at_the_colour_of_the_head(limits: Tolerance, limit: float) -> None:
    """At 200 mired 100 K are 4 mired; a step of colour is 2.2 mired; the narrowest counts."""
    found = warm_up(40.0, limits, mired=200.0, tested=99)
    assert found is not None
    assert found.flashes == max(1, math.ceil(8.0 * math.log(40.0 / (0.25 * limit))) if limit < math.inf else 1)
    assert found.beyond == (limit < math.inf)
