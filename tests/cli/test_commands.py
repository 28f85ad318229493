"""The commands as a person and a script meet them: exit status, what goes where, odd and broken input, examples."""

import csv
import hashlib
import io
import json
import os
import re
import shlex
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import chdir, contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import tifffile

import greystep as greystep_package
from greystep.cli.app import app, run
from greystep.demo.kit import HeadCharacter, Kit, shoot
from greystep.demo.scenario import write_session
from greystep.demo.sensor import Sensor
from greystep.terms import Order
from helpers.console import greystep

ROOT = Path(__file__).parents[2]
#: Heads whose labels a spreadsheet or a library would like to read as something else.
LABELS = ("None", "NA", "007")
COMMANDS = [command.name or command.callback.__name__ for command in app.registered_commands if command.callback]
#: Commands that read one session, with what else they need.
READERS = {"ingest": [], "report": [], "correct": [], "render": [], "choose": ["--need", "2"]}
SETUP = "role,head,power,share\nkey,A,1/4,0.6\nfill,B,full,0.4\n"
HEAVY = {
    "numpy", "pandas", "scipy", "colour", "rawpy", "matplotlib", "tifffile", "imagecodecs", "exifread", "jinja2",
    "watchfiles", "starlette", "uvicorn",
}  # fmt: skip


def process(words: list[str | Path], **more: Any) -> subprocess.CompletedProcess[bytes]:
    """Run it in a process of its own, warnings as errors."""
    env = {name: value for name, value in os.environ.items() if not name.startswith(("LC_", "LANG", "PYTHON"))}
    code = "from greystep.cli.app import run; run()"
    command = [sys.executable, "-W", "error", "-c", code, *map(str, words)]
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | more
    return subprocess.run(command, env=env | streams.pop("env", {}), timeout=120, check=False, **streams)


def contents(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def write_kit(
    folder: Path, heads: tuple[str, ...], powers: tuple[str, ...], repeats: int, order: Order = Order.BY_HEAD
) -> None:
    offsets = (0.0, 0.4, -0.4, 0.2)
    kit = Kit(
        tuple(
            HeadCharacter(head, pack="nan" if head == "NA" else "P1", mired=178.6 + away, scatter_mired=0.2)
            for head, away in zip(heads, offsets, strict=False)
        ),
        title="Prüfung [1] €", powers=powers, repeats=repeats, compressed=False, warmup_shots=0,
        sensor=Sensor(height=160, width=240), order=order,
    )  # fmt: skip
    write_session(folder, kit, shoot(kit, 1), 1)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A good session of 17 frames, already read once."""
    folder = tmp_path_factory.mktemp("made") / "kit"
    write_kit(folder, LABELS, ("full", "1/4"), 2)
    assert greystep("ingest", folder).status == 0
    (folder / "readings.csv").unlink()
    return folder


@pytest.fixture
def session(made: Path, tmp_path: Path) -> Path:
    """A copy of it, in a folder with a name as people give them."""
    return Path(shutil.copytree(made, tmp_path / "Prep day [2] äß & co"))


# --- good input -----------------------------------------------------------------------------------------------------


def test_ingest_report_and_correct_do_their_work(session: Path) -> None:
    ingest, report, correct = (greystep(name, session) for name in ("ingest", "report", "correct"))
    for result in (ingest, report, correct):
        assert (result.status, result.err) == (0, ""), result
        assert "\x1b" not in result.out
        assert max(map(len, result.out.splitlines())) <= max(80, len(str(session)) + 40)
    assert "17 frames: 17 good" in ingest.out
    assert "Prüfung [1] €" in report.out
    wanted = [
        "readings.csv", "report/powers.csv", "report/heads.csv", "report/pairs.csv", "report/summary.json",
        "report/report.html", "report/corrections.csv", "report/corrections.json", "report/corrections.ccc",
        "report/figures/colour.csv",
    ]  # fmt: skip
    assert set(wanted) <= set(contents(session))
    assert len(list((session / "report" / "clf").glob("*.clf"))) == 12
    for name in ("readings.csv", "report/summary.json", "report/report.html", "report/corrections.csv"):
        assert any(f"wrote {session / name}" in result.out for result in (ingest, report, correct)), name


@pytest.mark.parametrize("command", ["ingest", "report", "correct"])
def test_json_is_json_alone_in_ascii(command: str, session: Path) -> None:
    (session / "frames" / "f0004.dng").unlink()
    result = greystep(command, session, "--json")
    assert result.status == 0
    assert result.out.isascii()
    document = json.loads(result.out, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    assert document["schema"] == (2 if command == "report" else 1)
    assert document["greystep"]
    assert "f0004.dng: the log names it, but there is no such file" in result.err
    if command == "ingest":
        assert document["frames"] == {"total": 17, "ok": 16, "doubtful": 0, "rejected": 1}
        assert len(document["readings"]) == 17
        assert document["readings"][3]["cct_k"] is None
    if command == "report":
        assert document["session"] == "Prüfung [1] €"
        assert [row["head"] for row in document["heads"]] == list(LABELS)
        assert document == json.loads((session / "report" / "summary.json").read_text("ascii"))


def test_json_of_the_other_commands(session: Path, tmp_path: Path) -> None:
    second = shutil.copytree(session, tmp_path / "second")
    (tmp_path / "SETUP.csv").write_text(SETUP.replace("A,", "None,").replace("B,", "007,"), encoding="utf-8")
    with chdir(tmp_path):
        for words, rows in (
            (["plan", "new", "--heads", "NA,007"], "shots"),
            (["choose", session, "--need", "2"], "choice"),
            (["audit", "SETUP.csv", "--profile", session], "lights"),
            (["history", session, second], "history"),
            (["render", session, "--out", "rendered"], "frames"),
        ):
            result = greystep(*words, "--json")
            assert result.status == 0, result.err
            assert result.out.isascii()
            document = json.loads(result.out, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
            assert document["schema"] == 1
            assert document["greystep"]
            assert document["wrote"]
            assert all((Path(path)).exists() for path in document["wrote"])
            assert document[rows]
    assert {row["head"] for row in document["frames"] if "head" in row} <= set(LABELS)


def test_labels_stay_as_typed_in_every_table(session: Path) -> None:
    log = (session / "shots.csv").read_text("utf-8").replace("note\n", "note,roll\n").replace("\n", ",1e5\n")
    log = log.replace("note,roll,1e5", "note,roll")
    (session / "shots.csv").write_text(log, encoding="utf-8")
    assert greystep("report", session).status == 0
    assert greystep("correct", session).status == 0
    for path in [session / "readings.csv", *(session / "report").rglob("*.csv")]:
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        for column in {"head", "head_a", "head_b"} & set(table):
            assert set(table[column]) <= {*LABELS, ""}, path
            assert len(set(table[column]) - {""}) >= 2, path
        for column in {"power", "power_a", "power_b"} & set(table):
            assert set(table[column]) <= {"full", "1/4", ""}, path
        if "pack" in table:
            assert set(table["pack"]) <= {"P1", "nan", ""}, path
    readings = pd.read_csv(session / "readings.csv", dtype=str, keep_default_na=False)
    assert set(readings["roll"]) == {"1e5"}
    assert readings["frame"].tolist() == [f"f{n + 1:04d}.dng" for n in range(17)]
    assert json.loads((session / "report" / "corrections.json").read_text("ascii"))


def test_what_the_person_owns_is_not_touched(session: Path) -> None:
    own = contents(session)
    times = {name: (session / name).stat().st_mtime_ns for name in own}
    for words in (["ingest"], ["report"], ["correct", "--to", "kit", "--stack"]):
        assert greystep(words[0], session, *words[1:]).status == 0
    after = contents(session)
    assert {name: after.get(name) for name in own if not name.startswith(".greystep")} == {
        name: mark for name, mark in own.items() if not name.startswith(".greystep")
    }
    assert all((session / name).stat().st_mtime_ns == times[name] for name in own if not name.startswith(".greystep"))
    added = {name.split("/")[0] for name in after.keys() - own.keys()}
    assert added == {".greystep", "readings.csv", "report"}


def test_out_takes_the_results_elsewhere(session: Path, tmp_path: Path) -> None:
    assert greystep("report", session, "--out", tmp_path / "else where").status == 0
    assert (tmp_path / "else where" / "report.html").is_file()
    assert (session / "readings.csv").is_file()
    assert not (session / "report").exists()


@contextmanager
def nobody() -> Iterator[None]:
    """Leave the rights of root for a while; without them nothing is to be left."""
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


@pytest.mark.skipif(os.name != "posix", reason="folders are made read-only by their mode")
def test_a_session_that_cannot_be_written_is_reported_elsewhere(made: Path) -> None:
    with nobody():
        readable = os.access(greystep_package.__file__, os.R_OK, effective_ids=True)
    if not readable:
        pytest.skip("greystep is installed where root alone can read it")
    with tempfile.TemporaryDirectory() as place:  # not below the folder of pytest, which is for one user alone
        os.chmod(place, 0o755)
        session, out = Path(shutil.copytree(made, Path(place, "card"))), Path(place, "out")
        shutil.rmtree(session / ".greystep")
        out.mkdir()
        out.chmod(0o777)
        for path in (*session.rglob("*"), session):
            path.chmod(0o555 if path.is_dir() else 0o444)
        # What the command imports is there after a first run, whoever may read it.
        greystep("report", shutil.copytree(made, Path(place, "first")))
        before = contents(session)
        with nobody():
            refused = greystep("ingest", session)
            result = greystep("report", session, "--out", out / "report")
        assert refused.status == 1
        assert re.fullmatch(r"greystep: .*readings\.csv: cannot be written .*--out\n", refused.err), refused.err
        assert result.status == 0, result.err
        assert "cannot be written; readings.csv and .greystep lie in" in result.err
        assert {"readings.csv", "summary.json", "report.html", ".greystep"} <= set(os.listdir(out / "report"))
        assert contents(session) == before
        session.chmod(0o755)
        (session / "frames").chmod(0o755)


def test_a_second_run_reads_only_what_changed(session: Path) -> None:
    assert greystep("ingest", session).status == 0
    cache = session / ".greystep"

    def entries() -> dict[str, int]:
        return {path.name: path.stat().st_mtime_ns for path in cache.glob("*.json")}

    first = entries()
    assert greystep("ingest", session).status == 0
    assert entries() == first
    os.utime(session / "frames" / "f0005.dng", (1.7e9, 1.7e9))
    before = (session / "readings.csv").read_bytes()
    assert greystep("ingest", session).status == 0
    second = entries()
    assert (session / "readings.csv").read_bytes() == before
    known = {name for name in first if name in second and second[name] == first[name]}
    frames = {name for name in second if not name.startswith("target-")}
    assert len(frames) == 17
    assert len(frames - known) == 1


def test_nothing_asks_the_network(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        pytest.fail("a command opened a socket")

    for name in ("socket", "create_connection", "getaddrinfo"):
        monkeypatch.setattr(socket, name, refuse)
    for command in ("ingest", "report", "correct"):
        assert greystep(command, session).status == 0
    page = (session / "report" / "report.html").read_text("utf-8")
    assert not re.search(r"""(?:src|href)\s*=\s*["']?\s*(?:https?:)?//""", page)
    assert "@import" not in page
    assert not re.search(r"url\(\s*['\"]?(?!data:|#)", page)


# --- exit status ----------------------------------------------------------------------------------------------------


def test_strict_is_3_where_nothing_watched_camera_and_mains_between_heads(session: Path) -> None:
    told = greystep("report", session, "--strict", "--json")
    assert (told.status, json.loads(told.out)["withheld"]) == (3, ["unwatched"])


def test_strict_is_3_where_heads_were_shot_with_two_cameras(session: Path) -> None:
    """The frames of one head carry the serial number of another camera."""
    serial = b"000417"
    log = pd.read_csv(session / "shots.csv", keep_default_na=False, dtype=str)
    other = log[log["head"] == LABELS[0]]["frame"]
    for name in other:
        path = session / "frames" / name
        assert serial in path.read_bytes()
        path.write_bytes(path.read_bytes().replace(serial, serial[:-1] + b"9"))
    told = greystep("report", session, "--strict", "--json")
    assert told.status == 3
    assert json.loads(told.out)["withheld"][-1] == "not_compared"
    assert json.loads(told.out)["kit_verdict"] == "undecided"


def test_strict_is_3_where_not_all_is_well_and_the_work_is_done(tmp_path: Path) -> None:
    session = tmp_path / "kit"
    write_kit(session, LABELS, ("full", "1/4"), 3, Order.SHUFFLED)
    assert greystep("report", session, "--strict").status == 0
    assert greystep("report", session, "--strict", "--mired", "0.2").status == 3
    assert greystep("ingest", session, "--strict").status == 0
    (session / "frames" / "f0004.dng").write_bytes(b"II*\0 no frame")
    for command in ("ingest", "report", "correct"):
        result = greystep(command, session, "--strict", "--json")
        assert result.status == 3, command
        assert json.loads(result.out)["schema"] == (2 if command == "report" else 1)
    assert greystep("ingest", session).status == 0


@pytest.mark.parametrize(
    "words",
    [
        ["report"],
        ["ingest", "SESSION", "more"],
        ["frobnicate"],
        ["--frobnicate"],
        ["report", "SESSION", "--patch", "1,2,3"],
        ["ingest", "SESSION", "--patch", "0.5,0.5,0.4,0.6"],
        ["correct", "SESSION", "--patch", "nan,0,1,1"],
        ["report", "SESSION", "--mired", "four"],
        ["report", "SESSION", "--mired", "0"],
        ["report", "SESSION", "--duv", "-0.001"],
        ["report", "SESSION", "--kelvin", "nan"],
        ["report", "SESSION", "--steps", "inf"],
        ["correct", "SESSION", "--space", "srgb"],
        ["demo"],
        ["demo", "NEW", "--scenario", "wedding"],
        ["demo", "NEW", "--seed", "x"],
        ["camera"],
        ["plan", "NEW"],
        ["plan", "NEW", "--heads", "A,B", "--repeats", "0"],
        ["choose", "SESSION", "--need", "two"],
        ["choose", "SESSION", "--need", "0"],
        ["report", "SESSION", "--claim", "abc"],
        ["audit", "SETUP.csv"],
        ["render", "SESSION", "--as", "jpeg"],
        ["history", "SESSION"],
    ],
    ids=" ".join,
)
def test_wrong_usage_is_2_and_writes_nothing(words: list[str], made: Path, tmp_path: Path) -> None:
    before = contents(made)
    places = {"SESSION": made, "NEW": tmp_path / "new"}
    result = greystep(*(places.get(word, word) for word in words))
    assert (result.status, result.out) == (2, "")
    assert "Traceback" not in result.err
    assert result.err.strip().splitlines()[-1].startswith("Error: ")
    assert contents(made) == before
    assert not any(tmp_path.iterdir())


Break = Callable[[Path], object]


def edit(*changes: tuple[str, str], name: str = "shots.csv") -> Break:
    def apply(session: Path) -> None:
        text = (session / name).read_text("utf-8")
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new, 1)
        (session / name).write_text(text, encoding="utf-8")

    return apply


def put(name: str, data: bytes) -> Break:
    return lambda session: (session / name).write_bytes(data)


def empty_frames(session: Path) -> None:
    for path in (session / "frames").iterdir():
        path.unlink()


BROKEN: dict[str, tuple[Break, list[str]]] = {
    "misspelt column": (edit(("power", "pwoer")), [r"shots\.csv: 1 fault", r'row 1: column "pwoer": did you mean po']),
    "missing column": (
        edit(("frame,head,power", "frame,head,note2")),
        [r"row 1: no column power \(found frame, head, note2.*frame,head,power"],
    ),
    "faults of every kind at once": (
        edit(
            ("f0002.dng,None,1/4", "f0002.dng,None,1/0"),
            ("f0003.dng,None,full", "f0003.dng,None,16-Mar"),
            ("f0004.dng,None,full", "f0004.dng,None,fulll"),
            ("f0005.dng,", "f0004.dng,"),
            ("f0007.dng,NA", ",NA"),
        ),
        [
            r"shots\.csv: 5 faults, nothing written",
            r'row 3: power "1/0": .*kind ambient',
            r'row 4: power "16-Mar": a spreadsheet made a date.*type the power again',
            r'row 5: power "fulll": not understood; write full, 1/16',
            r'row 6: frame "f0004\.dng" is in row 5 too; each frame has one row',
            r"row 8: no frame, where other rows name theirs; name the file",
        ],
    ),
    "no log and no layout": (lambda session: (session / "shots.csv").unlink(), [r"no shots\.csv.*frame,head,power"]),
    "empty log": (put("shots.csv", b""), [r"shots\.csv.*frame,head,power"]),
    "log that is no text": (put("shots.csv", bytes(range(256))), [r"shots\.csv: .*; save it"]),
    "no frames": (empty_frames, [r"frames: no raw frames in it; put"]),
    "no folder of frames": (
        lambda session: shutil.rmtree(session / "frames"),
        [r'frames: no such folder; .*frames = "PATH"'],
    ),
    "session.toml that is no TOML": (put("session.toml", b'title = "x\n'), [r"session\.toml: line 1, column 11: .*;"]),
    "session.toml that is no text": (put("session.toml", b"\xff\xfe\0"), [r"session\.toml: is not UTF-8 .*; save it"]),
    "session.toml with faults": (
        put("session.toml", b'tittle = "x"\n[tolerance]\nmired = "4"\nduvv = 3\n[target]\npatch = [1, 2]\n'),
        [
            r"session\.toml: 4 faults, nothing written",
            r"line 1: tittle: no such key; did you mean title\?",
            r"line 3: \[tolerance\] mired: found the text \"4\"; write a number",
            r"line 4: \[tolerance\] duvv: no such key; did you mean duv\?",
            r"line 6: \[target\] patch: found a list; write",
        ],
    ),
    "reference that is not in the log": (
        edit(('head = "None"', 'head = "Q"'), name="session.toml"),
        [r'\[reference\] head "Q" is in no flash row; heads are None, NA, 007'],
    ),
    "frames that are no frames": (
        lambda session: [path.write_bytes(b"no raw frame") for path in (session / "frames").iterdir()],
        [r"frames: none of its 17 frames can be read; the first: f0001\.dng: .*"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN)
@pytest.mark.parametrize("command", READERS)
def test_broken_input_is_1_with_every_fault_and_its_remedy(name: str, command: str, session: Path) -> None:
    breaks, lines = BROKEN[name]
    breaks(session)
    before = contents(session)
    result = greystep(command, session, *READERS[command])
    assert (result.status, result.out) == (1, "")
    said = result.err.splitlines()
    assert said[0].startswith("greystep: ")
    assert "Traceback" not in result.err
    assert len(said) == len(lines) if len(lines) > 1 else len(said) <= 2
    for pattern in lines:
        assert re.search(pattern, result.err), (pattern, result.err)
    after = contents(session)
    assert {path for path in after if not path.startswith(".greystep")} == {
        path for path in before if not path.startswith(".greystep")
    }


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["report", "nowhere"], r"nowhere: no such folder; check the name"),
        (["ingest", "made/shots.csv"], r"shots\.csv: is a file; a session is a folder, perhaps made"),
        (["demo", "made"], r"made: is there already and not empty"),
        (["report", "made", "--out", "made/shots.csv"], r"shots\.csv.*: cannot be written .*--out"),
        (["correct", "made", "--to", "Q@full"], r"Q@full: .*None@full"),
        (["correct", "made", "--to", "frame:nope.dng"], r"frame:nope\.dng: .*"),
        (["correct", "made", "--to", "blah"], r"blah: not a reference; write HEAD@POWER"),
        (["plan", "made", "--heads", "A,B"], r"made: is there already and not empty"),
        (["plan", "new", "--heads", "A,B", "--powers", "full,foo"], r'power "foo": not understood; write full, 1/16'),
        (["choose", "made", "--need", "9"], r"--need 9: 3 heads measured \(None, NA, 007\)"),
        (["audit", "nope.csv", "--profile", "made"], r"nope\.csv: cannot be read"),
        (["history", "made", "nowhere"], r"nowhere: no such folder"),
        (["render", "made", "--to", "Q@full", "--out", "new"], r"Q@full: .*None@full"),
        (["camera", "nofile.dng"], r"nofile\.dng: there is no such file"),
        (["camera", "made/frames/f0002.dng"], r"f0002\.dng: no 24-patch colour chart found; .*--corners"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_what_cannot_be_done_is_1_in_one_line(words: list[str], says: str, made: Path, tmp_path: Path) -> None:
    shutil.copytree(made, tmp_path / "made")
    with chdir(tmp_path):
        result = greystep(*words)
    assert (result.status, result.out) == (1, "")
    assert result.err.count("\n") == 1
    assert re.search(f"^greystep: .*{says}", result.err), result.err


@pytest.mark.parametrize(
    "words",
    [
        pytest.param(["correct", "made", "--to", "99K"], id="99 K"),
        pytest.param(["correct", "made", "--to", "5500000K"], id="5.5 million kelvin"),
        pytest.param(["correct", "made", "--to", "5500K+0.3"], id="a green that is no white"),
        pytest.param(["report", "made", "--out", "made/frames"], id="results among the raw files"),
    ],
)
def test_what_makes_no_sense_is_refused(words: list[str], made: Path, tmp_path: Path) -> None:
    shutil.copytree(made, tmp_path / "made")
    with chdir(tmp_path):
        result = greystep(*words)
    assert result.status in (1, 2)
    assert sorted(os.listdir(tmp_path / "made" / "frames")) == sorted(os.listdir(made / "frames"))


def test_a_row_without_file_and_a_file_without_row_are_told_and_kept(session: Path) -> None:
    (session / "frames" / "f0004.dng").unlink()
    shutil.copy(session / "frames" / "f0005.dng", session / "frames" / "zz.dng")
    result = greystep("report", session)
    assert result.status == 0
    assert re.search(r"^f0004\.dng: the log names it, but .*; copy it", result.err, re.MULTILINE)
    assert re.search(r"^zz\.dng: no row of the log names it; add a row", result.err, re.MULTILINE)
    table = pd.read_csv(session / "readings.csv").set_index("frame")
    assert table.loc["f0004.dng", "flags"] == "missing"
    assert table.loc["zz.dng", "flags"] == "extra_frame"
    assert table.index[-1] == "zz.dng"


def overexpose(session: Path, names: set[str]) -> None:
    """Fill the one strip of these frames with white."""
    for name in names:
        path = session / "frames" / name
        with tifffile.TiffFile(path) as tif:
            start, length = tif.pages[0].dataoffsets[0], tif.pages[0].databytecounts[0]  # type: ignore[union-attr]
        data = path.read_bytes()
        path.write_bytes(data[:start] + (16383).to_bytes(2, "little") * (length // 2) + data[start + length :])


def rows_of(session: Path) -> list[dict[str, str]]:
    return list(csv.DictReader((session / "shots.csv").read_text("utf-8").splitlines()))


def test_a_reference_that_was_overexposed_leaves_a_report(session: Path) -> None:
    overexpose(session, {row["frame"] for row in rows_of(session) if row["head"] == "None"})
    result = greystep("report", session)
    assert result.status == 0, result.err
    assert "nan" not in result.out + result.err
    assert (session / "report" / "report.html").is_file()


def test_an_overexposed_ambient_frame_is_told_without_a_number(session: Path) -> None:
    overexpose(session, {"f0001.dng"})
    result = greystep("ingest", session)
    assert result.status == 0
    assert re.search(r"^f0001\.dng: part of the grey card is clipped; shoot it again", result.err, re.MULTILINE)


def test_a_head_whose_frames_are_all_missing_leaves_a_report(session: Path) -> None:
    for row in rows_of(session):
        if row["head"] == "NA":
            (session / "frames" / row["frame"]).unlink()
    for command in ("report", "choose"):
        assert greystep(command, session, *READERS[command]).status == 0


def test_a_log_of_ambient_frames_alone_has_nothing_to_correct(session: Path) -> None:
    lines = (session / "shots.csv").read_text("utf-8").splitlines()
    (session / "shots.csv").write_text("\n".join([line for line in lines if ",flash," not in line]), encoding="utf-8")
    for command in ("report", "correct"):
        result = greystep(command, session)
        assert result.status in (0, 1)
        assert "Traceback" not in result.err


def test_a_person_may_stop_it(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from greystep.session import cache

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    shutil.rmtree(session / ".greystep")
    monkeypatch.setattr(cache, "measure_frame", stop)
    result = greystep("report", session)
    assert result.status == 130
    assert "Traceback" not in result.err
    assert not (session / "readings.csv").exists()


# --- terminals and pipes --------------------------------------------------------------------------------------------


def test_a_terminal_without_letters_gets_ascii(session: Path) -> None:
    plain = {"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0", "NO_COLOR": "1", "COLUMNS": "20"}
    done = process(["report", session], env=plain)
    assert (done.returncode, done.stderr) == (0, b"")
    text = done.stdout.decode("ascii")
    assert all(f"\n{name} " in text for name in ("None", "NA", "007")), "the table has a row a head"
    assert "\x1b" not in text
    assert re.search(r"^head +state", text, re.MULTILINE), "a narrow terminal keeps head and state"


def test_a_pipe_that_ends_early_is_silent(session: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    done = process(["ingest", session, "--json"], stdout=writer)
    os.close(writer)
    assert done.stderr == b""
    assert done.returncode in (0, 1)  # as typer has it
    assert (session / "readings.csv").is_file()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_behind_the_pipe_is_one_line() -> None:
    with open("/dev/full", "wb") as full:
        done = process(["report", "--help"], stdout=full)
    assert done.returncode == 1
    assert re.fullmatch(rb"greystep: output: .*; check .*\n", done.stderr), done.stderr


def test_closed_streams_stop_nothing(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["greystep", "report", str(session)])
    monkeypatch.setattr(sys, "stdout", None)
    monkeypatch.setattr(sys, "stderr", None)
    with pytest.raises(SystemExit) as ended:
        run()
    assert not ended.value.code
    assert (session / "report" / "report.html").is_file()


def test_progress_is_drawn_on_a_terminal_and_wiped_off(monkeypatch: pytest.MonkeyPatch) -> None:
    from greystep.cli.options import progress_bar

    for terminal in (True, False):
        stream = io.StringIO()
        monkeypatch.setattr(stream, "isatty", lambda terminal=terminal: terminal)
        monkeypatch.setattr(sys, "stderr", stream)
        with progress_bar("reading frames") as progress:
            progress(1, 4)
            progress(4, 4)
        said = stream.getvalue()
        assert ("1/4" in said and "4/4" in said and said.endswith("\x1b[2K")) == terminal
        assert bool(said) == terminal


def test_progress_tells_rate_and_time_left_in_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three minutes after 40 of 400 were known, 90 more are read: one in two seconds, 540 s for the other 270."""
    from greystep.cli import options

    stream, clock = io.StringIO(), iter([1000.0, 1000.0, 1180.0])
    monkeypatch.setattr(stream, "isatty", lambda: True)
    monkeypatch.setattr(sys, "stderr", stream)
    monkeypatch.setattr(options.time, "monotonic", lambda: next(clock))
    monkeypatch.setenv("COLUMNS", "100")
    with options.progress_bar("reading frames") as progress:
        progress(40, 400)
        progress(40, 400)
        progress(130, 400)
    first, second, last = (line.removesuffix("\x1b[K") for line in stream.getvalue().split("\r")[1:4])
    assert first == second == "reading frames ##.................. 40/400"
    assert last == "reading frames ######.............. 130/400, 0.5 a second, 9 min 0 s left"
    monkeypatch.setenv("COLUMNS", "30")
    monkeypatch.setattr(options.time, "monotonic", lambda: 0.0)
    with options.progress_bar("reading frames of a session with a long name") as progress:
        progress(1, 400)
    assert max(len(line.split("\x1b")[0]) for line in stream.getvalue().split("\r")[5:]) == 29


def test_jobs_is_a_number_of_frames_at_once(session: Path) -> None:
    for words in (["0"], ["-1"], ["two"], ["100000"]):
        result = greystep("ingest", session, "--jobs", *words)
        assert (result.status, result.out) == (2, "")
        assert "--jobs" in result.err
    outs = set()
    for jobs in ("1", "2"):
        shutil.rmtree(session / ".greystep", ignore_errors=True)
        assert greystep("ingest", session, "--jobs", jobs).status == 0
        outs.add((session / "readings.csv").read_bytes())
    assert len(outs) == 1


# --- help, examples, start-up ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_each_help_has_one_example(command: str) -> None:
    result = greystep(command, "--help")
    assert (result.status, result.err) == (0, "")
    assert len(re.findall(rf"^ *Example: greystep {command} ", result.out, re.MULTILINE)) == 1
    assert "\x1b" not in result.out
    assert result.out.isascii()


def test_help_names_every_command_and_version_is_the_packages() -> None:
    from greystep import __version__

    result = greystep("--help")
    assert result.status == 0
    assert all(re.search(rf"^ +{command} ", result.out, re.MULTILINE) for command in COMMANDS)
    assert greystep("--version").out == f"greystep {__version__}\n"
    bare = greystep()
    assert bare.status == 2
    assert "Commands:" in bare.out + bare.err


def test_help_opens_no_heavy_library() -> None:
    code = (
        "import sys\nfrom greystep.cli.app import app, run\n"
        f"for words in ([], *([name] for name in {COMMANDS!r})):\n"
        "    sys.argv = ['greystep', *words, '--help']\n"
        "    try: run()\n"
        "    except SystemExit as ended: assert not ended.code\n"
        "print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.partition(".")[0] for name in done.stderr.split()}
    assert "typer" in loaded
    assert not loaded & HEAVY, loaded & HEAVY


def example_of(command: str) -> list[str]:
    words = re.sub(r"\s+", " ", greystep(command, "--help").out)
    match = re.search(r"Example: (greystep .+?) (?:Arguments|Options):", words)
    assert match is not None
    return shlex.split(match[1])


@pytest.fixture(scope="module")
def playground(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the examples of --help speak of: a kit of four heads at three visits, a chart frame."""
    folder = tmp_path_factory.mktemp("examples")
    write_kit(folder / "hire_kit", ("A", "B", "C", "D"), ("full", "1/4", "1/16"), 2)
    assert greystep("ingest", folder / "hire_kit").status == 0
    for name in ("hire_kit_march", "hire_kit_june"):
        shutil.copytree(folder / "hire_kit", folder / name)
    write_chart(folder / "chart.dng")
    (folder / "SETUP.csv").write_text(SETUP, encoding="utf-8")
    return folder


def write_chart(path: Path) -> None:
    """The 24 patches upright under a black body of 5600 K, seen by the exact camera of the demo."""
    import datetime
    from fractions import Fraction

    import colour
    import numpy as np

    from greystep.demo.dngfile import Picture, dng_bytes
    from greystep.demo.spectra import EXACT_MATRIX

    matrix = np.array(EXACT_MATRIX)
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    sds = [sd.copy().align(cmfs.shape).values for sd in colour.SDS_COLOURCHECKERS["babel_average"].values()]
    signals = np.array(sds) @ (colour.sd_blackbody(5600, cmfs.shape).values[:, None] * cmfs.values) @ matrix.T
    picture = np.full((300, 450, 3), 0.03) * signals[18]
    for number, signal in enumerate(signals):
        y, x = 75 + 38 * (number // 6), 112 + 38 * (number % 6)
        picture[y : y + 33, x : x + 33] = signal
    sites = np.tile([[0, 1], [1, 2]], (150, 225))[..., None]
    counts = 10_500 * np.take_along_axis(picture, sites, axis=2)[..., 0] / signals[18, 1]
    counts += np.random.default_rng(1).normal(0.0, 2.0, counts.shape) + 512
    settings = Picture(
        captured=datetime.datetime(2025, 9, 1, 8, 0), exposure_s=Fraction(1, 125), f_number=8.0, iso=100,
        focal_mm=100.0, fired=True, matrix_a=matrix, matrix_d65=matrix, neutral=(0.6, 1.0, 0.8),
        black=(512.0,) * 4, white=16383,
    )  # fmt: skip
    path.write_bytes(dng_bytes(np.clip(np.rint(counts), 0, 16383).astype(np.uint16), settings, compressed=False))


@pytest.mark.parametrize("command", COMMANDS)
def test_the_example_of_each_help_runs(command: str, playground: Path) -> None:
    words = example_of(command)
    assert words[:2] == ["greystep", command]
    with chdir(playground):
        result = greystep(*words[1:])
    assert result.status == 0, result.err
    assert result.out.strip()
