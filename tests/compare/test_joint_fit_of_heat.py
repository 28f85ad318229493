"""What heat and the time between blocks do in the joint fit: time constant, warm-ups, and what lasts; by hand."""

from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.compare import cell_doubts, joint_fit
from greystep.compare.blocks import Watch
from greystep.compare.cells import find_cells
from greystep.compare.scatter import Pattern


def test_the_newton_step_of_the_time_constant_is_a_weighted_fit_of_what_the_bend_adds() -> None:
    """Heads of variance 0.04 and 0.09 and one of no scatter, which counts for nothing; a bend beside cell means."""
    rng = np.random.default_rng(3)
    head = np.repeat([0, 1, 2], [6, 5, 4])
    design = (np.array([0, 1, 1, 0, 1, 0, 2, 2, 2, 2, 2, 3, 3, 3, 3])[:, None] == np.arange(4)) * 1.0
    bend, left = rng.normal(0.0, 1.0, 15), rng.normal(0.0, 0.2, 15)
    fit = SimpleNamespace(estimator=np.linalg.pinv(design), residuals=left)
    runs = tuple(SimpleNamespace(residuals=left[head == one], stops=np.zeros((head == one).sum()),
                                 place=np.arange((head == one).sum()) * 1.0) for one in range(3))  # fmt: skip
    system: Any = SimpleNamespace(bend=bend, design=design, fit=fit, head=head, free=np.zeros(3), runs=runs)
    variance, dof = np.array([0.04, 0.09, 0.0]), np.array([4.0, 4.0, 3.0])
    chance: Any = SimpleNamespace(variance=variance, dof=dof, pattern=Pattern())
    found = joint_fit._time_constant(system, chance, joint_fit._Tau(0.0, 0.0, 1.0))
    free = bend - design @ np.linalg.lstsq(design, bend, rcond=None)[0]
    weight = np.where(head == 0, 1.0 / 0.04, np.where(head == 1, 1.0 / 0.09, 0.0))
    known = np.sum(weight * free**2)
    assert found.step == pytest.approx(np.sum(weight * free * left) / known)
    assert found.variance == pytest.approx(1.0 / known)
    parts = np.array([np.sum((weight * free / known)[head == one] ** 2) * variance[one] for one in range(3)])
    assert found.dof == pytest.approx(parts.sum() ** 2 / np.sum(parts[:2] ** 2 / dof[:2]))
    system.bend = np.zeros(15)
    unknown = joint_fit._Tau(0.5, 0.5, 2.0)
    assert joint_fit._time_constant(system, chance, unknown) is unknown


def test_each_head_warms_from_its_first_frame_to_its_hottest() -> None:
    """Head 0 rises by 2 of warmth; head 1 is hottest at its first frame, so that its amplitude is that of the fit."""
    frames: Any = SimpleNamespace(
        head=np.array([0, 0, 0, 1, 1, 1, 2]), warmth=np.array([-1.0, 1.0, 0.5, 0.9, 0.1, 0.2, 0.0]),
        slope=np.array([0.3, 0.7, 0.0, 0.4, 0.1, 0.1, 0.0]),
        heat=SimpleNamespace(kept=np.array([True, True, False]), doubt=0.3),
    )  # fmt: skip
    heat = np.array([-4.0, 5.0, 1.0, np.nan, 2.0, 3.0, 0.0])
    system: Any = SimpleNamespace(free=np.zeros(3), amplitude=np.array([4.4, 7.7, 0.0]))
    own, turned = np.arange(10.0).reshape(2, 5) + 1.0, np.array([0.6, 0.2])
    tau = joint_fit._Tau(0.0, 0.5, 3.0)
    amplitude, warmup, variances = joint_fit._warm_ups(frames, system, tau, heat, own, turned)
    assert warmup == pytest.approx([9.0, 1.0, np.nan], nan_ok=True)
    assert amplitude == pytest.approx([9.0 / 2.0, 1.0 / 0.1, 0.0])
    first = own[0] * 4.0
    first[3] = 0.5 * (4.4 * 0.4 - 2.0 * 0.6) ** 2
    first[4] += 0.3 * 81.0
    assert variances[0] == pytest.approx(first)
    assert np.isnan(variances[2]).all()
    frames.warmth[3] = 2.0
    heat[3] = 8.0
    amplitude, warmup, _ = joint_fit._warm_ups(frames, system, tau, heat, own, turned)
    assert (amplitude[1], warmup[1]) == (7.7, 0.0)
    heat[3:6] = np.nan
    assert np.isnan(joint_fit._warm_ups(frames, system, tau, heat, own, turned)[1][1])


def test_the_last_sources_are_blocks_places_and_the_chance_of_no_warm_up() -> None:
    """Two heads in two blocks, a third light without a frame; places of 0.5, blocks of 0.1, half a doubt."""
    table = pd.DataFrame({"stops": [0.0, 0.0, 1.0], "body": ["One"] * 3})
    cells: Any = SimpleNamespace(head=np.array([0, 1, 1]), table=table, heads=range(2))
    frames: Any = SimpleNamespace(
        cell=np.array([0, 0, 1, 1]), block=np.array([0, 0, 1, 1]), clock=np.array([0.0, 0.2, 0.6, 1.0]), rounds=1,
        shared={"mired": np.full(4, 0.2)}, room=np.full(4, -1), share=np.zeros(4), room_effects={"mired": np.zeros(4)},
        heat=SimpleNamespace(kept=np.array([True, False]), doubt=0.5),
    )  # fmt: skip
    system: Any = SimpleNamespace(rows=np.arange(4), values=np.array([180.0, 182.0, 185.0, 185.0]))
    means = np.array([[0.5, 0.5, 0.0, 0.0], [0.0, 0.0, 0.5, 0.5], [0.0] * 4])
    watch, parts = Watch(0.3, 0.04, 0.1, 5.0), np.zeros((3, 3, 3))
    values = np.array([180.5, 185.0, np.nan])
    freedom = cell_doubts.add_between(cells, frames, "mired", system.rows, system.values, means, values, watch, parts)
    assert freedom == [5.0, np.inf, np.inf]
    apart, late = np.diag([1.0, 1.0, 0.0]), np.array([-0.35, 0.35, 0.0])
    assert parts[0] == pytest.approx(0.1 * apart + 0.04 * np.outer(late, late))
    assert parts[1] == pytest.approx(0.25 * apart)
    assert parts[2] == pytest.approx(np.diag([0.04 + 0.5 * 0.25, 0.04, 0.0])), "0.5 mired off the plain mean"


def test_a_line_over_the_test_is_taken_off_about_its_middle(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(7), np.zeros((3, 3)), repeats=3, scatter=0.05)
    seconds = pd.to_datetime(readings["captured"]).diff().dt.total_seconds()
    drifting = readings.assign(mired=readings["mired"] + (seconds > 100.0).cumsum() * 4.0 / 3.0)
    cells, frames = find_cells(drifting)
    assert not frames.heat.kept.any()
    found = joint_fit.fit_cells(cells, frames)
    slope = found["mired"].watch.slope
    assert slope == pytest.approx(4.0, abs=0.7)
    left = frames.values["mired"] - slope * (frames.clock - frames.clock.mean())
    wanted = [left[frames.cell == cell].mean() for cell in range(9)]
    assert found["mired"].cells.values == pytest.approx(wanted, abs=1e-9)
    assert found["mired"].steady == pytest.approx(left, abs=1e-9)
    assert found["output_stops"].watch.dof == 0.0, "output is not compared between heads"
