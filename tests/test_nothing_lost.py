"""Nothing of the user's is ever lost: originals, edited files, foreign folders, frames that cannot be seen."""

import hashlib
import importlib.util
import os
import shutil
import signal
import subprocess
import sys
import tarfile
import time
import zipfile
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

import greystep.correct.render as rendering
from benchmarks.kill_runs import started
from greystep.demo.kit import HeadCharacter, Kit, shoot
from greystep.demo.scenario import write_session
from greystep.demo.sensor import Sensor
from greystep.errors import GreystepError
from greystep.session.ingest import ingest
from greystep.session.settings import load_settings
from helpers.console import Result, greystep

pytestmark = pytest.mark.breakage

ROOT = Path(__file__).parents[1]
CODE = "from greystep.cli.app import run; run()"
COMMANDS = {
    "ingest": ["ingest", "SESSION"],
    "report": ["report", "SESSION"],
    "correct": ["correct", "SESSION"],
    "tiff": ["render", "SESSION"],
    "dng": ["render", "SESSION", "--as", "dng"],
    "sum": ["render", "SESSION", "--sum", "PLATES"],
    "choose": ["choose", "SESSION", "--need", "2"],
    "audit": ["audit", "SETUP", "--profile", "SESSION"],
    "audit of frames": ["audit", "SESSION"],
    "history": ["history", "SESSION", "OTHER"],
    "watch": ["watch", "SESSION", "--every", "0.05", "--idle", "0.2"],
}


def process(*words: str | Path, code: str = CODE, **more: object) -> Result:
    """Run it in a process of its own."""
    env = {name: value for name, value in os.environ.items() if not name.startswith(("LC_", "LANG"))}
    env |= more.pop("env", {})  # type: ignore[call-overload]
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        capture_output=True, text=True, errors="surrogateescape", timeout=120, check=False, env=env, **more,  # type: ignore[call-overload]
    )  # fmt: skip
    return Result(done.returncode, done.stdout, done.stderr)


def one_line(done: Result) -> str:
    """The one line that a command which could not do its work leaves; never a traceback."""
    assert "Traceback" not in done.err, done.err
    assert done.status == 1, (done.status, done.out, done.err)
    lines = [line for line in done.err.splitlines() if line.startswith("greystep: ")]
    assert len(lines) == 1, done.err
    return lines[0]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A good session of 15 small frames."""
    folder = tmp_path_factory.mktemp("made") / "kit"
    kit = Kit(
        tuple(HeadCharacter(head, pack="P1", mired=m, scatter_mired=0.2) for head, m in (("A", 178.6), ("B", 179.6))),
        title="Kit", powers=("1/1", "1/4"), repeats=2, compressed=False, warmup_shots=0,
        sensor=Sensor(height=160, width=240),
    )  # fmt: skip
    write_session(folder, kit, shoot(kit, 1), 1)
    assert greystep("report", folder).status == 0
    shutil.rmtree(folder / "report")
    (folder / "readings.csv").unlink()
    return folder


@pytest.fixture
def session(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "kit"))


def states(folder: Path) -> dict[str, tuple[str, int, int, int]]:
    """Bytes, time, mode and inode of every file of a folder of frames."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.suffix == ".dng":
            state = path.stat()
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            found[path.relative_to(folder).as_posix()] = (digest, state.st_mtime_ns, state.st_mode, state.st_ino)
    return found


def listing(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*")}


# --- 1. originals ----------------------------------------------------------------------------------------------------


def lay(session: Path, place: str) -> Path:
    """Lay the frames of a session where a command might write; return the folder that holds them."""
    where = {"dng": "dng", "report/dng": "report/dng", "report": "report", "tiff": "report/tiff"}
    frames = session / "frames"
    if place in where:
        (session / where[place]).parent.mkdir(parents=True, exist_ok=True)
        frames.rename(session / where[place])
        name = where[place]
    elif place in ("link", "link of tiff"):
        (session / "report").mkdir()
        (session / "report" / ("dng" if place == "link" else "tiff")).symlink_to(frames, target_is_directory=True)
        return frames
    elif place == ".":
        for path in frames.iterdir():
            path.rename(session / path.name)
        frames.rmdir()
        name = "."
    else:  # the session lies inside its capture folder
        for path in frames.iterdir():
            path.rename(session.parent / path.name)
        frames.rmdir()
        name = ".."
    text = (session / "session.toml").read_text()
    (session / "session.toml").write_text(f'frames = "{name}"\n{text}')
    return session / name


GIVEN_OUT = ("dng", "choose")
#: Places in which only what renders could write.
RENDERED = ("dng", "report/dng", "tiff", "link of tiff")
PLACES = ("dng", "report/dng", "report", "tiff", "link", "link of tiff", ".", "..")


@pytest.mark.parametrize("place", PLACES)
def test_no_command_writes_among_the_originals(place: str, session: Path, made: Path, tmp_path: Path) -> None:
    frames = lay(session, place)
    names = sorted(path.name for path in frames.glob("*.dng"))
    (tmp_path / "PLATES.csv").write_text(f"plate\n{names[3]}\n{names[4]}\n")
    other = Path(shutil.copytree(made, tmp_path / "made"))
    setup = frames / "SETUP.csv"
    setup.write_text("role,head,power\nkey,A,1/1\nfill,B,1/1\n")
    before = states(frames)
    words = {"SESSION": session, "PLATES": tmp_path / "PLATES.csv", "SETUP": setup, "OTHER": other}
    around = {path: state for path in (session / ".greystep").iterdir() if (state := path.stat().st_mtime_ns)}
    there = listing(frames)
    for name, command in COMMANDS.items():
        if place in RENDERED and name not in ("report", "tiff", "dng", "sum"):
            continue
        for out in ([], *(["--out", str(to)] for to in (session, frames, session / "report") if name in GIVEN_OUT)):
            done = greystep(*[words.get(word, word) for word in command], *out)
            assert "Traceback" not in done.err, done.err
            assert states(frames) == before, (name, out, done.err)
            new = {entry for entry in listing(frames) - there if not entry.startswith(("made", "PLATES"))}
            assert not new, (name, out, new, done.status)
            if place in (".", "..") and (not out or out[1] == str(frames)) and name != "history":
                assert done.status == 1, (name, out, done.out)
                assert "never written to" in done.err
    if place in (".", ".."):
        assert {path: path.stat().st_mtime_ns for path in around} == around
        away = tmp_path.parent / f"{tmp_path.name} away"
        assert greystep("report", session, "--out", away).status == 0
        assert {"readings.csv", ".greystep", "report.html"} <= {path.name for path in away.iterdir()}
        assert states(frames) == before


def test_a_target_that_is_the_same_file_as_a_frame_is_refused(session: Path) -> None:
    names = sorted(path.name for path in (session / "frames").glob("*.dng"))
    (session / "report" / "dng").mkdir(parents=True)
    for name in names:
        os.link(session / "frames" / name, session / "report" / "dng" / f"{Path(name).stem}_c.dng")
    before = states(session / "frames")
    assert "raw frames" in one_line(greystep("render", session, "--as", "dng", "--force"))
    assert states(session / "frames") == before


@pytest.mark.parametrize("place", ["dng", "report/dng", "link"])
def test_a_render_over_its_own_source_is_refused_and_says_why(place: str, session: Path) -> None:
    frames = lay(session, place)
    before = states(frames)
    out = ["--out", str(session)] if place == "dng" else []
    said = one_line(greystep("render", session, "--as", "dng", *out))
    assert "raw frames" in said
    assert "--out" in said
    assert states(frames) == before


def test_frames_of_another_session_of_the_run_are_no_targets(session: Path, made: Path, tmp_path: Path) -> None:
    """The test session whose profile is used keeps its frames too: here its frames folder is the target folder."""
    other = Path(shutil.copytree(made, tmp_path / "test"))
    (session / "report").mkdir()
    (session / "report" / "dng").symlink_to(other / "frames", target_is_directory=True)
    before = states(other / "frames")
    one_line(greystep("render", session, "--as", "dng", "--profile", other))
    assert states(other / "frames") == before


# --- 2. edited and foreign files -------------------------------------------------------------------------------------


def test_an_edited_and_a_foreign_file_are_kept_and_named_until_force(session: Path) -> None:
    assert greystep("render", session).status == 0
    target = session / "report" / "tiff"
    first, second, third = sorted(target.glob("*.tif"))[:3]
    whole = third.read_bytes()
    first.write_bytes(b"retouched by hand")
    second.unlink()
    second.write_bytes(b"somebody else's")
    third.write_bytes(b"another")
    done = greystep("render", session)
    said = one_line(done)
    assert first.name in done.err
    assert second.name in done.err
    assert "--force" in said
    kept = [path.read_bytes() for path in (first, second, third)]
    assert kept == [b"retouched by hand", b"somebody else's", b"another"]
    assert greystep("render", session, "--force").status == 0
    assert third.read_bytes() == whole
    assert first.read_bytes() != b"retouched by hand"


def test_a_foreign_file_that_no_record_knows_is_kept(session: Path) -> None:
    target = session / "report" / "dng"
    target.mkdir(parents=True)
    name = f"{sorted(path.stem for path in (session / 'frames').glob('*.dng'))[4]}_c.dng"
    (target / name).write_bytes(b"not ours")
    done = greystep("render", session, "--as", "dng")
    assert name in one_line(done)
    assert (target / name).read_bytes() == b"not ours"


def test_what_this_tool_wrote_itself_is_written_anew_without_force(session: Path) -> None:
    assert greystep("render", session).status == 0
    before = {path.name: path.read_bytes() for path in (session / "report" / "tiff").iterdir()}
    assert greystep("render", session, "--to", "5000K").status == 0
    assert {path.name for path in (session / "report" / "tiff").iterdir()} == set(before)
    assert any(path.read_bytes() != before[path.name] for path in (session / "report" / "tiff").iterdir())


def test_a_sum_of_others_is_kept_and_one_of_ours_replaced(session: Path, tmp_path: Path) -> None:
    (tmp_path / "PLATES.csv").write_text("plate\nf0004.dng\nf0005.dng\n")
    command, target = ["render", session, "--sum", tmp_path / "PLATES.csv"], session / "report" / "sum.tif"
    for _ in range(2):
        assert greystep(*command).status == 0
    target.write_bytes(b"mine")
    assert "--force" in one_line(greystep(*command))
    assert target.read_bytes() == b"mine"
    assert greystep(*command, "--force").status == 0
    assert target.read_bytes() != b"mine"


@pytest.mark.parametrize("when", ["before", "after"])
def test_what_a_killed_render_left_is_its_own(when: str, session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    replace, left = os.replace, []

    def killed(source: str, target: Path) -> None:
        if Path(target).suffix == ".tif" and len(left) < 3:
            left.append(target)
        elif left and Path(target).suffix == ".tif":
            if when == "after":
                replace(source, target)
            raise KeyboardInterrupt
        replace(source, target)

    monkeypatch.setattr(os, "replace", killed)
    monkeypatch.setattr(rendering, "settle", lambda folder: None)
    monkeypatch.setattr(rendering, "_WORKERS", 1)
    assert greystep("render", session).status != 0
    monkeypatch.undo()
    done = greystep("render", session, "--to", "5000K")
    assert done.status == 0, done.err


# --- 3. the cache ----------------------------------------------------------------------------------------------------


def test_a_linked_cache_is_refused_and_its_folder_untouched(session: Path, tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.mkdir()
    for name in ("letter.txt", "0123456789abcdef0123456789abcdef.json", "picture.npy"):
        (precious / name).write_text("mine")
    shutil.rmtree(session / ".greystep")
    (session / ".greystep").symlink_to(precious, target_is_directory=True)
    before = listing(precious)
    for command in (["report", session], ["ingest", session]):
        done = greystep(*command)
        assert "Traceback" not in done.err
        assert ".greystep" in done.err
        assert listing(precious) == before
        assert all((precious / name).read_text() == "mine" for name in before)


def test_only_files_of_the_caches_own_form_are_deleted(session: Path) -> None:
    assert greystep("report", session).status == 0
    cache = session / ".greystep"
    foreign = ["notes.txt", "a.json", "b.npy", "target-mine.txt"]
    for name in foreign:
        (cache / name).write_text("mine")
    old = cache / ("f" * 32 + ".json")
    old.write_text("{}")
    assert greystep("report", session).status == 0
    assert all((cache / name).read_text() == "mine" for name in foreign)
    assert not old.exists()


def test_a_folder_without_the_tag_is_no_cache_of_ours(session: Path) -> None:
    cache = session / ".greystep"
    shutil.rmtree(cache)
    cache.mkdir()
    kept = cache / ("e" * 32 + ".json")
    kept.write_text("mine")
    greystep("ingest", session)
    assert kept.read_text() == "mine"


# --- 4. frames that cannot be seen -----------------------------------------------------------------------------------


def test_a_sub_folder_that_cannot_be_read_stops_the_run(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inner = session / "frames" / "B"
    inner.mkdir()
    (session / "frames" / "f0001.dng").rename(inner / "f0001.dng")
    seen = os.scandir

    def scandir(path: "str | os.PathLike[str]" = ".") -> "os._ScandirIterator[str]":
        if Path(path).name == "B":
            raise PermissionError(13, "Permission denied", str(path))
        return seen(path)  # type: ignore[return-value]

    monkeypatch.setattr(os, "scandir", scandir)
    with pytest.raises(GreystepError, match="B: cannot be read"):
        ingest(load_settings(session))


def test_a_file_that_vanishes_between_two_looks_is_not_there(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gone = session / "frames" / "f0004.dng"
    stat = os.stat

    def vanishing(path: Any, *where: Any, **more: Any) -> os.stat_result:
        if str(path).endswith(gone.name) and os.path.lexists(gone):
            gone.rename(gone.with_suffix(".off"))
        return stat(path, *where, **more)

    monkeypatch.setattr(os, "stat", vanishing)
    readings = ingest(load_settings(session)).readings
    assert readings.loc[readings["frame"] == "f0004.dng", "flags"].item() == "missing"


# --- 5. readings of damaged files ------------------------------------------------------------------------------------


def test_a_damaged_frame_that_is_copied_again_with_its_old_time_is_measured_again(session: Path) -> None:
    path = sorted((session / "frames").glob("*.dng"))[4]
    state, whole = path.stat(), path.read_bytes()
    damaged = bytearray(whole)
    damaged[len(damaged) // 2 : len(damaged) // 2 + 30000] = bytes(30000)  # behind what the fingerprint looks at
    path.write_bytes(damaged)
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert greystep("ingest", session).status == 0
    first = pd.read_csv(session / "readings.csv", dtype=str, keep_default_na=False).set_index("frame")
    assert first.loc[path.name, "flags"] in ("damaged", "no_target", "target_moved"), first.loc[path.name, "flags"]
    path.write_bytes(whole)
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert greystep("ingest", session).status == 0
    again = pd.read_csv(session / "readings.csv", dtype=str, keep_default_na=False).set_index("frame")
    assert again.loc[path.name, "flags"] == ""


def test_a_target_that_was_sought_in_damaged_frames_is_sought_again(session: Path) -> None:
    """A bad card: some frames are damaged behind what the fingerprint looks at, then copied again with the old time."""
    shutil.rmtree(session / ".greystep", ignore_errors=True)
    some = sorted((session / "frames").glob("*.dng"))[3::4]
    whole = {path: (path.read_bytes(), path.stat()) for path in some}
    for path, (data, state) in whole.items():
        half = len(data) // 2
        path.write_bytes(data[:half] + bytes(30000) + data[half + 30000 :])
        os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    greystep("ingest", session)
    assert not list((session / ".greystep").glob("target-*.json"))
    for path, (data, state) in whole.items():
        path.write_bytes(data)
        os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert greystep("ingest", session).status == 0
    readings = pd.read_csv(session / "readings.csv", dtype=str, keep_default_na=False)
    assert set(readings["flags"]) == {""}


def test_a_flipped_bit_in_the_cache_changes_no_reading(session: Path) -> None:
    assert greystep("ingest", session).status == 0
    before = (session / "readings.csv").read_bytes()
    rng = np.random.default_rng(5)
    entries = sorted(path for path in (session / ".greystep").glob("*.json"))
    for path in entries:
        data = bytearray(path.read_bytes())
        digits = [place for place, byte in enumerate(data) if chr(byte).isdigit()]
        data[digits[int(rng.integers(len(digits)))]] ^= 1  # a digit becomes another digit: still JSON
        path.write_bytes(data)
    assert greystep("ingest", session).status == 0
    assert (session / "readings.csv").read_bytes() == before


# --- 7. names, places and interruptions ------------------------------------------------------------------------------


def test_one_file_name_that_is_not_utf_8_costs_itself_only(session: Path) -> None:
    source = next(iter(sorted((session / "frames").glob("*.dng"))))
    shutil.copy(source, os.fsencode(session / "frames") + b"/bad\xff.dng")
    for command in (["ingest", session], ["report", session], ["correct", session], ["ingest", session, "--json"]):
        done = greystep(*command)
        assert "Traceback" not in done.err, done.err
        assert done.status == 0, done.err
    assert (session / "report" / "report.html").read_bytes().decode("utf-8")


def test_ctrl_c_in_the_first_reading_of_a_watch_does_not_say_that_nothing_came(session: Path) -> None:
    code = (
        "import greystep.session.cache as cache\n"
        "def stop(*_, **__):\n    raise KeyboardInterrupt\n"
        "cache.measure_frame = stop\n" + CODE
    )
    words = ["watch", str(session), "--every", "0.05", "--idle", "2"]
    shutil.rmtree(session / ".greystep")
    done = process(*words, code=code)
    assert "Traceback" not in done.err
    assert "no raw frame came" not in done.err
    assert done.status in (1, 130)


def test_control_characters_reach_neither_the_terminal_nor_an_xml_file(session: Path) -> None:
    text = (session / "shots.csv").read_text()
    (session / "shots.csv").write_text(text.replace(",B,", ",B\x1b[31m\x07,"))
    done = greystep("report", session)
    assert done.status == 0, done.err
    assert not {"\x1b", "\x07"} & set(done.out + done.err)
    done = greystep("correct", session)
    assert done.status == 0, done.err
    assert not {"\x1b", "\x07"} & set(done.out + done.err)
    for path in [*session.rglob("*.svg"), *session.rglob("*.clf"), *session.rglob("*.ccc")]:
        ElementTree.parse(path)
    heads = pd.read_csv(session / "report" / "powers.csv", keep_default_na=False)["head"]
    assert "B\x1b[31m\x07" in set(heads)  # a label stays as typed in the tables


def test_one_nul_leaves_a_utf_8_log_a_utf_8_log(session: Path) -> None:
    text = (session / "shots.csv").read_bytes()
    (session / "shots.csv").write_bytes(text.rstrip(b"\n") + b"\x00\n")
    done = greystep("ingest", session)
    assert "Traceback" not in done.err
    if done.status:
        assert "byte" in one_line(done) or "character" in one_line(done)
    else:
        assert "f0002.dng" in (session / "readings.csv").read_text()


def test_the_last_resort_is_one_line(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a slip of the\nprogrammer")

    monkeypatch.setattr("greystep.api.load_settings", fail)
    done = greystep("ingest", session)
    said = one_line(done)
    assert "ZeroDivisionError" in said


# --- 8. planned and invented folders ---------------------------------------------------------------------------------


@pytest.mark.skipif(os.name != "posix", reason="processes are forked")
@pytest.mark.parametrize(
    "words",
    [["demo", "DIR", "--scenario", "three-lights"], ["plan", "DIR", "--heads", "A,B"]],
    ids=lambda words: words[0],
)
def test_a_killed_maker_of_a_folder_leaves_no_half_of_it(words: list[str], tmp_path: Path) -> None:
    """Killed as soon as it has made files: one, and a few."""
    target = tmp_path / "new"
    command = [str(target) if word == "DIR" else word for word in words]
    for files in (1, 4):
        child = started(command)
        while not os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT):
            if sum(len(names) for *_, names in os.walk(tmp_path)) >= files:
                break
            time.sleep(0.001)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        if target.exists():
            assert (target / ("truth.json" if words[0] == "demo" else "shotsheet.html")).is_file()
            shutil.rmtree(target)
        else:
            assert any(tmp_path.iterdir()), "it was killed before it made anything"
    done = greystep(*command)
    assert done.status == 0, done.err
    assert [path.name for path in tmp_path.iterdir()] == ["new"]  # what the killed ones left is gone


def test_left_over_parts_of_ones_own_go_with_the_next_run(session: Path) -> None:
    (session / "report").mkdir()
    own = [session / ".readings.csv.abcdefgh.part", session / "report" / ".report.html.12345678.part"]
    foreign = session / "report" / "film.part"
    for path in (*own, foreign):
        path.write_text("half")
        os.utime(path, (1, 1))
    assert greystep("report", session).status == 0
    assert not any(path.exists() for path in own)
    assert foreign.exists()


# --- 6 and 8. what is built ------------------------------------------------------------------------------------------

source_tree = pytest.mark.skipif(
    not (ROOT / "pyproject.toml").is_file() or importlib.util.find_spec("hatchling") is None,
    reason="the source tree, or what builds it, is not part of this installation",
)


@source_tree
def test_wheel_and_sdist_hold_what_they_should(tmp_path: Path) -> None:
    tree = tmp_path / "tree"
    shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", ".greystep"))
    stale = tree / "build" / "lib" / "greystep" / "stale.py"
    stale.parent.mkdir(parents=True)
    stale.write_text("")
    built = tmp_path / "built"
    for kind in ("wheel", "sdist"):
        command = [sys.executable, "-m", "hatchling", "build", "-t", kind, "-d", str(built)]
        subprocess.run(command, cwd=tree, check=True, capture_output=True, timeout=120)
    inside = set(zipfile.ZipFile(next(built.glob("*.whl"))).namelist())
    package = {path.relative_to(ROOT / "src").as_posix() for path in (ROOT / "src").rglob("*.py")}
    assert {name for name in inside if name.endswith(".py")} == package
    assert {"greystep/py.typed", "greystep/pages/report.html"} <= inside
    with tarfile.open(next(built.glob("*.tar.gz"))) as archive:
        there = {name.partition("/")[2] for name in archive.getnames()}
    kept = [path for room in ("tests", "sample_data/hire_kit/frames") for path in (ROOT / room).rglob("*.*")]
    wanted = {path.relative_to(ROOT).as_posix() for path in kept if path.suffix in (".py", ".csv", ".dng", ".html")}
    assert wanted <= there
    assert not any("stale" in name for name in there)
