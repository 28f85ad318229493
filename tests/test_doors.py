"""What a person may name or type by mistake: each is one line that says what to do, never a traceback or a hang."""

import io
import os
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from types import FrameType

import pytest

import greystep.doors as doors
from greystep.cli.app import run
from greystep.demo.kit import HeadCharacter, Kit, shoot
from greystep.demo.scenario import write_session
from greystep.demo.sensor import Sensor
from greystep.errors import GreystepError
from greystep.session.ingest import ingest
from greystep.session.settings import load_settings

pytestmark = pytest.mark.breakage

#: So long a refusal may take on a machine that does other things too [s].
PATIENCE_S = 20.0
SETUP = "role,head,power\nkey,A,1/1\nfill,B,1/1\n"


@contextmanager
def patience(seconds: float = PATIENCE_S) -> Iterator[None]:
    """End what hangs: the signal breaks off an open or a read that waits."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def greystep(*words: str | Path) -> tuple[int, str]:
    """Run the entry point in this process; return exit status and stderr."""
    out, err = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.TextIOWrapper(io.BytesIO(), "utf-8")
    before, sys.argv = sys.argv, ["greystep", *map(str, words)]
    status = 0
    try:
        with redirect_stdout(out), redirect_stderr(err), patience():
            run()
    except SystemExit as ended:
        status = int(ended.code or 0)
    finally:
        sys.argv = before
    err.flush()
    return status, err.buffer.getvalue().decode("utf-8")  # type: ignore[attr-defined]


def refused(*words: str | Path) -> str:
    """The one line that a refused command leaves."""
    status, said = greystep(*words)
    assert status in (1, 2), (status, said)
    assert "Traceback" not in said
    assert "fault of greystep" not in said, said
    lines = [line for line in said.splitlines() if line.startswith(("greystep: ", "Error: "))]
    assert len(lines) == 1, said
    assert len(said) < 1500
    return said


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A good session of small frames, read once."""
    folder = tmp_path_factory.mktemp("made") / "kit"
    kit = Kit(
        tuple(HeadCharacter(head, pack="P1", mired=m, scatter_mired=0.2) for head, m in (("A", 178.6), ("B", 179.6))),
        title="Kit", powers=("1/1",), repeats=2, compressed=False, warmup_shots=0, sensor=Sensor(height=120, width=180),
    )  # fmt: skip
    write_session(folder, kit, shoot(kit, 1), 1)
    ingest(load_settings(folder))
    (folder / "SETUP.csv").write_text(SETUP)
    return folder


@pytest.fixture
def session(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "kit"))


# --- the door for files ----------------------------------------------------------------------------------------------


def pipe(path: Path) -> None:
    os.mkfifo(path)


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def large(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(3 << 30)


def circle(path: Path) -> None:
    path.symlink_to(path.name)


MAKERS = (pipe, device, large, Path.mkdir, circle)
TOML = {"camera.json": '[camera]\nmatrix = "camera.json"\n', "grey.csv": '[target]\nreflectance = "grey.csv"\n'}
#: By the file's name: the command that opens it.
READ_BY = {
    "shots.csv": ["ingest", "KIT"],
    "session.toml": ["ingest", "KIT"],
    "camera.json": ["ingest", "KIT"],
    "grey.csv": ["ingest", "KIT"],
    "SETUP.csv": ["audit", "KIT/SETUP.csv", "--profile", "KIT"],
    "gels.csv": ["audit", "KIT/SETUP.csv", "--profile", "KIT"],
    "own.csv": ["audit", "KIT/SETUP.csv", "--profile", "KIT", "--gels", "KIT/own.csv"],
    "PLATES.csv": ["render", "KIT", "--sum", "KIT/PLATES.csv"],
}


@pytest.mark.parametrize("make", MAKERS, ids=lambda make: make.__name__)
@pytest.mark.parametrize("name", READ_BY)
def test_what_is_no_plain_file_of_a_sensible_size_is_not_read(
    name: str, make: Callable[[Path], None], session: Path
) -> None:
    if name == "SETUP.csv" and make is Path.mkdir:
        return  # a session folder in the place of SETUP.csv
    (session / name).unlink(missing_ok=True)
    make(session / name)
    if name in TOML:
        (session / "session.toml").write_text(TOML[name])
    assert name in refused(*(word.replace("KIT", str(session)) for word in READ_BY[name]))


@pytest.mark.parametrize("make", [pipe, device], ids=lambda make: make.__name__)
@pytest.mark.parametrize("words", [["camera", "ODD"], ["correct", "KIT", "--to", "session:ODD"]], ids=" ".join)
def test_what_is_no_plain_file_is_no_path_of_a_command(
    words: list[str], make: Callable[[Path], None], session: Path
) -> None:
    make(session / "odd")
    assert "odd" in refused(*(word.replace("ODD", str(session / "odd")).replace("KIT", str(session)) for word in words))


@pytest.mark.parametrize("make", [pipe, device, large], ids=lambda make: make.__name__)
def test_what_stands_in_the_cache_and_is_no_entry_is_not_read(make: Callable[[Path], None], session: Path) -> None:
    cache = session / ".greystep"
    entry = next(iter(sorted(cache.glob("[0-9a-f]*.json"))))
    for path in (entry, next(iter(sorted(cache.glob("target-*.json"))))):
        path.unlink()
        make(path)
    status, said = greystep("ingest", session)
    assert (status, said) == (0, "")


@pytest.mark.parametrize("make", [pipe, device], ids=lambda make: make.__name__)
@pytest.mark.parametrize("name", [".greystep", ".greystep/CACHEDIR.TAG"])
def test_without_a_cache_that_can_be_used_the_work_goes_on(
    name: str, make: Callable[[Path], None], session: Path
) -> None:
    place = session / name
    shutil.rmtree(place) if place.is_dir() else place.unlink()
    make(place)
    status, said = greystep("ingest", session)
    assert status == 0, said


def test_a_cache_that_cannot_be_read_is_gone_without(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Root may read everything, so the refusal of the system is put in its place."""
    opened, stat, scan = io.open, os.stat, os.scandir

    def guard(function: Callable[..., object]) -> Callable[..., object]:
        def guarded(path: object, *more: object, **named: object) -> object:
            if ".greystep" in str(path):
                raise PermissionError(13, "Permission denied", str(path))
            return function(path, *more, **named)

        return guarded

    for module, name, function in ((io, "open", opened), (os, "stat", stat), (os, "scandir", scan)):
        monkeypatch.setattr(module, name, guard(function))
    monkeypatch.setattr("builtins.open", guard(opened))
    status, said = greystep("ingest", session)
    assert status == 0, said
    assert "nothing is kept" in said


def test_a_file_behind_a_dead_connection_is_not_waited_for(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doors, "MOST_SECONDS", 0.2)
    monkeypatch.setattr(doors, "check_file", lambda *_: time.sleep(5.0))
    began = time.monotonic()
    with pytest.raises(GreystepError, match=r"shots\.csv: did not come within 0\.2 s"):
        doors.read_file(session / "shots.csv")
    assert time.monotonic() - began < 4.0


def test_a_file_that_grows_while_it_is_read_is_refused(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doors, "check_file", lambda *_: None)
    with pytest.raises(GreystepError, match="more than"):
        doors.read_file(session / "shots.csv", 10)


def test_the_door_gives_what_is_in_the_file(session: Path) -> None:
    assert doors.read_file(session / "shots.csv") == (session / "shots.csv").read_bytes()


# --- what is in them -------------------------------------------------------------------------------------------------

DEEP = {
    "list": "x = " + "[" * 3000 + "]" * 3000,
    "list over lines": "x = [\n" + "[\n" * 3000 + "]\n" * 3001,
    "list that can be read": "title = " + "[" * 100 + "]" * 100,
    "tables": "x = " + "{a = " * 1000 + "1" + "}" * 1000,
    "header": "[heads." + ".".join("a" * 900) + "]\npack = 'P'",
    "key": "heads." + ".".join("a" * 50000) + " = 1",
    "digits": "title = " + "9" * 5000,
    "hexadecimal": "title = 0x" + "f" * 5000,
    "digits in patch": "[target]\npatch = [0, 0, " + "9" * 400 + ", 1]",
    "digits in time": '[heads.A]\nt01_s = {full = "' + "9" * 4000 + '"}',
    "zero in path": 'frames = "a\\u0000b"',
    "long path": 'frames = "' + "a" * 9000 + '"',
    "long matrix": '[camera]\nmatrix = "' + "a/" * 4000 + '"',
    "long label": '[reference]\nhead = "' + "x" * 9000 + '"',
    "1e308": "[tolerance]\nmired = 1e308",
    "infinite energy": "[heads.A]\nmax_energy_j = inf",
}


@pytest.mark.parametrize("text", DEEP.values(), ids=DEEP)
def test_an_odd_session_toml(text: str, session: Path) -> None:
    (session / "session.toml").write_text(text)
    said = refused("ingest", session)
    assert "session.toml" in said or "reference" in said
    assert "set_int_max_str_digits" not in said


ROWS = "[[1, 0, 0], [0, 1, 0], [0, 0, 1]]"
JSON = {
    "lists": '{"schema": 1, "x": ' + "[" * 50000 + "]" * 50000 + "}",
    "not closed": '{"a":' * 50000,
    "digits": '{"schema": ' + "9" * 5000 + "}",
    "digits in matrix": '{"schema": 1, "matrix_1": ' + ROWS.replace("1", "9" * 400, 1) + "}",
    "1e308": '{"schema": 1, "matrix_1": ' + ROWS.replace("1", "1e308") + ', "illuminant_1": 21}',
    "1e-308": '{"schema": 1, "matrix_1": ' + ROWS.replace("1", "1e-308") + ', "illuminant_1": 21}',
    "NaN": '{"schema": 1, "matrix_1": ' + ROWS.replace("1", "NaN") + ', "illuminant_1": 21}',
    "digits in illuminant": '{"schema": 1, "matrix_1": ' + ROWS + ', "illuminant_1": ' + "9" * 400 + "}",
}


@pytest.mark.parametrize("text", JSON.values(), ids=JSON)
def test_an_odd_camera_json(text: str, session: Path) -> None:
    (session / "session.toml").write_text(TOML["camera.json"])
    (session / "camera.json").write_text(text)
    said = refused("ingest", session)
    assert "camera.json" in said
    assert "set_int_max_str_digits" not in said


def test_two_hundred_lights_are_refused(session: Path) -> None:
    def rows(count: int, group: str = "") -> str:
        return "role,head,power,group\n" + "".join(f"r{i},{'AB'[i % 2]},1/1,{group and i % 2}\n" for i in range(count))

    words = ("audit", session / "SETUP.csv", "--profile", session)
    (session / "SETUP.csv").write_text(rows(200))
    assert "200 lights" in refused(*words)
    (session / "SETUP.csv").write_text(rows(2000, "group"))
    assert "2000 rows" in refused(*words)


def test_many_lights_are_judged_in_time(session: Path) -> None:
    from greystep.api import open_session

    (session / "SETUP.csv").write_text("role,head,power\n" + "".join(f"r{i},{'AB'[i % 2]},1/1\n" for i in range(40)))
    opened = open_session(session)
    with patience():
        assert len(opened.audit(session / "SETUP.csv").audit.now.pairs) == 780


@pytest.mark.parametrize("shares", [("1e308", "1e308"), ("5e-324", "5e-324")])
def test_shares_that_overflow(shares: tuple[str, str], session: Path) -> None:
    (session / "SETUP.csv").write_text(f"role,head,power,share\nkey,A,1/1,{shares[0]}\nfill,B,1/1,{shares[1]}\n")
    assert "share" in refused("audit", session / "SETUP.csv", "--profile", session)


@pytest.mark.parametrize("plate", ["gain\nf0003.dng,1e308", "stops\nf0003.dng,1e308", "stops\nf0003.dng,99"])
def test_plates_that_overflow(plate: str, session: Path) -> None:
    (session / "PLATES.csv").write_text(f"plate,{plate}\n")
    assert "PLATES.csv" in refused("render", session, "--sum", session / "PLATES.csv")


def test_thousands_of_plates_are_refused(session: Path) -> None:
    (session / "PLATES.csv").write_text("plate\n" + "f0003.dng\n" * 3000)
    assert "3000 plates" in refused("render", session, "--sum", session / "PLATES.csv")


# --- the door for numbers --------------------------------------------------------------------------------------------

BIG = "9" * 400
NUMBERS = [
    *(["report", "KIT", option, value] for option in ("--mired", "--duv", "--kelvin", "--steps", "--output-stops")
      for value in ("1e308", "nan")),
    ["report", "KIT", "--mired", BIG], ["report", "KIT", "--claim", f"{BIG}K"],
    ["report", "KIT", "--patch", "nan,0,1,1"],
    *(["watch", "KIT", "--every", value] for value in ("inf", "nan", "1e308", "86401")),
    *(["watch", "KIT", "--every", "0.05", "--idle", value] for value in ("inf", "nan", "1e308")),
    ["choose", "KIT", "--need", BIG], ["choose", "KIT", "--ganged", "--output", "1e308"],
    ["choose", "KIT", "--ganged", "--output", "nan"], ["correct", "KIT", "--to", f"{BIG}K"],
    ["correct", "KIT", "--smooth", "--smooth-over", BIG], ["camera", "KIT/x.dng", "--cct", "nan"],
    ["camera", "KIT/x.dng", "--cct", "1e308"], ["camera", "KIT/x.dng", "--cct", "5500", "--duv", "inf"],
    ["camera", "KIT/x.dng", "--corners", ",".join(["nan"] * 8)],
    ["camera", "KIT/x.dng", "--corners", ",".join(["1e308"] * 8)],
    ["demo", "KIT/new", "--seed", "-1"], ["demo", "KIT/new", "--seed", BIG],
    ["audit", "KIT/SETUP.csv", "--profile", "KIT", "--shutter", f"1/{BIG}"],
    ["audit", "KIT/SETUP.csv", "--profile", "KIT", "--set", f"key=1/{BIG}"],
    *(["plan", "KIT/new", "--heads", "A,B", *more] for more in (
        ["--repeats", "1000000000"], ["--repeats", BIG], ["--repeats", "4000"], ["--u", "1e308"], ["--u", "nan"],
        ["--scatter", "inf"], ["--target-width", "1e308"], ["--iso", BIG], ["--seed", BIG],
        ["--max-energy", "5e-324", "--powers", "200 J,1 J"], ["--max-energy", "1e308"], ["--sync", "1e-320"],
        ["--t01", "1e308"], ["--recycle", "nan"], ["--recycle", "5e-324"], ["--dial", "1e308", "--powers", "9.9"],
        ["--stack", "A", "--run", BIG], ["--dial", "10", "--powers", f"{BIG}"],
    )),
    ["plan", "KIT/new", "--swap", "C,D", "--packs", "P1,P2", "--repeats", "1000000000"],
    ["plan", "KIT/new", "--heads", ",".join(f"H{place}" for place in range(20000))],
    ["plan", "KIT/new", "--heads", ",".join(f"H{place}" for place in range(1000)), "--powers", "full"],
]  # fmt: skip


@pytest.mark.parametrize("words", NUMBERS, ids=lambda words: " ".join(word[:20] for word in words))
def test_an_odd_number_is_refused(words: list[str], made: Path) -> None:
    refused(*(word.replace("KIT", str(made)) for word in words))
    assert not (made / "new").exists()


@pytest.mark.parametrize("limits", [{"mired": 1e308}, {"duv": float("nan")}, {"output_stops": -1.0}])
def test_the_door_for_programs_refuses_them_too(limits: dict[str, float], made: Path) -> None:
    from greystep.api import open_session

    with pytest.raises(GreystepError, match=next(iter(limits))):
        open_session(made).report(**limits)  # type: ignore[arg-type]


@pytest.mark.parametrize(("text", "value"), [("1,5", 1.5), (" 0.5 ", 0.5), ("\N{MINUS SIGN}2", -2.0), ("1e1", 10.0)])
def test_numbers_are_read_as_people_type_them(text: str, value: float) -> None:
    assert doors.read_number(text, "x", (-10.0, 10.0), "a number") == value


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999", "10.1", "", "1.2.3", "9" * 5000])
def test_what_is_no_finite_number_in_range_is_none(text: str) -> None:
    with pytest.raises(GreystepError, match=r"^x .*; write a number from -10 to 10$"):
        doors.read_number(text, "x", (-10.0, 10.0), "a number from -10 to 10")


# --- names and places ------------------------------------------------------------------------------------------------

ODD = os.fsdecode(b"odd\xff")
PATHS = {"long": "x" * 16000, "deep": "x/" * 8000, "not UTF-8": ODD}
#: Commands with a path that leads nowhere.
NOWHERE = [
    ["ingest", "ODD"], ["report", "ODD"], ["choose", "ODD", "--need", "2"], ["history", "ODD", "KIT"], ["watch", "ODD"],
    ["audit", "ODD", "--profile", "KIT"], ["audit", "KIT/SETUP.csv", "--profile", "ODD"],
    ["audit", "KIT/SETUP.csv", "--profile", "KIT", "--gels", "ODD"], ["render", "KIT", "--sum", "ODD"],
    ["camera", "ODD"], ["correct", "KIT", "--profile", "ODD"], ["correct", "KIT", "--to", "session:ODD"],
    ["correct", "KIT", "--to", "frame:ODD"], ["plan", "KIT/new", "--more", "ODD"],
]  # fmt: skip
#: Commands that would write there.
WRITTEN = [
    ["plan", "ODD", "--heads", "A,B"], ["demo", "ODD"], ["choose", "KIT", "--need", "2", "--out", "ODD"],
    ["report", "KIT", "--out", "ODD"],
]  # fmt: skip


@pytest.mark.parametrize("odd", PATHS.values(), ids=PATHS)
@pytest.mark.parametrize("words", NOWHERE, ids=" ".join)
def test_an_odd_path_that_leads_nowhere(words: list[str], odd: str, made: Path) -> None:
    refused(*(word.replace("ODD", f"{made}/{odd}").replace("KIT", str(made)) for word in words))


@pytest.mark.parametrize("words", WRITTEN, ids=" ".join)
def test_an_odd_path_to_write_to(words: list[str], session: Path) -> None:
    circle(session / "circle")
    for odd in ("circle",) if words[0] == "report" else (PATHS["long"], PATHS["deep"], "circle", "circle/deeper"):
        refused(*(word.replace("ODD", f"{session}/{odd}").replace("KIT", str(session)) for word in words))


@pytest.mark.parametrize(
    "words",
    [
        ["ingest", "ODD"], ["ingest", "ODD", "--json"], ["report", "ODD"], ["correct", "ODD", "--json"],
        ["render", "ODD", "--as", "dng"], ["choose", "ODD", "--need", "2"], ["history", "ODD", "KIT"],
        ["audit", "ODD/SETUP.csv", "--profile", "ODD"], ["watch", "ODD", "--every", "0.05", "--idle", "0.1"],
        ["plan", "ODD/new", "--heads", "A"],
        ["render", "ODD", "--sum", "ODD/PLATES.csv"],
    ],
    ids=" ".join,
)  # fmt: skip
def test_a_folder_and_frames_whose_names_are_not_utf_8(words: list[str], session: Path) -> None:
    odd = session.with_name(ODD)
    shutil.copytree(session, odd)
    for path in sorted((odd / "frames").glob("*.dng")):
        path.rename(path.with_name(ODD + path.name))
    first, *rows = (odd / "shots.csv").read_text().splitlines()
    (odd / "shots.csv").write_text("\n".join([first, *("," + row.partition(",")[2] for row in rows)]) + "\n")
    (odd / "PLATES.csv").write_bytes(b"plate\nodd\xfff0003.dng\n")
    status, said = greystep(*(word.replace("ODD", str(odd)).replace("KIT", str(session)) for word in words))
    assert "Traceback" not in said
    assert "fault of greystep" not in said, said
    assert status in (0, 1), said
    if words[1:] != ["ODD", "--sum", "ODD/PLATES.csv"]:  # a table is text, and that name is none
        assert status == 0, said
