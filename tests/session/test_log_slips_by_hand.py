"""Where log and frames slipped, by trying every place, and what is said of it."""

from dataclasses import asdict
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.errors import FaultsError
from greystep.raw.exposure import Exposure
from greystep.session import log_slips
from greystep.session.log_slips import Gap, Slip, gap_text, miscount, slip_text
from helpers.logs import log

INF, NAN = np.inf, np.nan


def test_a_long_pause_parts_heads_where_about_so_many_are_long() -> None:
    pauses = np.array([5.0, 6.0, 300.0, 5.0, 7.0, 200.0, 5.0])
    assert log_slips._long_pause(pauses, 2, 0) == 200.0
    assert log_slips._long_pause(pauses, 1, 1) == 200.0, "one more may be long"
    assert log_slips._long_pause(pauses, 1, 0) is not None
    assert log_slips._long_pause(pauses, 0, 0) is None
    assert log_slips._long_pause(np.full(5, 5.0), 2, 0) is None, "none is long"
    assert log_slips._long_pause(np.array([5.0, NAN, 9.0]), 1, 0) is None
    assert log_slips._long_pause(np.array([0.0, 0.0, 3.0, 0.0, 0.0]), 1, 0) == 3.0
    assert log_slips._long_pause(np.array([1.0, 20.0, 30.0, 40.0, 100.0]), 1, 3) is None, "all but one are long"


def traces(heads: str, pauses: list[int] | None, settings: str) -> Any:
    cells = [(head, 0.0, "flash") for head in heads]
    return log_slips._Traces(list(heads), cells, [(float(ord(one)),) for one in settings], pauses)


def test_two_steps_disagree_by_pauses_and_by_settings() -> None:
    told = traces("AAB", [0, 0, 1], "xxy")
    assert log_slips._step_cost(told, (0, 1), (0, 1)) == 0
    assert log_slips._step_cost(told, (1, 2), (1, 2)) == 0
    assert log_slips._step_cost(told, (1, 2), (0, 1)) == 1, "another head without a pause"
    assert log_slips._step_cost(told, (0, 1), (1, 2)) == 2, "a pause and other settings within one light"
    assert log_slips._step_cost(traces("AAB", None, "xxy"), (1, 2), (0, 1)) == 0
    assert log_slips._step_cost(traces("AB", [0, 1], "xy"), (0, 1), (0, 1)) == 0


@pytest.mark.parametrize("seed", range(8))
def test_slips_lie_where_some_best_alignment_has_them(seed: int) -> None:
    rng = np.random.default_rng(seed)
    heads = "".join(np.repeat(list("ABC"), rng.integers(1, 4, 3)))
    frames = len(heads) - 1 if seed % 2 else len(heads) + 1
    pauses = np.cumsum(rng.random(frames) < 0.4).tolist()
    told = traces(heads, pauses, "".join(rng.choice(list("xy"), frames)))
    ranges, best = log_slips._align(told, 1)
    longer = max(len(heads), frames)
    costs = []
    for left_out in range(longer):
        kept = [at for at in range(longer) if at != left_out]
        pairs = (
            list(zip(kept, range(longer - 1), strict=True))
            if frames < len(heads)
            else list(zip(range(longer - 1), kept, strict=True))
        )
        costs.append(sum(log_slips._step_cost(told, (a[0], b[0]), (a[1], b[1])) for a, b in pairwise(pairs)))
    good = [at for at, cost in enumerate(costs) if cost == min(costs)]
    assert best == min(costs)
    assert ranges == [(good[0], good[-1])]


def test_a_slip_at_the_end_and_at_the_start() -> None:
    """Rows A, A, B and two frames without a pause between them: the last row has none; A, B, B likewise the first."""
    assert log_slips._align(traces("AAB", [0, 0], "xx"), 1) == ([(2, 2)], 0)
    assert log_slips._align(traces("ABB", [0, 0], "xx"), 1) == ([(0, 0)], 0)
    assert log_slips._align(traces("AAABB", [0, 0, 0], "xxx"), 2) == ([(3, 3), (4, 4)], 0)


def test_what_is_said_of_a_slip() -> None:
    assert miscount(5, 4) == "5 rows, 4 frames in capture order: 1 frame too few"
    assert miscount(4, 6) == "4 rows, 6 frames in capture order: 2 frames too many"
    one = Gap("9", "9", 1, True, ("A 1/4", "A 1/4"))
    assert gap_text(one) == "row 9 (A 1/4): no frame"
    assert gap_text(Gap("9", "12", 4, True, ("A 1/4", "B 1/2"), "box")) == "boxes 9 to 12 (A 1/4 to B 1/2): no frame"
    assert gap_text(Gap("9", "12", 1, False, ("A 1/4", "A 1/4"))) == "rows 9 to 12 (A 1/4): 1 of them without a frame"
    assert gap_text(Gap("f1", "f1", 1, True, None)) == "f1: no row"
    assert gap_text(Gap("f1", "f4", 2, False, None)) == "f1 to f4: 2 of them without a row"
    assert slip_text(Slip("", one)) == "at the start, row 9 (A 1/4): no frame"
    assert slip_text(Slip("f07", one)) == "after f07, row 9 (A 1/4): no frame"
    rows = log("A0", "-", "B1")
    assert log_slips._rows_without_frame(rows, 0, 1, 2) == Gap("2", "3", 2, True, ("A 0", ["-", "ambient"][1]), "row")
    assert log_slips._frames_without_row(["a", "b", "c"], 0, 2, 2) == Gap("a", "c", 2, False, None)
    assert log_slips.between(5, 6, np.array([-1, 0, -1, 3, -1])) == [
        ((-1, -1), (1, 0)), ((1, 0), (3, 3)), ((3, 3), (5, 6))
    ]  # fmt: skip


# --- the whole way ----------------------------------------------------------------------------------------------------


def slips(rows: str, frames: int, captured: list[str] | None = None, times: list[float] | None = None) -> list[str]:
    """What is said of a log whose rows and frames differ in number: by pauses, and by times of exposure."""
    shots = log(*rows.split())
    exposures = [
        Exposure(captured=captured[at] if captured else "", exposure_s=times[at] if times else 0.01)
        for at in range(frames)
    ]
    with pytest.raises(FaultsError) as caught:
        log_slips.assign_frames(shots, [f"f{at}" for at in range(frames)], exposures)
    return list(caught.value.faults)


def clock(*seconds: int) -> list[str]:
    return [f"2026-03-02T09:{at // 60:02d}:{at % 60:02d}" for at in seconds]


def test_a_pause_tells_in_which_head_a_frame_is_missing_or_too_many() -> None:
    """Ten seconds from shot to shot, two minutes from head to head."""
    rows = "A0 A1 A2 B0 B1 B2"
    start = (
        "6 rows, {} frames in capture order: 1 frame too {}; correct the log or the folder so that the numbers agree"
    )
    few = slips(rows, 5, clock(0, 10, 130, 140, 150))
    assert few[0].startswith(start.format(5, "few"))
    assert few[1:] == ["rows 2 to 4 (A 0 to A 2): 1 of them without a frame"]
    many = slips(rows, 7, clock(0, 10, 20, 140, 150, 160, 170))
    assert many[0].startswith(start.format(7, "many"))
    assert many[1:] == ["f3 to f6: 1 of them without a row"]


def test_settings_tell_within_a_head_and_what_still_disagrees_is_told() -> None:
    """Repeats of a light have one time of exposure; the second light another."""
    found = slips("A0 A0 A0 A1 A1 A1", 5, times=[0.01, 0.01, 0.02, 0.02, 0.02])
    assert found[1:] == ["rows 2 to 4 (A 0): 1 of them without a frame"]
    torn = slips("A0 A0 A0 A1 A1 A1", 7, times=[0.01, 0.02, 0.01, 0.02, 0.02, 0.01, 0.02])
    assert torn[-1].startswith("so read, pauses or settings still disagree with the log at ")


def test_a_clock_that_says_no_time_is_not_known() -> None:
    shots = log("A0", "A1", "A2", "B0")
    for odd in ("", "2026-02-31T10:00:00", "never"):
        frames = pd.DataFrame([asdict(Exposure(0.008, 11.0, 100.0, one)) for one in (*clock(0, 5, 10), odd)])
        assert log_slips._traces(shots, frames).long_pauses is None
    times = [clock(0)[0], f"{clock(5)[0]}.25", *clock(10, 300)]  # some with a fraction
    known = pd.DataFrame([asdict(Exposure(0.008, 11.0, 100.0, one)) for one in times])
    assert log_slips._traces(shots, known).long_pauses == [0, 0, 0, 1]


def test_where_nothing_parts_the_frames_the_place_is_not_told() -> None:
    none = "the exposure data do not tell where the sequence slipped"
    assert slips("A0 A1 A2 A3 A4 A5", 5)[1:] == [none]
    assert slips("A0", 3)[1:] == [none]
    assert slips("A0 A0 A1", 40)[1:] == [none], "another folder"
    shots = log("A0", "A1")
    assert log_slips.assign_frames(shots, ["a", "b"], [Exposure(), Exposure()])["frame"].tolist() == ["a", "b"]


@pytest.mark.parametrize(
    ("ranges", "told"),
    [
        ([(2, 2), (7, 7)], ["row 4 (A 2): no frame", "row 9 (A 7): no frame"]),
        ([(2, 2), (3, 3)], ["rows 4 to 5 (A 2 to A 3): no frame"]),
        ([(2, 2), (3, 3), (4, 4)], ["rows 4 to 6 (A 2 to A 4): no frame"]),
        ([(2, 3), (4, 4)], ["rows 4 to 5 (A 2 to A 3): 1 of them without a frame", "row 6 (A 4): no frame"]),
        ([(2, 2), (3, 4)], ["row 4 (A 2): no frame", "rows 5 to 6 (A 3 to A 4): 1 of them without a frame"]),
        ([(2, 4), (4, 5)], ["rows 4 to 7 (A 2 to A 5): 2 of them without a frame"]),
        ([(0, 0), (9, 9)], ["row 2 (A 0): no frame", "row 11 (A 9): no frame"]),
        ([(1, 6), (3, 6)], ["rows 3 to 8 (A 1 to A 6): 2 of them without a frame"]),
        ([(1, 6), (3, 7)], [log_slips._NO_TRACE]),
    ],
)
def test_stretches_that_meet_are_told_as_one(
    ranges: list[tuple[int, int]], told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten rows and eight frames: where two rows have none is known to lie in these."""
    monkeypatch.setattr(log_slips, "_align", lambda traces, surplus: (ranges, 0))
    monkeypatch.setattr(log_slips, "_traces", lambda shots, exposures: None)
    shots = log(*(f"A{power}" for power in range(10)))
    files = [f"f{at}" for at in range(10 - len(ranges))]
    assert log_slips._slips(shots, files, pd.DataFrame()) == told
