"""Warm-up flashes fired through the camera: found by their light at a head's start, and nothing else taken for one."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greystep.planning.cells import Cell, all_cells
from greystep.planning.folder import shots_table
from greystep.planning.order import Action, Step, arrange
from greystep.sentences.frames import lines
from greystep.session.ingest import ingest
from greystep.session.placing_events import Aside
from greystep.session.power import parse_power
from greystep.session.settings import load_settings
from greystep.session.warm_ups import find_warm_ups

SEVEN = ["full", "1/2", "1/4", "1/8", "1/16", "1/32", "1/64"]
LEVELS = {"A": 0.0, "B": -0.4, "C": 0.3, "D": -1.0, "E": 0.1, "F": -0.2}


def shot(
    steps: tuple[Step, ...], warm: dict[str, int], seed: int = 0
) -> tuple[pd.DataFrame, np.ndarray, list[tuple[int, str]]]:
    """Return a log, the light of its frames with warm-ups through the camera, and which of them those are."""
    rng = np.random.default_rng(seed)
    log = shots_table(steps)
    log["stops"] = [parse_power(power).stops if power else np.nan for power in log["power"]]
    light: list[float] = []
    aside: list[tuple[int, str]] = []
    left = dict(warm)
    for step in steps:
        if step.what == Action.WARM_UP:
            for _ in range(left.pop(step.head, 0)):
                aside.append((len(light), step.head))
                light.append(LEVELS[step.head] + rng.normal(0, 0.02))
        elif step.what in (Action.AMBIENT, Action.DARK):
            light.append(-np.inf)
        elif step.what in (Action.FLASH, Action.CHECK):
            light.append(LEVELS[step.head] - parse_power(step.power).stops + rng.normal(0, 0.02))
    return log, np.array(light) - 3.0, aside


def plan(order: str = "by-head", seed: int = 1, heads: str = "ABCDEF") -> tuple[Step, ...]:
    return arrange(all_cells(list(heads), SEVEN[:5], 2), order, seed, Cell("A", "full", 0.0))


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize("order", ["by-head", "shuffled"])
def test_three_before_each_head_are_found_and_no_other_frame(order: str, seed: int) -> None:
    log, light, aside = shot(plan(order, seed), dict.fromkeys(LEVELS, 3), seed)
    assert find_warm_ups(log, light) == aside


@pytest.mark.parametrize("warm", [{"C": 12}, {"A": 3}, {"F": 5, "B": 4}, {"D": 12, "E": 3}])
def test_some_heads_alone(warm: dict[str, int]) -> None:
    log, light, aside = shot(plan(), warm)
    assert find_warm_ups(log, light) == aside


@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
def test_a_plan_that_is_shot_in_part(share: float) -> None:
    log, light, aside = shot(plan(), dict.fromkeys(LEVELS, 3))
    there = int(share * len(light))
    while there and any(there - 3 <= at <= there for at, _ in aside):  # not in the midst of warm-ups
        there += 1
    assert find_warm_ups(log, light[:there]) == [one for one in aside if one[0] < there]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("order", ["by-head", "shuffled"])
def test_slips_of_other_kinds_are_no_warm_ups(order: str, seed: int) -> None:
    log, light, _ = shot(plan(order, seed, "ABC"), {}, seed)
    rng = np.random.default_rng(seed)
    at = int(rng.integers(3, len(light) - 3))
    assert find_warm_ups(log, light) == []
    assert find_warm_ups(log, np.insert(light, at, light[at])) == []  # one twice
    assert find_warm_ups(log, np.insert(light, at, [light[at]] * 2)) == []  # and once more
    assert find_warm_ups(log, np.delete(light, at)) == []
    assert find_warm_ups(log, light[:at]) == []
    misfire = np.insert(light, at, -np.inf)
    assert find_warm_ups(log, misfire) == []


@pytest.mark.parametrize("seed", range(4))
def test_they_are_found_beside_a_missed_frame_and_one_shot_twice(seed: int) -> None:
    log, light, aside = shot(plan(seed=seed), dict.fromkeys("BCE", 3), seed)
    keep = next(at for at in range(20 + 3 * seed, len(light)) if at not in dict(aside) and np.isfinite(light[at]))
    lost = [(at - (at > keep), head) for at, head in aside]
    assert find_warm_ups(log, np.delete(light, keep)) == lost
    twice = [(at + (at > keep), head) for at, head in aside]
    assert find_warm_ups(log, np.insert(light, keep, light[keep])) == twice


def test_a_session_sets_them_aside_and_says_so(tmp_path: Path, shoot: Callable[..., None]) -> None:
    (tmp_path / "session.toml").write_text("[target]\npatch = [0.2, 0.2, 0.8, 0.8]\n")
    powers = ["1/4", "1/1", "1/1", "1/4", "1/2"]
    rows = [f"{head},{power}," for head in "AB" for power in powers]
    (tmp_path / "shots.csv").write_text("\n".join(["head,power,kind", ",,ambient", *rows]))
    full = {"A": 8000.0, "B": 7000.0}
    light = [3.0]
    for head in "AB":
        light += [full[head]] * 3 + [full[head] / int(power[2:]) for power in powers]
    for at, level in enumerate(light):
        shoot(tmp_path / f"frames/f{at:02d}.dng", level, captured=f"2026:03:02 10:00:{at:02d}")
    found = ingest(load_settings(tmp_path))
    readings = found.readings
    aside = readings[readings["flags"] == "warm_up"]
    assert aside["frame"].tolist() == ["f01.dng", "f02.dng", "f03.dng", "f09.dng", "f10.dng", "f11.dng"]
    assert set(aside["status"]) == {"doubtful"}  # nothing is wrong with them, they are not used
    assert aside["mired"].isna().all()
    logged = readings[readings["kind"] == "flash"]
    assert logged["frame"].tolist() == [f"f{at:02d}.dng" for at in (*range(4, 9), *range(12, 17))]
    assert (logged["status"] == "ok").all()
    assert [line for line in lines(found.messages) if "warm-up" in line] == [
        "f01.dng, f02.dng, f03.dng, f09.dng and 2 more: warm-up flashes at full before heads A and B; set aside"
    ]


def test_what_a_watch_set_aside_as_a_warm_up_is_read_as_one_that_is_found(
    tmp_path: Path, shoot: Callable[..., None]
) -> None:
    (tmp_path / "session.toml").write_text("[target]\npatch = [0.2, 0.2, 0.8, 0.8]\n")
    rows = ["f0.dng,,,ambient,in order", "f1.dng,,,job,set aside: warm-up", "f2.dng,,,job,set aside: no place"]
    rows += ["f3.dng,A,1/1,flash,in order", "f4.dng,A,1/1,flash,in order"]
    (tmp_path / "shots.csv").write_text("\n".join(["frame,head,power,kind,placed", *rows]))
    for at, level in enumerate([3.0, 8000.0, 2000.0, 8000.0, 8000.0]):
        shoot(tmp_path / f"frames/f{at}.dng", level, captured=f"2026:03:02 10:00:{at:02d}")
    readings = ingest(load_settings(tmp_path)).readings.set_index("frame")
    assert readings.loc["f1.dng", ["kind", "flags", "status"]].tolist() == ["", "warm_up", "doubtful"]
    assert readings.loc["f2.dng", "kind"] == "job"
    assert (tmp_path / "shots.csv").read_text().count("job") == 2
    assert Aside.WARM_UP == "warm-up"  # as the log says it
