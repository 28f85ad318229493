"""Kill `report`, `correct` and `render` at random moments of their writing, and see what is left: by hand.

    PYTHONPATH=src:tests python tests/benchmarks/kill_runs.py [KILLS OF EACH, 30 by default] [COMMAND ...]

The bar is 500 kills in all: nothing lost, nothing mixed unsaid.

Each run writes other results over those of an earlier run and is killed (SIGKILL) between its first write and its end.
Left are the results of the earlier run, those of the new run, or a mix; a mix that no manifest, record or next command
tells of is unsaid. A result that is of neither run is lost.
"""

import os
import shutil
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from greystep.cli.app import run
from greystep.demo.kit import HeadCharacter, Kit, shoot
from greystep.demo.scenario import write_session
from greystep.demo.sensor import Sensor
from helpers.console import greystep

COMMANDS = {
    "report": (["report"], ["report", "--mired", "0.01", "--duv", "0.00001"]),
    "correct": (["correct"], ["correct", "--to", "5000K"]),
    "render": (["render"], ["render", "--to", "5000K"]),
}


def results(out: Path) -> dict[str, bytes]:
    """Return the results in a folder: not what tells of them, nor what is hidden."""
    found = {path.relative_to(out).as_posix(): path for path in out.rglob("*") if path.is_file()}
    told = (".run.json", "rendered.json")
    return {name: path.read_bytes() for name, path in found.items() if path.name[0] != "." and not name.endswith(told)}


def started(words: list[str]) -> int:
    """Start a command in a process of its own, without the time that imports take."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of forks beside threads, from Python 3.12 on
        child = os.fork()
    if child == 0:
        with open(os.devnull, "w") as null:
            sys.stdout, sys.stderr, sys.argv = null, null, ["greystep", *words]
            try:
                run()
            finally:
                os._exit(0)
    return child


def until_it_writes(out: Path, before: set[Path], child: int) -> None:
    """Wait for the first file that was not there, or the end of the process."""
    newest = max(path.stat().st_mtime_ns for path in before)
    while not os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT):
        with_new = [path for path in out.rglob("*") if path not in before]
        if with_new or any(path.exists() and path.stat().st_mtime_ns > newest for path in before):
            return
        time.sleep(0.002)


def killed(folder: Path, place: Path, command: str, kills: int, rng: np.random.Generator) -> Counter[str]:
    """Kill one command so many times; return how often each outcome came."""
    first, second = COMMANDS[command]
    whole = {}
    for name, words in (("old", first), ("new", second)):
        assert greystep(words[0], folder, *words[1:], "--out", place / name).status == 0
        whole[name] = results(place / name)
    changed = {name for name, data in whole["old"].items() if whole["new"][name] != data}
    out, counts = place / "out", Counter[str]()
    takes = 0.0
    for kill in range(-1, kills):  # the first one is not killed: its writing is timed
        shutil.rmtree(out, ignore_errors=True)
        shutil.copytree(place / "old", out)
        child = started([second[0], str(folder), *second[1:], "--out", str(out)])
        until_it_writes(out, set(out.rglob("*")), child)
        begun = time.monotonic()
        if kill < 0:
            os.waitpid(child, 0)
            takes = time.monotonic() - begun
            continue
        time.sleep(float(rng.uniform(0.0, takes)))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        found = results(out)
        new = {name for name in changed if found.get(name) == whole["new"][name]}
        old = {name for name in changed if found.get(name) == whole["old"][name]}
        lost = changed - new - old - {"report.html"} if command == "report" else changed - new - old
        counts["lost"] += bool(lost)
        if len(new) in (0, len(changed)):
            counts["new" if new else "old"] += 1
            continue
        done = greystep(second[0], folder, *second[1:], "--out", out)
        counts["mixed, said" if "two runs" in done.err else "mixed, UNSAID"] += 1
        counts["not whole after the next run"] += results(out) != whole["new"]
        counts["left over after the next run"] += any(path.name[0] == "." for path in out.rglob("*.part"))
    return counts


def make_session(folder: Path) -> None:
    """Write a session of eight small frames with heads that differ."""
    heads = tuple(HeadCharacter(head, mired=m, scatter_mired=0.2) for head, m in (("A", 178.6), ("B", 184.0)))
    kit = Kit(heads, title="Kit", powers=("1/1", "1/4"), repeats=1, compressed=False, sensor=Sensor(96, 144))
    write_session(folder, kit, shoot(kit, 1), 1)


def main(kills: int, commands: Sequence[str]) -> None:
    """Print the counts of some commands."""
    rng = np.random.default_rng(13)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "kit"
        make_session(folder)
        for command in commands:
            (Path(scratch) / command).mkdir()
            counts = killed(folder, Path(scratch) / command, command, kills, rng)
            print(
                f"{command:8s} {kills} kills: " + ", ".join(f"{n} {what}" for what, n in sorted(counts.items()) if n),
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30, sys.argv[2:] or list(COMMANDS))
