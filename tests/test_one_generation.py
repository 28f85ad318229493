"""What one run writes belongs together: a killed run, or two at once, leave no parts of two runs unsaid."""

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

import greystep.correct.render as rendering
from greystep.api import Session, open_session
from greystep.demo.kit import HeadCharacter, Kit, shoot
from greystep.demo.scenario import write_session
from greystep.demo.sensor import Sensor
from helpers.console import greystep

pytestmark = pytest.mark.breakage

#: What each command writes with one choice of options, and with another.
WRITERS: dict[str, Callable[[Session, bool], Callable[[Path], object]]] = {
    "report": lambda session, other: session.report(mired=0.01 if other else 9.0, duv=0.01).write,
    "correct": lambda session, other: session.correct("5000K" if other else None).write,
    "tiff": lambda session, other: session.correct("5000K" if other else None).render,
}


class Killed(BaseException):
    """Nothing catches it, as nothing catches the signal."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of seven small frames."""
    made = tmp_path_factory.mktemp("made") / "kit"
    heads = tuple(HeadCharacter(head, mired=m, scatter_mired=0.2) for head, m in (("A", 178.6), ("B", 184.0)))
    sensor = Sensor(height=96, width=144)
    kit = Kit(heads, title="Kit", powers=("1/1", "1/4"), repeats=1, compressed=False, warmup_shots=0, sensor=sensor)
    write_session(made, kit, shoot(kit, 1), 1)
    return made


@pytest.fixture(scope="module")
def session(folder: Path) -> Session:
    return open_session(folder)


def content(out: Path) -> dict[str, bytes]:
    """The results in a folder; not what tells of them, nor hidden files."""
    files = [path for path in out.rglob("*") if path.is_file() and not path.name.startswith(".")]
    told = (".run.json", "rendered.json")
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in files if not path.name.endswith(told)}


def is_said(out: Path) -> bool:
    """Whether what lies beside the results tells that they are not of one run."""
    for index in out.glob("*.run.json"):
        for name, digest in json.loads(index.read_text())["files"].items():
            if not (out / name).is_file() or hashlib.sha256((out / name).read_bytes()).hexdigest() != digest:
                return True
    if (out / "rendered.json").is_file():
        record = json.loads((out / "rendered.json").read_text())
        entries = record["files"] | {
            name: entry
            for name, entry in record["coming"].items()
            if (out / name).stat().st_mtime_ns == entry["mtime_ns"]
        }
        return len({entry.get("run") for entry in entries.values()}) > 1
    return False


@pytest.mark.parametrize("command", WRITERS)
def test_a_run_that_is_killed_at_any_write_leaves_no_mix_unsaid(
    command: str, session: Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = (WRITERS[command](session, other) for other in (False, True))
    monkeypatch.setattr(rendering, "_WORKERS", 1)
    # What the page holds is tested elsewhere; laying it out for each kill takes most of the time.
    monkeypatch.setattr("greystep.results.report.report_page", lambda *said: f"<p>run {said[-1]}</p>")
    monkeypatch.setattr("greystep.results.report.overviews", lambda *_: {})
    first(tmp_path / "old")
    second(tmp_path / "new")
    old, new = content(tmp_path / "old"), content(tmp_path / "new")
    changed = {name for name in old if old[name] != new[name]}
    assert len(changed) > 1
    replace, unlink = os.replace, os.unlink
    mixes = 0
    for allowed in range(200):
        out = tmp_path / f"killed at {allowed}"
        shutil.copytree(tmp_path / "old", out)
        left = [allowed]

        def counted(
            act: Callable[..., None], *paths: str | Path, left: list[int] = left, out: Path = out, **more: int
        ) -> None:
            if Path(paths[-1]).is_relative_to(out):
                left[0] -= 1
                if left[0] < 0:
                    raise Killed
            act(*paths, **more)

        with monkeypatch.context() as patch:
            patch.setattr(os, "replace", lambda *paths, **more: counted(replace, *paths, **more))
            patch.setattr(os, "unlink", lambda *paths, **more: counted(unlink, *paths, **more))
            try:
                second(out)
            except Killed:
                pass
            else:
                break
        found = content(out)
        mixed = len({found.get(name) == new[name] for name in changed}) > 1
        mixes += mixed
        assert not mixed or is_said(out), (command, allowed, sorted(n for n in changed if found.get(n) == new[n]))
    else:
        pytest.fail("the run never came to its end")
    assert allowed > 1
    assert content(out) == new
    assert not is_said(out)
    second(tmp_path / "killed at 2")
    assert content(tmp_path / "killed at 2") == new
    assert not is_said(tmp_path / "killed at 2")
    hidden = [path for path in tmp_path.rglob("*") if path.name.startswith(".") and path.parent.name != "kit"]
    assert [path for path in hidden if "killed at 2" in path.parts] == []


@pytest.fixture(scope="module")
def mixed(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Results of which a table, a collection and a frame are of an earlier run."""
    out = tmp_path_factory.mktemp("mixed") / "out"
    for first in (["report"], ["correct"], ["render"]):
        assert greystep(*first, folder, "--out", out).status == 0
    kept = {name: (out / name).read_bytes() for name in ("heads.csv", "corrections.ccc", "rendered.json")}
    frame = sorted((out / "tiff").iterdir())[1]
    data, state = frame.read_bytes(), frame.stat()
    for first in (["report", "--mired", "0.01"], ["correct", "--to", "5000K"], ["render", "--to", "5000K"]):
        assert greystep(*first, folder, "--out", out).status == 0
    for name in ("heads.csv", "corrections.ccc"):
        (out / name).write_bytes(kept[name])
    frame.write_bytes(data)
    os.utime(frame, ns=(state.st_atime_ns, state.st_mtime_ns))
    record = json.loads((out / "rendered.json").read_text())
    record["files"][f"tiff/{frame.name}"] = json.loads(kept["rendered.json"])["files"][f"tiff/{frame.name}"]
    (out / "rendered.json").write_text(json.dumps(record))
    return out


@pytest.mark.parametrize("command", [["report"], ["correct"], ["correct", "--check"], ["render"], ["render", "--sum"]])
def test_the_next_command_says_that_parts_are_of_two_runs(
    command: list[str], folder: Path, mixed: Path, tmp_path: Path
) -> None:
    """Every reader of a folder of results."""
    out = Path(shutil.copytree(mixed, tmp_path / "out"))
    frames = sorted((out / "tiff").iterdir())
    (tmp_path / "PLATES.csv").write_text(f"plate\n{frames[0].stem}\n{frames[2].stem}\n")
    more = [tmp_path / "PLATES.csv"] if "--sum" in command else []
    options = ["--to", "5000K"] if command[0] != "report" else []
    done = greystep(command[0], folder, *command[1:], *more, *options, "--out", out)
    assert done.status == 0, done.err
    lines = [line for line in done.err.splitlines() if "two runs" in line]
    for part in ("heads.csv", "corrections.ccc", f"tiff/{frames[1].name}"):
        assert any(part in line for line in lines), done.err


def test_one_run_carries_one_name_everywhere(folder: Path, tmp_path: Path) -> None:
    for command in ("report", "correct"):
        assert greystep(command, folder, "--out", tmp_path).status == 0
    for index, document in (("report", "summary"), ("corrections", "corrections")):
        run = json.loads((tmp_path / f"{index}.run.json").read_text())["run"]
        assert json.loads((tmp_path / f"{document}.json").read_text())["run"] == run
        assert len(run) == 16
    page = (tmp_path / "report.html").read_text("utf-8")
    run = json.loads((tmp_path / "summary.json").read_text())["run"]
    assert f"run {run}" in page
    before = (tmp_path / "report.run.json").read_bytes()
    assert greystep("report", folder, "--out", tmp_path).status == 0
    assert (tmp_path / "report.run.json").read_bytes() == before  # the same numbers are the same run
    assert greystep("report", folder, "--out", tmp_path, "--mired", "0.01").status == 0
    assert json.loads((tmp_path / "summary.json").read_text())["run"] != run


HOLDER = """
import sys, time
from pathlib import Path
import greystep.correct.render as rendering
from greystep.cli.app import run
def slow(*words):
    Path(begun).touch()
    time.sleep(60)
rendering._one = slow
begun = sys.argv.pop()
run()
"""


def test_two_renders_into_one_folder_never_mix(folder: Path, tmp_path: Path) -> None:
    out, begun = tmp_path / "out", tmp_path / "begun"
    words = [sys.executable, "-c", HOLDER, "render", str(folder), "--out", str(out), str(begun)]
    holder = subprocess.Popen(words, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 30
        while not begun.exists():
            assert time.monotonic() < until
            assert holder.poll() is None
            time.sleep(0.05)
        done = greystep("render", folder, "--to", "5000K", "--out", out)
        assert done.status == 1
        said = [line for line in done.err.splitlines() if line.startswith("greystep: ")]
        assert len(said) == 1
        assert f"process {holder.pid}" in said[0]
        assert not list((out / "tiff").glob("*.tif")) if (out / "tiff").is_dir() else True
    finally:
        holder.kill()
        holder.wait()
    done = greystep("render", folder, "--to", "5000K", "--out", out)  # the dead one holds nothing
    assert done.status == 0, done.err
    assert not [path for path in out.rglob(".*") if path.name.endswith((".lock", ".part"))]


def test_what_a_killed_run_left_goes_at_once_and_nothing_else(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "tiff").mkdir()
    (tmp_path / "figures").mkdir()
    dead = [".report.html.12345678.part", "figures/.warmth.svg.12345678.part", "tiff/.f0099.tif.abcdefgh.part"]
    alive = ["film.part", ".mine.doc.12345678.part", "figures/.warmth.svg.part", "tiff/.f1.tif.1234.part"]
    for name in (*dead, *alive):
        (tmp_path / name).write_text("half")
    (tmp_path / "figures" / ".tint.svg.12345678.part").symlink_to(tmp_path / "film.part")
    for command in ("report", "render"):
        assert greystep(command, folder, "--out", tmp_path).status == 0
    assert not [name for name in dead if (tmp_path / name).exists()]
    assert all((tmp_path / name).read_text() == "half" for name in alive)


def test_a_frame_that_is_edited_while_the_run_works_is_kept(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert greystep("render", folder, "--out", tmp_path).status == 0
    last = sorted((tmp_path / "tiff").iterdir())[-1]
    write = rendering.write_image

    def edited(path: Path, *more: object) -> float:
        if path == last:
            last.write_bytes(b"retouched by hand")
        return write(path, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(rendering, "write_image", edited)
    done = greystep("render", folder, "--to", "5000K", "--out", tmp_path)
    assert last.read_bytes() == b"retouched by hand"
    assert done.status == 1
    assert last.name in done.err
