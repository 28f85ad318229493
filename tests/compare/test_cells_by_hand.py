"""Frames sorted into cells, each rule on a few rows: powers, names, doubts, who fired, what a frame's noise is."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.compare import cells as sorted_into
from greystep.compare.cells import find_cells, same_powers, settings, size_of
from helpers import synthetic


def log(heads: str, stops: list[float], **more: Any) -> pd.DataFrame:
    """Readings of heads by letter, ten seconds apart, that read 180, 181, 182, ... mired."""
    table = synthetic.table(list(heads), np.array(stops), 180.0 + np.arange(len(stops)), noise_mired=0.0)
    return table.assign(**more)


def lights(table: pd.DataFrame, *more: str) -> list[tuple[Any, ...]]:
    return list(find_cells(table)[0].table[["head", "power", "n", *more]].itertuples(index=False, name=None))


# --- powers and names -------------------------------------------------------------------------------------------------


def test_settings_are_numbered_from_full_down_and_within_a_hundredth_are_one() -> None:
    assert settings(np.array([3.0, 0.0, 1.01, 1.0, 1.03])).tolist() == [4, 1, 2, 2, 3]
    assert settings(np.array([1.02, 1.0, 1.01])).tolist() == [1, 1, 1], "each within a hundredth of the next"
    assert settings(np.zeros(0)).tolist() == []
    assert same_powers(np.array([1.0, 1.0, 1.0]), np.array([1.01, 0.99, 1.02])).tolist() == [True, True, False]


def test_lights_stand_head_by_head_as_in_the_log_from_full_down() -> None:
    assert lights(log("BAABB", [2.0, 1.0, 0.0, 0.0, 2.0])) == [
        ("B", "1/1", 1),
        ("B", "1/4", 2),
        ("A", "1/1", 1),
        ("A", "1/2", 1),
    ]
    cells, frames = find_cells(log("BAABB", [2.0, 1.0, 0.0, 0.0, 2.0]))
    assert cells.head.tolist() == cells.series.tolist() == [0, 0, 1, 1]
    assert cells.heads["head"].tolist() == ["B", "A"]
    assert frames.cell.tolist() == [1, 3, 2, 0, 1]
    assert frames.values["output_stops"].tolist() == [-2.0, -1.0, 0.0, 0.0, -2.0]
    assert frames.place.tolist() == [0.0, 0.0, 1.0, 1.0, 2.0]
    assert cells.varying == ()
    assert not cells.moved.any()


def test_parts_that_vary_part_lights_and_name_those_of_heads_that_were_moved() -> None:
    table = log("AABB", [0.0, 0.0, 0.0, 1.0], pack=["P1", "P2", "P1", "P1"], channel=["1", "1", "1", "1"])
    cells, _ = find_cells(table)
    assert cells.varying == ("pack",)
    assert cells.moved.tolist() == [True, True, False, False]
    assert cells.names.tolist() == ["1/1 on pack P1", "1/1 on pack P2", "1/1", "1/2"]
    assert cells.series.tolist() == [0, 1, 2, 2]
    assert cells.head.tolist() == [0, 0, 1, 1]
    blank = find_cells(log("AA", [0.0, 0.0], pack=["", "P2"], modifier=["dome", "dome"]))[0]
    assert blank.names.tolist() == ["1/1", "1/1 on pack P2"]
    both = find_cells(log("AA", [0.0, 0.0], channel=["1", "2"], modifier=["dome", "grid"]))[0]
    assert both.names.tolist() == ["1/1 on channel 1 with dome", "1/1 on channel 2 with grid"]


def test_two_bodies_part_heads_and_name_them() -> None:
    cells, _ = find_cells(log("AAB", [0.0, 0.0, 0.0], body=["One", "Two", "Two"]))
    assert cells.heads["label"].tolist() == ["A (One)", "A (Two)", "B"]
    assert cells.varying == ("body",)
    assert not cells.moved.any()


def test_a_frame_without_a_body_is_of_its_heads_first_or_of_the_logs_first() -> None:
    body = np.array(["", "One", "Two", "", "Two"], dtype=object)
    head = np.array(["B", "A", "B", "C", "B"], dtype=object)
    assert sorted_into._bodies(body, head).tolist() == ["Two", "One", "Two", "One", "Two"]
    twice = np.array(["One", "Two", ""], dtype=object)
    assert sorted_into._bodies(twice, np.array(["A", "A", "A"], dtype=object)).tolist() == ["One", "Two", "One"]
    assert sorted_into._bodies(np.array(["", ""], dtype=object), head[:2]).tolist() == ["", ""]
    assert len(sorted_into._bodies(body[:0], head[:0])) == 0


# --- which frames count -----------------------------------------------------------------------------------------------


def test_check_frames_count_only_where_a_light_has_no_others() -> None:
    table = log("AABB", [0.0, 0.0, 0.0, 1.0], note=["check frame", "", "check frame", ""])
    assert lights(table) == [("A", "1/1", 1), ("B", "1/1", 1), ("B", "1/2", 1)]
    lost = log("AAB", [0.0, 0.0, 0.0], note=["check frame", "", ""], status=["ok", "rejected", "ok"])
    assert lights(lost) == [("A", "1/1", 1), ("B", "1/1", 1)], "its own frame cannot be used"
    _, frames = find_cells(table)
    assert frames.checks["counted"].tolist() == [False, True]
    assert frames.checks["head"].tolist() == [0, 1]
    assert frames.checks["mired"].tolist() == [180.0, 182.0]


def test_visits_are_check_frames_of_one_head_without_another_flash_between() -> None:
    note = ["check frame", "check frame", "", "check frame", "check frame", "check frame", ""]
    table = log("AABAACA", [0.0] * 7, note=note)
    assert find_cells(table)[1].checks["visit"].diff().fillna(0).ne(0).tolist() == [False, False, True, False, True]
    lost = table.assign(status=["ok", "rejected", *["ok"] * 5])
    assert find_cells(lost)[1].checks["mired"].tolist() == [180.0, 183.0, 184.0, 185.0]


def test_frames_that_never_fired_heat_nothing_and_lost_ones_do() -> None:
    table = log(
        "AAAA",
        [0.0, 1.0, 1.0, 0.0],
        flags=["", "no_flash", "extra_frame", ""],
        status=["ok", "rejected", "rejected", "ok"],
    )
    _, frames = find_cells(table)
    assert len(frames.turns) == 2
    fired = find_cells(table.assign(flags=["", "clipped", "clipped", ""]))[1]
    assert len(fired.turns) == 4
    assert fired.place.tolist() == [0.0, 3.0]
    others = find_cells(log("AAAA", [0.0] * 4, kind=["flash", "ambient", "job", "flash"]))[1]
    assert len(others.turns) == 3, "a job frame was lit by it too"


def test_flags_that_bar_a_frame_from_its_mean() -> None:
    table = log("AAA", [0.0] * 3, flags=["outlier", "near_white", "settings_changed;outlier"], status="doubtful")
    cells, _ = find_cells(table)
    assert (cells.table["n"].tolist(), cells.table["n_outlier"].tolist()) == ([1], [2])
    assert (cells.heads["shot"][0], cells.heads["bad"][0]) == (3, 3)


def test_a_head_is_called_by_the_flag_of_most_of_its_bad_frames() -> None:
    table = log(
        "AAAAB",
        [0.0] * 5,
        flags=["clipped", "clipped;uneven", "no_flash", "", ""],
        status=["rejected"] * 3 + ["ok"] * 2,
    )
    cells, _ = find_cells(table)
    assert cells.heads["fault"].tolist() == ["clipped", ""]
    assert (cells.heads["shot"].tolist(), cells.heads["bad"].tolist()) == ([4, 1], [3, 0])
    missing = find_cells(table.assign(flags=["missing", "clipped", "", "", ""]))[0]
    assert (missing.heads["shot"].tolist(), missing.heads["bad"].tolist()) == ([3, 1], [2, 0])
    even = sorted_into._commonest([frozenset({"uneven"}), frozenset({"clipped"})])
    assert even == "clipped", "the first in the order of flags on equal terms"
    assert sorted_into._commonest([]) == ""


def test_lights_in_doubt_are_those_with_it_in_more_than_half_of_their_used_frames() -> None:
    flags = ["near_white", "near_white", "", "", "near_white", "", "tail_cut"]
    cells, _ = find_cells(log("AAAAAAA", [0.0] * 3 + [1.0] * 3 + [2.0], flags=flags, status="doubtful"))
    assert cells.doubts.tolist() == ["near_white", "", "tail_cut"]
    half = find_cells(log("AA", [0.0] * 2, flags=["near_white", ""], status="doubtful"))[0]
    assert half.doubts.tolist() == [""]
    blind = find_cells(
        log("AABB", [0.0, 1.0, 0.0, 1.0], flags=["no_matrix", "no_matrix", "", "no_matrix"], status="doubtful")
    )[0]
    assert blind.colourless.tolist() == [True, True, False, True]


def test_what_a_camera_does_to_all_its_frames_is_no_doubt() -> None:
    flags, body = ["uneven", "uneven", "uneven", ""], ["One", "One", "Two", "Two"]
    cells, _ = find_cells(log("ABAB", [0.0] * 4, flags=flags, body=body, status="doubtful"))
    assert cells.doubts.tolist() == ["", "", "uneven", ""]


# --- numbers of a frame -----------------------------------------------------------------------------------------------


def test_noise_in_other_units_and_what_frames_share() -> None:
    table = log(
        "A", [0.0], u_mired=0.8, u_duv=4e-4, u_mired_frame=0.6, u_mired_ambient=0.3, u_mired_black=0.4,
        u_duv_ambient=np.nan, u_duv_black=2e-4, u_signal_g=8.0, signal_g=1000.0,
    )  # fmt: skip
    own, shared = sorted_into._noise(table)
    assert own["mired"] == pytest.approx([0.3])
    assert own["duv"] == pytest.approx([2e-4]), "by its parts where they are given, else the whole"
    step = np.hypot(0.6 / 2.2, 4e-4 / sorted_into.DUV_A_STEP) * 0.0011 / np.sqrt(2.0) / 2.0
    assert own["u_prime"] == own["v_prime"] == pytest.approx([step])
    assert own["output_stops"] == pytest.approx([0.008 / np.log(2.0) / 2.0])
    assert shared["mired"] == pytest.approx([0.25])
    assert shared["duv"] == pytest.approx([1e-4])
    assert shared["output_stops"].tolist() == [0.0]
    assert size_of("output_stops", 1.0, 1.0) == 0.0
    assert sorted_into._noise(table.drop(columns=["u_mired_ambient", "u_mired_black"]))[1]["mired"].tolist() == [0.0]


def test_room_light_by_frame_where_the_readings_have_it() -> None:
    _, frames = find_cells(log("AA", [0.0, 0.0]))
    assert (frames.room.tolist(), frames.share.tolist(), frames.proven.tolist()) == ([-1, -1], [0.0, 0.0], [True, True])
    assert frames.room_effects["mired"].tolist() == [0.0, 0.0]
    more = {"room": [2, -1], "room_share": [0.25, np.nan], "room_proven": [0.0, 1.0], "room_mired": [1.5, np.nan]}
    _, frames = find_cells(log("AA", [0.0, 0.0], **more))
    assert (frames.room.tolist(), frames.share.tolist(), frames.proven.tolist()) == (
        [2, -1],
        [0.25, 0.0],
        [False, True],
    )
    assert frames.room_effects["mired"].tolist() == [1.5, 0.0]


def test_rounds_are_taken_off_where_heads_take_turns_but_not_of_output() -> None:
    """Three heads in turn; the second round reads one mired more, which leaves half of it either way."""
    table = synthetic.table(list("ABC" * 2), np.zeros(6), np.array([180.0, 190.0, 200.0, 181.0, 191.0, 201.0]),
                            output=np.array([0.0, 0.1, 0.2, 0.5, 0.6, 0.7]))  # fmt: skip
    _, frames = find_cells(table)
    assert frames.rounds == 2
    assert frames.values["mired"] == pytest.approx([180.5, 190.5, 200.5] * 2)
    assert frames.values["output_stops"].tolist() == [0.0, 0.1, 0.2, 0.5, 0.6, 0.7]
    one_by_one = find_cells(log("AABB", [0.0] * 4))[1]
    assert one_by_one.rounds == 1


def test_warmth_is_told_from_the_mean_of_a_heads_used_frames() -> None:
    _, frames = find_cells(log("AAAAAABBB", [0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 0.0, 1.0, 0.0]))
    for head in (0, 1):
        assert frames.warmth[frames.head == head].mean() == pytest.approx(0.0, abs=1e-12)
        assert frames.slope[frames.head == head].mean() == pytest.approx(0.0, abs=1e-12)
    whole = frames.heat.warmth
    assert frames.warmth[:6] == pytest.approx(whole[:6] - whole[:6].mean())


@pytest.mark.parametrize(
    ("note", "count"),
    [
        ("3 warm-up shots at full", 3),
        ("12 warm up flashes", 12),
        ("1 Warmup shot", 1),
        ("warm-up shots", 0),
        ("3 shots", 0),
    ],
)
def test_flashes_before_a_frame_by_its_note(note: str, count: int) -> None:
    """Each makes the head warmer at its first frame, as a share of the warmest that it was."""
    found = find_cells(log("AAA", [0.0, 0.0, 0.0], note=[note, "", ""]))[1].heat.warmth
    tau = 0.2 * 3 * 10.0

    def at(time: float, fired: list[float]) -> float:
        return float(sum(np.exp(-(time - one) / tau) for one in fired if one < time))

    fired = [*(-10.0 * np.arange(count, 0, -1)), 0.0, 10.0, 20.0]
    warm = [at(time, fired) for time in (0.0, 10.0, 20.0)]
    assert found == pytest.approx(np.array(warm) / max(warm))


def test_the_clock_of_check_frames_is_that_of_the_test_or_unknown() -> None:
    table = log("AAB", [0.0] * 3, note=["check frame", "", ""])
    assert find_cells(table)[1].checks["seconds"].tolist() == [0.0]
    timeless = find_cells(table.assign(captured=""))[1]
    assert timeless.checks["seconds"].isna().all()
    assert timeless.clock.tolist() == [0.5, 1.0]
