"""How many frames a test saves that stops when it knows enough, and how often its verdicts are wrong then.

`python tests/benchmarks/simulate_stopping.py [--sessions N] [--seed S] [--only NAME ...] [--true SHAPE ...]`

Tests are simulated as in `simulate_verdicts`, as readings, head after head with check frames, and shot as
`greystep.compare.stopping` says: a leg of the head on the stand after each look, then sets of what is open between
heads. All frames that may be asked for are made before, so that the fixed test of all rounds is the same session; with
--fixed it is judged too, once and at the ordinary level: columns that end in F.

Columns, in per cent of the sessions unless said otherwise:
    saved       frames that were not shot, of those of the fixed test (check frames counted in both)
    frames, legs, sets  mean frames, check frames counted; legs of a head on the stand; further sets
    out!, in!   sessions with a false ``outside``, with a false ``within``: see `simulate_verdicts`
    kit+, kit-  sessions whose kit is called within, outside
    odd         sessions that send back exactly the heads that are odd
    called ...  sessions that ended for each reason
"""

import argparse
import os
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

os.environ |= dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")  # read when numpy is loaded

import numpy as np
import pandas as pd

from benchmarks.simulate_verdicts import (
    HEAD_S,
    SHOT_S,
    Condition,
    Plan,
    Shots,
    Stress,
    as_readings,
    plain_settings,
    score,
    simulate,
)
from greystep.compare.drift import analyse
from greystep.compare.stopping import FIRST_LOOK, Look, Reason, look
from greystep.compare.verdict import judge

SHAPES = ("0", "4 head", "4 slope", "6 head", "6 slope", "8 head", "8 slope")
COLUMNS = ("saved", "frames", "legs", "sets", "out!", "in!", "kit+", "kit-", "odd", *map(str, Reason))
FIXED = ("out!F", "in!F", "kit+F", "kit-F", "odd F")


@dataclass(frozen=True)
class Rows:
    """Where each frame of a session stands: its set (0 is the test itself), whose turn, and the leg in that turn."""

    part: np.ndarray
    turn: np.ndarray
    leg: np.ndarray


def conditions() -> dict[str, Condition]:
    """Return the conditions; the legs of a plan are its looks, and those of the fixed test."""
    found = {}
    for heads, powers in ((4, 5), (6, 7)):
        for looks in (3, 4, 5):
            plan, name = Plan(heads, powers, looks, check="own"), f"{heads}x{powers}x{looks}"
            found |= {
                name: Condition(plan, Stress(), SHAPES),
                f"{name} scatter 0.6": Condition(plan, Stress(0.6), SHAPES),
                f"{name} placement 0.5": Condition(plan, Stress(placement=0.5), SHAPES),
                f"{name} drift 1.5": Condition(plan, Stress(drift=1.5), SHAPES),
            }
    return found


def shoot_all(plan: Plan, rng: np.random.Generator) -> tuple[Shots, Rows]:
    """Put all frames that a test may ask for into their order: its legs, then sets of a leg of each head."""
    down, ups = np.arange(plan.powers), rng.integers(2, size=plan.heads)
    shots: list[tuple[int, int, bool, int, float]] = []
    rows: list[tuple[int, int, int]] = []
    clock = occasion = 0.0

    def add(head: int, powers: Sequence[int], check: bool, row: tuple[int, int, int]) -> None:
        nonlocal clock
        for power in powers:
            shots.append((head, power, check, int(occasion), clock))
            rows.append(row)
            clock += SHOT_S

    for part in range(plan.legs - FIRST_LOOK + 1):
        for turn in range(plan.heads):
            if turn:
                occasion += 1
                add(0, [0, 0], True, (part, turn, -1))
                clock += HEAD_S
            occasion += 1
            for leg in range(plan.legs if part == 0 else 1):
                add(turn, down[:: 1 if (leg + ups[turn]) % 2 else -1].tolist(), False, (part, turn, leg))
        occasion += 1
        add(0, [0, 0], True, (part, plan.heads, -1))
    return Shots(*(np.array(one) for one in zip(*shots, strict=True))), Rows(
        *(np.array(one) for one in zip(*rows, strict=True))
    )


def shoot_until_known(readings: pd.DataFrame, shots: Shots, rows: Rows, plan: Plan) -> tuple[np.ndarray, list[Look]]:
    """Shoot what each look asks for; return which frames were shot (n,), and the looks."""
    settings = replace(plain_settings(), looks=plan.legs)
    shot, looks = np.zeros(len(readings), dtype=bool), list[Look]()

    def open_lights(head: str = "") -> dict[int, list[int]]:
        looks.append(look(readings[shot], settings, head))
        asked: dict[int, list[int]] = {}
        for light in looks[-1].open:
            asked.setdefault(ord(light.head) - 65, []).append(int(light.stops))
        return asked

    for turn in range(plan.heads):
        here = (rows.part == 0) & (rows.turn == turn)
        shot |= here & (rows.leg < FIRST_LOOK)
        for leg in range(FIRST_LOOK, plan.legs + 1):
            if not (asked := open_lights(chr(65 + turn))):
                break
            shot |= here & (rows.leg == leg) & np.isin(shots.power, asked[turn])
    shot |= (rows.part == 0) & (rows.turn == plan.heads)
    for part in range(1, plan.legs - FIRST_LOOK + 2):
        if not (asked := open_lights()):
            break
        for turn, powers in asked.items():
            here = (rows.part == part) & (rows.turn == turn)
            shot |= here & (shots.check | np.isin(shots.power, powers))
        shot |= (rows.part == part) & (rows.turn == plan.heads)
    return shot, looks


def one_session(condition: Condition, shape: str, seed: Sequence[int], fixed: bool = False) -> dict[str, float]:
    """Simulate a session, shoot it until it is known, and score it; beside it the fixed test, if it is asked for."""
    rng, plan = np.random.default_rng(seed), condition.plan
    shots, rows = shoot_all(plan, rng)
    lights, truth = simulate(condition, shape, rng, shots)
    readings = as_readings(condition, lights, rng)
    shot, looks = shoot_until_known(readings, shots, rows, plan)
    last, legs = looks[-1], rows.leg[shot & (rows.part == 0)]
    found = score(last.drift, last.judged, truth) | {
        "saved": 1.0 - shot.sum() / (rows.part == 0).sum(),
        "frames": float(shot.sum()),
        "legs": float(np.count_nonzero(legs >= 0) / (plan.heads * plan.powers)),
        "sets": float(rows.part[shot].max()),
        **{str(reason): float(last.reason == reason) for reason in Reason},
    }
    if fixed:
        drift = analyse(readings[rows.part == 0], plain_settings())
        once = score(drift, judge(drift, plain_settings().tolerance), truth)
        found |= {name: once[name.removesuffix("F").strip()] for name in FIXED}
    return found


def sessions(name: str, shape: str, seed: int, numbers: Iterable[int], fixed: bool = False) -> pd.DataFrame:
    """Return the scores of some sessions; each has a generator of its own."""
    key = zlib.crc32(f"{name}/{shape}".encode())
    return pd.DataFrame([one_session(conditions()[name], shape, [seed, key, at], fixed) for at in numbers])


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sessions", type=int, default=400)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--only", nargs="*", default=["4x5x4", "6x7x5"], help="conditions by name")
    parser.add_argument("--true", nargs="*", default=list(SHAPES), help="truths, such as 0 or '6 head'")
    parser.add_argument("--fixed", action="store_true", help="judge the fixed test too")
    parser.add_argument("--csv", type=Path, help="a row a session, as it is done; sessions that are there are not made")
    given = parser.parse_args(arguments)
    columns = [*COLUMNS, *(FIXED if given.fixed else ())]
    done = pd.read_csv(given.csv) if given.csv and given.csv.exists() else pd.DataFrame(columns=["name", "true", "at"])
    every = [(name, true, at) for at in range(given.sessions) for name in given.only for true in given.true]
    known = set(done[["name", "true", "at"]].itertuples(index=False, name=None))
    for name, true, at in every:
        if (name, true, at) in known:
            continue
        row = sessions(name, true, given.seed, [at], given.fixed)[columns].assign(name=name, true=true, at=at)
        done = pd.concat([done, row], ignore_index=True)
        if given.csv:
            row.to_csv(given.csv, mode="a", header=not given.csv.exists(), index=False)
    print(f"{'condition':<22}{'true':<9}{'n':>4}" + "".join(f"{name[:7]:>8}" for name in columns))
    for (name, true), rows in done.groupby(["name", "true"], sort=False):
        cells = [rows[one].mean() * (1.0 if one in ("frames", "legs", "sets") else 100.0) for one in columns]
        print(f"{name:<22}{true:<9}{len(rows):>4}" + "".join(f"{one:8.2f}" for one in cells))


if __name__ == "__main__":
    main()
