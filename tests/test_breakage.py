"""What else may break a run: a kill at any moment, a disk that is full, a folder that is closed, a second process.

`pytest -m breakage` runs these, and with them the odd files, names and numbers of `test_doors`, the originals and
foreign files of `test_nothing_lost`, the generations of `test_one_generation` and the bombs of `raw/test_layouts`.
`benchmarks/kill_runs.py` kills by the hundred.
"""

import os
import resource
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

import greystep as package
from benchmarks.kill_runs import COMMANDS, killed, make_session, results, started
from greystep.generation import of_two_runs
from helpers.console import Result, greystep

pytestmark = [pytest.mark.breakage, pytest.mark.skipif(os.name != "posix", reason="processes are forked")]
#: Kills of each command at random moments, 30 in all, and the seed of the moments.
KILLS = {"report": 8, "correct": 10, "render": 12}
SEED = 2026


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("made") / "kit"
    make_session(made)
    return made


@pytest.mark.parametrize("command", COMMANDS)
def test_a_kill_at_a_random_moment_loses_nothing_and_leaves_no_mix_unsaid(
    command: str, folder: Path, tmp_path: Path
) -> None:
    counts = killed(folder, tmp_path, command, KILLS[command], np.random.default_rng([SEED, len(command)]))
    ends = counts["old"] + counts["new"] + counts["mixed, said"]
    assert ends == KILLS[command]
    assert not counts["lost"] + counts["mixed, UNSAID"], counts
    assert not counts["not whole after the next run"] + counts["left over after the next run"], counts


def whole(out: Path, old: dict[str, bytes]) -> None:
    """Nothing of an earlier run has gone, and what is not as it left it is told."""
    found = results(out)
    assert old.keys() <= found.keys()
    changed = {name for name in old if found[name] != old[name]}
    told = {name for _, names in of_two_runs(out) for name in names}
    assert not changed or told
    assert not [path for path in out.rglob("*") if path.name.endswith(".part")]


def one_line(done: Result) -> None:
    assert done.status == 1, (done.status, done.out, done.err)
    assert "Traceback" not in done.err
    assert len([line for line in done.err.splitlines() if line.startswith("greystep: ")]) == 1, done.err


@pytest.fixture(scope="module")
def earlier(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Results of earlier runs."""
    out = tmp_path_factory.mktemp("earlier") / "out"
    for words, _ in COMMANDS.values():
        assert greystep(words[0], folder, *words[1:], "--out", out).status == 0
    return out


@pytest.fixture
def written(earlier: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(earlier, tmp_path / "out"))


@contextmanager
def no_file_beyond(size: int) -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("size", [0, 300, 4_000])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_disk_that_is_full_costs_no_earlier_result(command: str, size: int, folder: Path, written: Path) -> None:
    old, words = results(written), COMMANDS[command][1]
    with no_file_beyond(size):
        done = greystep(words[0], folder, *words[1:], "--out", written)
    one_line(done)
    assert "cannot be written" in done.err
    whole(written, old)
    assert results(written) == old  # what did not fit was written aside


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own of 400 kB."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k,mode=777", "tmpfs", str(place)], capture_output=True, check=False
    ) if shutil.which("mount") else None  # fmt: skip
    if mounted is None or mounted.returncode:
        pytest.skip("no file system may be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_a_small_disk_that_runs_full(folder: Path, small_disk: Path) -> None:
    assert greystep("correct", folder, "--out", small_disk).status == 0
    old = results(small_disk)
    (small_disk / "film").write_bytes(bytes(shutil.disk_usage(small_disk).free - 8192))
    for words in (["correct", "--to", "5000K"], ["report"], ["render"]):
        done = greystep(words[0], folder, *words[1:], "--out", small_disk)
        one_line(done)
        whole(small_disk, old)
        assert {name: data for name, data in results(small_disk).items() if name in old} == old
    (small_disk / "film").unlink()
    assert greystep("correct", folder, "--to", "5000K", "--out", small_disk).status == 0
    assert results(small_disk) != old


@pytest.mark.parametrize("command", COMMANDS)
def test_a_folder_that_may_not_be_written_keeps_what_is_in_it(command: str, folder: Path, earlier: Path) -> None:
    if os.geteuid() == 0 and not os.access(Path(package.__file__).parents[2], os.X_OK):
        pytest.skip("greystep is installed where root alone can read it")
    words = COMMANDS[command][1]
    with tempfile.TemporaryDirectory() as place:  # not below the folder of the test runner, which is for one user alone
        os.chmod(place, 0o755)
        session, out = (Path(shutil.copytree(one, Path(place, one.name))) for one in (folder, earlier))
        old = results(out)
        for path in (*out.rglob("*"), out):
            path.chmod(0o555 if path.is_dir() else 0o444)
        done = without_rights(lambda: greystep(words[0], session, *words[1:], "--out", out))
        one_line(done)
        assert results(out) == old
        for path in (out, *out.rglob("*")):
            path.chmod(0o755)


def without_rights(work: Callable[[], Result]) -> Result:
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        return work()
    finally:
        if root:
            os.seteuid(0)


def test_two_runs_at_once_leave_the_results_of_one(folder: Path, written: Path) -> None:
    """Two choices of options: what is left is what one of them writes alone."""
    for command in ("report", "correct"):
        alone: list[dict[str, bytes]] = []
        for words in COMMANDS[command]:
            out = written.parent / f"{command} {len(alone)}"
            assert greystep(words[0], folder, *words[1:], "--out", out).status == 0
            alone.append(results(out))
        names = alone[0].keys()
        running = [started([words[0], str(folder), *words[1:], "--out", str(written)]) for words in COMMANDS[command]]
        for child in running:
            os.waitpid(child, 0)
        left = {name: data for name, data in results(written).items() if name in names}
        assert left in alone
        assert not of_two_runs(written)
    assert not [path for path in written.rglob("*") if path.name.endswith((".part", ".lock"))]
