"""A shoot with the slips of a real morning, through raw files and `greystep watch`: is every frame put right?

    cd tests; PYTHONPATH=../src:. python -m benchmarks.shoot_slips [--seeds 20] [--first 0] [--only missed] [--single]

Six heads at seven powers, planned by `greystep plan`. A person shoots what the screen asks for; raw files of an own
camera arrive one at a time in the folder that is watched. Of each slip there is one shoot a seed; the clean one of the
same seed has the same lights. The first eight and those about the slip are waited for one by one; of the others forty
come together, or one as well with --single, which takes minutes a shoot.

Columns, shoots of all that were played:
    placed   every frame that is no slip stands in the log on a row of its own light, and no other does
    told     the screen says it within one frame of the slip
    logged   the log, or what is said of the session, holds what happened
    verdict  kit and heads are called as in the clean test
    quiet    nothing else is warned of
    ended    all rows are shot at the end
"""

import argparse
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

os.environ |= dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")  # read when numpy is loaded

import numpy as np
import pandas as pd
from typer.testing import CliRunner

from benchmarks.simulate_verdicts import BLACK, CFA, COUNTS_PER_ELECTRON, FLASH_UV, UV_OF, WHITE, camera_rgb, dng
from greystep.api import open_session
from greystep.cli.app import app
from greystep.live.conducting import Watch
from greystep.sentences.session_notes import sentences
from greystep.session.settings import load_settings
from greystep.session.watch import arrivals

HIGH, WIDE, CARD = 200, 300, 80  # pixels
FULL: Final = 11000.0  # counts of green on the card at full, ISO 100
ROOM: Final = 0.5  # counts at ISO 100
POWERS: Final = ("full", "1/2", "1/4", "1/8", "1/16", "1/32", "1/64")
DUV_PER_MIRED: Final = 0.00016  # keeps the light on the line of black bodies
#: Wide enough about green to pink, so that the clean test is called.
TOLERANCE: Final = "\n[tolerance]\nmired = 4\nduv = 0.0025\noutput_stops = 0.1\n"
EVERY_S: Final = 0.004
TOGETHER: Final = 40
FIRST: Final = 8  # that come one at a time in every shoot: where the target stands is not settled yet


@dataclass(frozen=True)
class Kit:
    """Heads whose light is known; what a frame of a row gives does not depend on the frames before it.

    Attributes:
        mired: Of each head: at full, and more a stop below it.
        stops: Of each head: its light over that of the others.
    """

    seed: int
    powers: tuple[str, ...]
    mired: dict[str, tuple[float, float]]
    stops: dict[str, float]

    @classmethod
    def of(cls, seed: int, heads: str = "ABCDEF", powers: tuple[str, ...] = POWERS) -> "Kit":
        """One head is 9 mired warmer, another moves by 9 over its powers; all others are alike."""
        rng = np.random.default_rng([seed, 1])
        odd, moves = [*rng.permutation(list(heads[1:])).tolist(), ""][:2]
        last = max(1, len(powers) - 1)
        return cls(
            seed, powers,
            {head: (178.6 + 9.0 * (head == odd), 9.0 / last * (head == moves)) for head in heads},
            dict(zip(heads, rng.uniform(-0.1, 0.2, len(heads)).tolist(), strict=True)),
        )  # fmt: skip

    def light(self, row: int, head: str, power: str) -> tuple[np.ndarray, float]:
        """Return camera RGB of the light of a row, green 1, and its level over that of a head at full [stop]."""
        rng = np.random.default_rng([self.seed, 2, row])
        below = self.stops_of(power)
        mired, by_stop = self.mired[head]
        away = mired + by_stop * below - 178.6 + 0.3 * rng.standard_normal()
        u, v = FLASH_UV + UV_OF @ np.array([away, DUV_PER_MIRED * away])
        xy = np.array([[9 * u, 4 * v]]) / (6 * u - 16 * v + 12)
        return camera_rgb(xy)[0], self.stops[head] - below + 0.01 * rng.standard_normal()

    @staticmethod
    def stops_of(power: str) -> float:
        return 0.0 if power == "full" else float(np.log2(float(power[2:])))


@dataclass
class Set:
    """A shoot: the person, the camera, and the screen that is followed.

    Attributes:
        truth: Of each frame, its row of the plan; -1 of one that belongs on none.
        said: Lines that the screen warned of, in their order, each with how many frames there were by then.
        gave: What it says that each frame gave, likewise.
        clock_s: What the camera's clock is ahead of the time by.
        moved: Where the card stands, as shares of its width from its place.
    """

    kit: Kit
    folder: Path
    single: bool
    size: tuple[int, int] = (HIGH, WIDE)
    rounds: int = 2
    truth: dict[str, int] = field(default_factory=dict)
    said: list[tuple[int, str]] = field(default_factory=list)
    gave: list[tuple[int, str]] = field(default_factory=list)
    screen: str = ""
    time_s: float = 0.0
    clock_s: float = 0.0
    moved: tuple[float, float] = (0.0, 0.0)
    ended: bool = False

    def __post_init__(self) -> None:
        words = ["plan", str(self.folder), "--heads", ",".join(self.kit.mired), "--powers", ",".join(self.kit.powers)]
        words += ["--repeats", str(self.rounds), "--seed", str(self.kit.seed)]
        done = CliRunner().invoke(app, words, catch_exceptions=False)
        assert done.exit_code == 0, done.output
        with (self.folder / "session.toml").open("a", encoding="utf-8") as toml:
            toml.write(TOLERANCE)
        self.frames = self.folder / "frames"
        self.frames.mkdir(exist_ok=True)
        self.plan = pd.read_csv(self.folder / "shots.csv", dtype=str, keep_default_na=False)
        self.watch = Watch(load_settings(self.folder), self._tell, self._warn)
        self.watch.begin()
        self.look = arrivals(self.watch.settings, EVERY_S)
        scene = np.random.default_rng([self.kit.seed, 4]).uniform(0.06, 0.3, tuple(side // 4 for side in self.size))
        self.ground = np.kron(scene, np.ones((4, 4)))

    # --- the screen -----------------------------------------------------------------------------------------------

    def _tell(self, text: str) -> None:
        flat = " ".join(text.split())
        if text.startswith("  ! "):
            self.said.append((len(self.truth), flat))
        elif "====" in text:
            self.screen = flat
            self.ended = "ALL SHOT" in text
        else:
            self.gave.append((len(self.truth), flat))

    def _warn(self, line: str) -> None:
        self.said.append((len(self.truth), line))

    def see(self) -> None:
        """Wait until the watch has seen what is new."""
        next(self.look)
        self.watch.step()

    @property
    def due(self) -> int:
        """The row that the screen asks for; -1 where none."""
        found = re.search(r"box (\d+) of", self.screen)
        return int(found[1]) - 1 if found and not self.ended else -1

    # --- the camera -----------------------------------------------------------------------------------------------

    def fire(
        self, row: int, *, power: str = "", lit: bool = True, iso: int = 0, counts: bool = True, see: bool = True
    ) -> str:
        """Shoot a row of the plan, or what differs from it; a frame that `counts` belongs on the row."""
        here = self.plan.iloc[row]
        iso = iso or self.iso(row)
        rgb, level = self.kit.light(row, here["head"], power or here["power"]) if here["head"] else (np.ones(3), 0.0)
        self.time_s += 12.0
        light = FULL * 2.0**level * rgb * (lit and here["kind"] == "flash")
        room = 0.0 if here["kind"] == "dark" else ROOM
        name = f"IMG_{len(self.truth) + 1:04d}.dng"
        noise = np.random.default_rng([self.kit.seed, 3, row])  # that of the row, whatever was shot before
        pixels = self.expose(light + room * np.array([0.9, 1.0, 0.4]), iso / 100.0, noise)
        self.arrive(name, dng(pixels, self.time_s + self.clock_s, 0, iso))
        self.truth[name] = row if counts else -1
        if see:
            self.see()
        return name

    def arrive(self, name: str, data: bytes) -> None:
        part = self.folder / f"{name}.part"
        part.write_bytes(data)
        part.rename(self.frames / name)

    def iso(self, row: int) -> int:
        return int(self.plan["note"].iloc[row].split("ISO ")[1]) if "ISO " in self.plan["note"].iloc[row] else 100

    def expose(self, light: np.ndarray, gain: float, noise: np.random.Generator) -> np.ndarray:
        """Return counts of the scene under a light on the card [counts at ISO 100]."""
        high, wide = self.size
        side = CARD * high // HIGH
        top, left = ((full - side) // 2 + round(move * side) for full, move in zip(self.size, self.moved, strict=True))
        scene = self.ground.copy()
        scene[top : top + side, left : left + side] = 1.0
        site = np.tile(CFA, (high // 2, wide // 2))
        electrons = noise.poisson(scene * light[site] / COUNTS_PER_ELECTRON)
        counts = BLACK + gain * (COUNTS_PER_ELECTRON * electrons + noise.standard_normal(site.shape))
        return np.clip(np.rint(counts), 0, WHITE).astype("<u2")

    # --- the person -----------------------------------------------------------------------------------------------

    def shoot(self, rows: Sequence[int]) -> None:
        """Shoot rows as they come, several together."""
        for at, row in enumerate(rows):
            single = self.single or len(self.truth) < FIRST
            self.fire(row, see=single or at % TOGETHER == TOGETHER - 1 or at == len(rows) - 1)

    def finish(self, alone: int = 2) -> None:
        """Shoot what the screen asks for, `alone` frames each by itself, then the rest with what lies behind it."""
        for _ in range(alone):
            if self.due >= 0:
                self.fire(self.due)
        for _ in range(len(self.plan)):
            if self.due < 0:
                return
            shoot = self.watch.shoot
            assert shoot is not None
            assert shoot.done is not None
            row, rows = self.due, [self.due]
            while len(rows) < TOGETHER and row + 1 < len(self.plan) and shoot.done.rows[row + 1] < 0:
                row += 1
                rows.append(row)
            self.shoot(rows)

    # --- rows -----------------------------------------------------------------------------------------------------

    def flash(self, row: int) -> bool:
        here = self.plan.iloc[row]
        return bool(here["kind"] == "flash" and "check" not in here["note"])

    def changes(self, row: int) -> bool:
        """Head and ISO are those of the row before, and the power is another."""
        one, two = self.plan.iloc[row - 1], self.plan.iloc[row]
        same = self.flash(row) and self.flash(row - 1) and one["head"] == two["head"]
        return bool(same and self.iso(row) == self.iso(row - 1) and one["power"] != two["power"])

    def somewhere(self, wanted: Callable[[int], bool]) -> int:
        rows = [row for row in range(8, len(self.plan) - 3) if wanted(row)]
        return int(np.random.default_rng([self.kit.seed, 5]).choice(rows))


# --- the slips --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Slip:
    """What is to be said of a slip.

    Attributes:
        frames: Frames by which it has to be told: how many there were when it had happened, and one more.
        told, logged: Patterns; `logged` of `frame: placed` of a frame in the log, or of a note of the session.
    """

    frames: int
    told: str
    logged: str


def missed(set_: Set) -> Slip:
    row = set_.somewhere(lambda row: set_.changes(row) and set_.changes(row + 1))
    set_.shoot(range(row))
    name = set_.fire(row + 1)
    return Slip(len(set_.truth), rf"{name}: box {row + 1} .* is missing: shoot it now", f"{name}: skipped to")


def twice(set_: Set) -> Slip:
    row = set_.somewhere(lambda row: set_.changes(row) and set_.changes(row + 1))
    set_.shoot(range(row + 1))
    name = set_.fire(row, counts=False)
    return Slip(len(set_.truth), f"{name}: the light of the row before", f"{name}: set aside: not turned")


def misfire(set_: Set) -> Slip:
    row = set_.somewhere(set_.flash)
    set_.shoot(range(row))
    name = set_.fire(row, lit=False, counts=False)
    return Slip(len(set_.truth), f"{name}: the pack did not fire; shoot box {row + 1}", f"{name}: set aside: rejected")


def exchanged(set_: Set) -> Slip:
    row = set_.somewhere(lambda row: set_.changes(row) and set_.changes(row + 1))
    set_.shoot(range(row))
    set_.fire(row + 1)
    first = len(set_.truth)
    name = set_.fire(row)
    return Slip(first + 1, f"{name}: box {row + 1} and the one behind it were exchanged", f"{name}: exchanged")


def not_turned(set_: Set) -> Slip:
    row = set_.somewhere(set_.changes)
    set_.shoot(range(row))
    name = set_.fire(row, power=set_.plan["power"].iloc[row - 1], counts=False)
    return Slip(len(set_.truth), f"{name}: the light of the row before", f"{name}: set aside: not turned")


def iso_left(set_: Set) -> Slip:
    """The first frame behind a change of ISO is shot at the ISO before; it counts unless it is clipped."""
    row = set_.somewhere(lambda row: bool(set_.plan["head"].iloc[row]) and set_.iso(row) != set_.iso(row - 1))
    set_.shoot(range(row))
    left, here = set_.iso(row - 1), set_.plan.iloc[row]
    level = FULL * 2.0 ** set_.kit.light(row, here["head"], here["power"])[1] * left / 100.0
    name = set_.fire(row, iso=left, counts=level < WHITE - BLACK)
    return Slip(len(set_.truth), f"{name}: .*asks for ISO {set_.iso(row)}", f"{name}: .*ISO {left}")


def clock(set_: Set) -> Slip:
    row = set_.somewhere(set_.flash)
    set_.shoot(range(row))
    set_.clock_s = -3600.0
    name = set_.fire(row)
    return Slip(len(set_.truth), f"{name}: .*clock was set back", f"{name}: .*clock set back")


def card_moved(set_: Set) -> Slip:
    """A frame with the card elsewhere; it counts where it is, or its row is shot again."""
    row = set_.somewhere(set_.flash)
    set_.shoot(range(row))
    rng = np.random.default_rng([set_.kit.seed, 6])
    far = float(rng.uniform(0.3, 0.7))
    set_.moved = (far * float(rng.choice([-1.0, 1.0])), far * float(rng.choice([-1.0, 1.0])))
    name = set_.fire(row)
    told = len(set_.truth)
    set_.moved = tuple(rng.uniform(-0.02, 0.02, 2).tolist())  # put back, but for a hair
    known = "target or the camera has moved|no even grey target"
    return Slip(told, f"{name}: .*({known})", f"{name}: .*target|{name}: set aside")


def warm_ups(set_: Set) -> Slip:
    heads = set_.plan["head"].where(~set_.plan["note"].str.contains("check"), "").tolist()
    row = set_.somewhere(lambda row: set_.flash(row) and heads.index(heads[row]) == row)
    set_.shoot(range(row))
    names = [set_.fire(row, power="full", counts=False) for _ in range(12)]
    set_.fire(row)
    told = len(set_.truth) - 11  # the second one; a single one more is a frame shot twice
    return Slip(told, f"{names[0]}: taken for a warm-up flash", f"{names[-1]}: set aside: warm-up")


def card_pulled(set_: Set) -> Slip:
    """The memory card goes with all its frames, five more are shot on it, and it comes back."""
    row = set_.somewhere(set_.flash)
    set_.shoot(range(row))
    away = set_.folder / "in the camera"
    set_.frames.rename(away)
    set_.see()
    told = len(set_.truth)
    set_.frames = away
    for other in range(row, min(row + 5, len(set_.plan))):
        set_.fire(other, see=False)
    set_.frames = set_.folder / "frames"
    away.rename(set_.frames)
    set_.see()
    return Slip(told, "frames: no such folder", ".*")


SLIPS: Final[dict[str, Callable[[Set], Slip]]] = {
    "missed": missed, "twice": twice, "misfire": misfire, "exchanged": exchanged, "not turned": not_turned,
    "ISO left": iso_left, "clock": clock, "card moved": card_moved, "12 warm-ups": warm_ups, "card pulled": card_pulled,
}  # fmt: skip


# --- judged -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Found:
    """How a shoot ended, see the columns; `why` says what did not hold."""

    placed: bool
    told: bool
    logged: bool
    verdict: bool
    quiet: bool
    ended: bool
    why: tuple[str, ...] = ()


Verdict = tuple[str, dict[str, str], list[str]]


def called(folder: Path) -> Verdict:
    """Return what the report says: of the kit, of each head, and which go back."""
    document: dict[str, Any] = open_session(folder).report().document
    return document["kit_verdict"], {one["label"]: one["verdict"] for one in document["heads"]}, document["back"]


def clean(kit: Kit, folder: Path, **how: Any) -> tuple[Set, Verdict]:
    """Play the shoot without a slip."""
    set_ = Set(kit, folder, **how)
    set_.shoot(range(len(set_.plan)))
    set_.look.close()
    return set_, called(folder)


def play(kit: Kit, folder: Path, slip: Callable[[Set], Slip], verdict: Verdict, **how: Any) -> Found:
    """Play a shoot with a slip, and judge it."""
    set_ = Set(kit, folder, **how)
    said = slip(set_)
    set_.finish()
    set_.look.close()
    log = pd.read_csv(folder / "shots.csv", dtype=str, keep_default_na=False).set_index("frame", drop=False)
    light = (set_.plan["head"] + "|" + set_.plan["power"] + "|" + set_.plan["kind"]).tolist()
    wrong = []
    for name, row in set_.truth.items():
        there = log.loc[name]
        found = "|".join(there[["head", "power", "kind"]]) if there["kind"] != "job" else ""
        aside_ok = said.logged.startswith(f"{name}:") and found == ""
        if found != (light[row] if row >= 0 else "") and not aside_ok:
            wrong.append(f"{name}: {found or 'set aside'}, not {light[row] if row >= 0 else 'set aside'}")
    notes = sentences(set_.watch.found.notes) if set_.watch.found else []
    held = [*(log["frame"] + ": " + log["placed"] + " " + log["note"]).tolist(), *notes]
    mine = [(at, line) for at, line in (*set_.said, *set_.gave) if re.search(said.told, line)]
    now, others = called(folder), [line for at, line in set_.said if not said.frames - 1 <= at <= said.frames + 12]
    told = any(at <= said.frames + 1 for at, _ in mine)
    logged = any(re.search(said.logged, line) for line in held)
    why = [*wrong, *others]
    why += [] if told else [f"told: {set_.said}"]
    why += [] if logged else [f"log: {[line for line in held if said.logged.split(':')[0] in line]}"]
    why += [] if now == verdict else [f"verdict: {now}, clean {verdict}"]
    return Found(not wrong, told, logged, now == verdict, not others, set_.ended, tuple(why))


def played(seeds: Sequence[int], names: Sequence[str], single: bool, place: Path) -> Iterator[tuple[int, str, Found]]:
    """Play each slip with each seed."""
    for seed in seeds:
        kit = Kit.of(seed)
        set_, verdict = clean(kit, place / "clean", single=single)
        right = Found(True, not set_.said, True, True, not set_.said, set_.ended, tuple(line for _, line in set_.said))
        yield seed, "clean", right
        for name in names:
            yield seed, name, play(kit, place / "shoot", SLIPS[name], verdict, single=single)
            shutil.rmtree(place / "shoot")
        shutil.rmtree(place / "clean")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", nargs="+", choices=SLIPS, default=list(SLIPS))
    parser.add_argument("--single", action="store_true")
    asked = parser.parse_args()
    columns = [name for name in Found.__dataclass_fields__ if name != "why"]
    held: dict[str, list[Found]] = {}
    began = time.perf_counter()
    with TemporaryDirectory() as place:
        seeds = range(asked.first, asked.first + asked.seeds)
        for seed, name, found in played(seeds, asked.only, asked.single, Path(place)):
            held.setdefault(name, []).append(found)
            bad = [column for column in columns if not getattr(found, column)]
            print(f"{time.perf_counter() - began:6.0f} s  seed {seed}  {name}: {', '.join(bad) or 'holds'}", flush=True)
            for line in found.why if bad else ():
                print(f"          {line}")
    print("\n| slip | shoots | " + " | ".join(columns) + " |\n|---|" + "---|" * (len(columns) + 1))
    for name, all_ in held.items():
        counts = [sum(getattr(one, column) for one in all_) for column in columns]
        print(f"| {name} | {len(all_)} | " + " | ".join(map(str, counts)) + " |")


if __name__ == "__main__":
    main()
