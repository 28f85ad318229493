"""What moves between heads: blocks, rounds taken off, a line told from scatter; a room that changes in one step."""

from types import ModuleType

import numpy as np
import pytest

from greystep.compare.blocks import Seen, find_blocks, round_levels, watched
from greystep.compare.cells import find_cells
from greystep.compare.joint_fit import fit_cells

NO_CHECK = np.zeros(12, dtype=bool)


def test_heads_one_after_the_other_are_blocks_and_checks_are_none() -> None:
    head = np.array([0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 0, 0])
    check = np.array([1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 1, 0, 0, 0], dtype=bool)
    found = find_blocks(head, np.where(check, -1, head), check, np.arange(14.0))
    assert not found.in_turns
    assert found.of.tolist() == [-1, -1, 0, 0, 0, -1, -1, 1, 1, 1, -1, 2, 2, 2]


def test_heads_in_turns_are_compared_within_a_round() -> None:
    head, cell = np.tile([0, 1, 2], 4), np.tile([0, 1, 2], 4)
    found = find_blocks(head, cell, NO_CHECK, np.zeros(0))
    assert found.in_turns
    assert found.of.tolist() == np.repeat(np.arange(4), 3).tolist()
    values = np.tile([10.0, 20.0, 30.0], 4) + np.repeat([0.0, 1.0, 2.0, 3.0], 3)
    assert values - round_levels(values, cell, found.of) == pytest.approx(np.tile([11.5, 21.5, 31.5], 4))


def test_the_line_and_the_scatter_of_visits_by_hand() -> None:
    """Five visits, evenly apart, by the formulas of a straight line."""
    values = np.array([0.0, 0.5, 0.8, 1.7, 2.0])
    found = watched([Seen(0, at, value, 0.01) for at, value in zip(np.linspace(0, 1, 5), values, strict=True)])
    slope = np.sum((np.linspace(0, 1, 5) - 0.5) * values) / 0.625
    left = values - values.mean() - slope * (np.linspace(0, 1, 5) - 0.5)
    doubt = np.sum(left**2) / 3 / 0.625
    assert found.slope == pytest.approx(slope * (1 - doubt / slope**2))
    assert found.dof == 3
    assert found.variance == pytest.approx(np.sum(left**2) / 3 - 0.01)
    assert found.slope_variance == pytest.approx(doubt)


def test_two_visits_tell_scatter_and_no_line() -> None:
    found = watched([Seen(0, 0.0, 1.0, 0.0), Seen(0, 1.0, 3.0, 0.0)])
    assert (found.slope, found.variance, found.dof) == (0.0, 2.0, 1.0)
    assert watched([Seen(0, 0.0, 1.0, 0.0), Seen(1, 1.0, 3.0, 0.0)]).dof == 0


def test_a_camera_that_drifts_is_taken_off_between_heads(synthetic: ModuleType) -> None:
    rng = np.random.default_rng(4)
    readings = synthetic.simulate(rng, np.zeros((4, 3)), repeats=4, scatter=0.02)
    moved = np.linspace(0.0, 3.0, len(readings))
    fitted = fit_cells(*find_cells(readings.assign(mired=readings["mired"] + moved)))["mired"]
    assert fitted.watch.slope == pytest.approx(3.0, abs=0.4)  # times are not even: heads change
    assert np.ptp(fitted.cells.values) < 0.4


def test_what_nobody_watched_is_in_the_doubt(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(
        np.random.default_rng(5), np.array([[0.0, 0.0], [1.0, 1.0], [3.0, 3.0]]), repeats=4, scatter=0.02
    )
    with_checks, without = (
        fit_cells(*find_cells(one))["mired"]
        for one in (readings, readings[readings["note"] == ""].reset_index(drop=True))
    )
    assert with_checks.watch.dof > 0
    assert without.watch.dof == 0
    apart = [float(np.sum(one.cells.parts, axis=0)[0, 0]) for one in (with_checks, without)]
    assert apart[0] == pytest.approx(0.5**2, rel=0.3)  # the place of the head
    assert apart[1] == pytest.approx(0.5**2 + 1.0**2, rel=0.3)  # and a camera that was not watched


def test_room_light_that_steps_has_the_covariance_of_a_step(synthetic: ModuleType) -> None:
    """A lamp at a random moment, drawn: its covariance is the smaller chance by what the larger one leaves."""
    rng = np.random.default_rng(6)
    share = np.array([0.25, 0.5, 0.75])
    drawn = (rng.uniform(size=(100_000, 1)) < share).astype(float)
    readings = synthetic.table(["A"] * 3, np.arange(3.0), np.full(3, 180.0), noise_mired=0.0)
    readings = readings.assign(room=0, room_share=share, room_mired=4.0, u_mired_ambient=0.0, u_mired_black=0.0)
    for name in ("duv", "u_prime", "v_prime", "output_stops"):
        readings[f"room_{name}"] = 0.0
    fitted = fit_cells(*find_cells(readings))["mired"].cells
    assert fitted.parts[-1] == pytest.approx(16.0 * np.cov(drawn.T), abs=0.05)


def test_errors_that_a_cell_shares_do_not_shrink(synthetic: ModuleType) -> None:
    readings = synthetic.table(
        ["A"] * 8, np.repeat([0.0, 1.0], 4), np.full(8, 180.0) + np.tile([0.1, -0.1, 0.1, -0.1], 2)
    )
    readings = readings.assign(u_mired_ambient=0.0, u_mired_black=0.6, u_mired_frame=0.1)
    fitted = fit_cells(*find_cells(readings))["mired"].cells
    assert np.diagonal(fitted.parts[-1]) == pytest.approx(0.09)


def test_in_turns_a_light_of_checks_alone_lies_in_the_round_about_it() -> None:
    head = np.array([9, 0, 1, 2, 0, 1, 2, 9, 0, 1, 2, 9])
    check = head == 9
    found = find_blocks(head, np.where(check, 3, head), check, np.zeros(0))
    assert found.in_turns
    assert found.of.tolist() == [0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2]
