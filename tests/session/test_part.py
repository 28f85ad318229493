"""A part of a capture folder, from one frame to another by capture order: ``--first`` and ``--last``."""

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
import typer
from typer.testing import CliRunner

from greystep.cli.correct import correct
from greystep.cli.ingest import ingest as ingest_command
from greystep.cli.report import report
from greystep.errors import GreystepError
from greystep.live.conducting import Watch
from greystep.sentences.frames import lines
from greystep.session.ingest import Ingested, ingest
from greystep.session.part import OutsidePart, Part, cut, rows_of_part
from greystep.session.settings import load_settings

IN_ORDER = ["c/x9.dng", "c/x8.DNG", "Y1.nef", "y1.dng", "z/x9.dng", "last.dng"]


@pytest.mark.parametrize(
    ("first", "last", "places"),
    [
        ("c/x9.dng", "c/x8.DNG", [0, 1]),
        ("c/x8.DNG", "", [1, 2, 3, 4, 5]),
        ("", "x8", [0, 1]),  # without folder and extension
        ("x8.dng", "last", [1, 2, 3, 4, 5]),  # in another letter case
        ("y1", "LAST.DNG", [3, 4, 5]),  # as typed first
        ("Y1", "Y1", [2]),
        ("c\\x9.dng", "z/x9", [0, 1, 2, 3, 4]),
        ("", "", [0, 1, 2, 3, 4, 5]),
    ],
)
def test_the_part_goes_from_one_frame_to_another_both_included(first: str, last: str, places: list[int]) -> None:
    assert cut(IN_ORDER, Part(first, last)) == [IN_ORDER[place] for place in places]


@pytest.mark.parametrize(
    ("first", "last", "says"),
    [
        ("q7", "", r'first frame "q7": not there; the folder has c/x9.dng to last.dng'),
        ("", "lost", r'last frame "lost": not there; .*did you mean last.dng\?'),
        ("x9", "", r'first frame "x9": is c/x9.dng and z/x9.dng; write the folder too'),
        ("last", "c/x8", r"first frame last.dng was shot after the last, c/x8.DNG; give them in the order of shooting"),
    ],
)
def test_a_part_that_is_none_says_what_is_there(first: str, last: str, says: str) -> None:
    with pytest.raises(GreystepError, match=says):
        cut(IN_ORDER, Part(first, last))


def test_three_of_the_frames_that_a_name_may_mean_are_told() -> None:
    names = [f"{folder}/f1.dng" for folder in "abcd"]
    with pytest.raises(
        GreystepError, match=r'first frame "f1": is a/f1.dng and b/f1.dng and c/f1.dng; write the folder'
    ):
        cut(names, Part("f1"))


def test_rows_outside_a_part_leave_the_rest_of_the_log_as_it_is() -> None:
    shots = pd.DataFrame({"frame": ["a", "b", "c", "", "d"], "head": list("ABCDE"), "row": [2, 3, 4, 5, 0]})
    kept, told = rows_of_part(shots, ["a", "b", "c", "d"], ["b", "c"])
    assert kept.to_dict(orient="list") == {"frame": ["b", "c", ""], "head": ["B", "C", "D"], "row": [3, 4, 5]}
    assert kept.index.tolist() == [0, 1, 2]
    assert told == (OutsidePart((2,), "b", "c"),), "of a frame that only its folder names nothing is said"
    assert rows_of_part(shots, ["a", "b", "c", "d"], ["a", "b", "c", "d"])[1] == ()


def test_while_frames_come_the_last_may_be_one_of_them() -> None:
    assert cut(IN_ORDER, Part("x8.dng", "q7", coming=True)) == IN_ORDER[1:]
    assert cut(IN_ORDER, Part("x8.dng", "Y1", coming=True)) == IN_ORDER[1:3]
    with pytest.raises(GreystepError, match=r"last frame .* is c/x9.dng and z/x9.dng"):
        cut(IN_ORDER, Part("", "x9", coming=True))


@pytest.fixture
def capture_folder(tmp_path: Path, shoot: Callable[..., None]) -> Path:
    """Frames of other work before and after a test; the names run against the clock."""
    (tmp_path / "session.toml").write_text("[target]\npatch = [0.2, 0.2, 0.8, 0.8]\n")
    for at, light in enumerate([50.0, 200.0, 3.0, 6000.0, 6000.0, 1500.0, 1500.0, 90.0, 15000.0]):
        shoot(tmp_path / f"frames/x{20 - at:02d}.dng", light, captured=f"2026:03:02 10:00:{at:02d}")
    return tmp_path


def read(folder: Path, first: str, last: str) -> Ingested:
    return ingest(load_settings(folder), part=Part(first, last))


def test_a_log_without_names_is_placed_on_the_part(capture_folder: Path) -> None:
    (capture_folder / "shots.csv").write_text("head,power,kind\n,,ambient\nA,1/1,\nA,1/1,\nA,1/4,\nA,1/4,\n")
    found = read(capture_folder, "X18", "x14.dng")
    assert found.readings["frame"].tolist() == ["x18.dng", "x17.dng", "x16.dng", "x15.dng", "x14.dng"]
    assert (found.readings["status"] == "ok").all()
    assert found.readings["shot"].tolist() == [0, 1, 2, 3, 4]
    with pytest.raises(GreystepError):  # without the part nine frames do not fit five rows
        ingest(load_settings(capture_folder))


def test_rows_that_name_frames_outside_the_part_are_told_and_left_out(capture_folder: Path) -> None:
    names = [f"x{20 - at:02d}.dng" for at in range(9)]
    kinds = ["job", "job", "ambient", "", "", "", "", "job", "job"]
    powers = ["", "", "", "1/1", "1/1", "1/4", "1/4", "", ""]
    rows = [f"{name},A,{power},{kind}" for name, power, kind in zip(names, powers, kinds, strict=True)]
    (capture_folder / "shots.csv").write_text("\n".join(["frame,head,power,kind", *rows]))
    found = read(capture_folder, "x18", "x14")
    assert found.readings["frame"].tolist() == names[2:7]
    assert [line for line in lines(found.messages) if "outside" in line] == [
        "shots.csv: rows 2, 3, 9 and 10 name frames outside x18.dng to x14.dng; they are left out"
    ]
    (capture_folder / "shots.csv").write_text("frame,head,power\nx17.dng,A,full\n")
    with pytest.raises(GreystepError, match=r"no row of the log is of the frames x20.dng to x20.dng"):
        read(capture_folder, "x20", "x20")


def test_frames_named_by_their_folders_are_cut_too(small_session: Path) -> None:
    found = read(small_session, "f2", "f4")
    assert found.readings["frame"].tolist() == ["A/1-1/f2.dng", "A/1-1/f3.dng", "A/1-4/f4.dng"]
    assert not any("shots.csv" in line for line in lines(found.messages))  # there is none


@pytest.mark.parametrize("command", [report, ingest_command, correct])
def test_the_commands_take_the_part(capture_folder: Path, command: Callable[..., None]) -> None:
    (capture_folder / "shots.csv").write_text("head,power,kind\n,,ambient\nA,1/1,\nA,1/1,\nA,1/4,\nA,1/4,\n")
    app = typer.Typer(pretty_exceptions_enable=False)
    app.command()(command)
    done = CliRunner().invoke(app, [str(capture_folder), "--first", "x18", "--last", "x14"], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert len((capture_folder / "readings.csv").read_text().splitlines()) == 6


def test_a_watch_reads_from_the_first_frame_to_the_last_once_that_is_there(capture_folder: Path) -> None:
    (capture_folder / "shots.csv").write_text("head,power,kind\n,,ambient\nA,1/1,\nA,1/1,\nA,1/4,\nA,1/4,\n")
    last = capture_folder / "frames" / "x14.dng"
    last.rename(capture_folder / "later")
    (capture_folder / "frames" / "x13.dng").rename(capture_folder / "other")
    (capture_folder / "frames" / "x12.dng").rename(capture_folder / "and other")
    watch = Watch(load_settings(capture_folder), str, str, part=Part("x18", "x14", coming=True))
    watch.begin()
    assert not watch.step()
    (capture_folder / "later").rename(last)
    (capture_folder / "other").rename(capture_folder / "frames" / "x13.dng")
    assert watch.step()
    assert watch.found is not None
    assert watch.found.readings["frame"].tolist() == ["x18.dng", "x17.dng", "x16.dng", "x15.dng", "x14.dng"]
