"""The joint fit against ordinary least squares that is set up here, the time constant as one more column."""

from collections.abc import Iterator
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from greystep.compare import joint_fit
from greystep.compare.cells import Cells, Frames, find_cells
from greystep.compare.scatter import Pattern


@pytest.fixture
def plain(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Frames scatter alike and without a memory."""
    monkeypatch.setattr(joint_fit, "find_pattern", lambda runs: Pattern())
    return


def one_head(synthetic: ModuleType, seed: int = 3) -> tuple[Cells, Frames]:
    readings = synthetic.simulate(np.random.default_rng(seed), np.zeros((1, 4)), repeats=5, warmup=9.0, checks=0)
    cells, frames = find_cells(readings)
    assert frames.heat.kept.all()
    return cells, replace(frames, heat=replace(frames.heat, doubt=0.0))


@pytest.mark.usefixtures("plain")
def test_a_warm_up_is_least_squares_with_the_time_constant_as_a_column(synthetic: ModuleType) -> None:
    cells, frames = one_head(synthetic)
    mired, found = frames.values["mired"], joint_fit.fit_cells(cells, frames)["mired"]
    means = (frames.cell[:, None] == np.arange(4)).astype(float)
    first = np.column_stack([means, frames.warmth])
    at_scanned = np.linalg.lstsq(first, mired, rcond=None)[0]
    bend = at_scanned[4] * frames.slope
    design = np.column_stack([first, bend])
    solved = np.linalg.lstsq(design, mired, rcond=None)[0]
    free = len(mired) - design.shape[1]
    variance = np.sum((mired - first @ at_scanned) ** 2) / free
    covariance = variance * np.linalg.inv(design.T @ design)
    assert found.cells.values == pytest.approx(solved[:4], abs=1e-9)
    assert found.residuals == pytest.approx(mired - design @ solved, abs=1e-9)
    assert found.heat == pytest.approx(design[:, 4:] @ solved[4:], abs=1e-9)
    assert found.cells.parts[:2].sum(axis=0) == pytest.approx(covariance[:4, :4], rel=1e-6)
    assert np.trace(found.cells.parts[1]) > 0.0
    assert found.dof == pytest.approx([free])
    hottest = int(np.argmax(frames.warmth))
    reach = design[hottest, 4:] - design[0, 4:]
    assert found.warmup[0] == pytest.approx(reach @ solved[4:], abs=1e-9)
    assert found.warmup_variances[0, :2].sum() == pytest.approx(reach @ covariance[4:, 4:] @ reach, rel=1e-6)


@pytest.mark.usefixtures("plain")
def test_the_time_constant_of_mired_moves_tint_and_output_too(synthetic: ModuleType) -> None:
    cells, frames = one_head(synthetic)
    exact = {"duv": 0.001 - 0.0002 * frames.values["mired"], "output_stops": 0.05 * frames.values["mired"]}
    fitted = joint_fit.fit_cells(cells, replace(frames, values={**frames.values, **exact}))
    for name, slope in (("duv", -0.0002), ("output_stops", 0.05)):
        assert np.diff(fitted[name].cells.values) == pytest.approx(slope * np.diff(fitted["mired"].cells.values))
        assert fitted[name].cells.parts[1] == pytest.approx(slope**2 * fitted["mired"].cells.parts[1], rel=1e-6)


def test_doubt_of_a_warm_up_lies_between_the_fit_with_and_without(synthetic: ModuleType) -> None:
    """Half a doubt is half of the square of what the plain means differ by."""
    cells, frames = one_head(synthetic)
    sure = joint_fit.fit_cells(cells, frames)["mired"]
    half = joint_fit.fit_cells(cells, replace(frames, heat=replace(frames.heat, doubt=0.5)))["mired"]
    mired = frames.values["mired"]
    away = np.array([mired[frames.cell == cell].mean() for cell in range(4)]) - sure.cells.values
    assert half.cells.parts[-1] - sure.cells.parts[-1] == pytest.approx(0.5 * np.outer(away, away), abs=1e-9)
    more = half.warmup_variances[0, -1] - sure.warmup_variances[0, -1]
    assert more == pytest.approx(0.5 * sure.warmup[0] ** 2, rel=1e-9)
    assert half.cells.parts[0].trace() > sure.cells.parts[0].trace()


@pytest.mark.usefixtures("plain")
def test_what_moved_between_blocks_is_blocks_and_a_line_over_the_test(synthetic: ModuleType) -> None:
    """Without a warm-up cells are plain means: by hand from their blocks and their mean times."""
    readings = synthetic.simulate(np.random.default_rng(7), np.zeros((2, 3)), repeats=3)
    checks = (readings["note"] != "").to_numpy()
    readings.loc[checks, "mired"] += np.tile([0.0, 2.0, -1.0], 4)[: checks.sum()].repeat(1)
    cells, frames = find_cells(readings)
    assert not frames.heat.kept.any()
    found = joint_fit.fit_cells(cells, frames)["mired"]
    watch = found.watch
    assert watch.variance > 0.0
    assert watch.slope_variance > 0.0
    means = (frames.cell == np.arange(6)[:, None]) / np.bincount(frames.cell)[:, None]
    shares = means @ (frames.block[:, None] == np.unique(frames.block)).astype(float)
    late = means @ (frames.clock - frames.clock.mean())
    wanted = watch.variance * shares @ shares.T + watch.slope_variance * np.outer(late, late)
    assert found.cells.parts[-3] == pytest.approx(wanted, rel=1e-6)
    line = watch.slope * (frames.clock - frames.clock.mean())
    assert found.cells.values == pytest.approx(means @ (frames.values["mired"] - line), abs=1e-9)
