"""session.toml as tables and checked values: what each fault says, its line, and the limits of a file."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import pytest

from greystep.errors import GreystepError
from greystep.session import toml_file
from greystep.session.toml_file import Limits, TomlFile, existing_path, fault, found, read_toml, reader, structured


@dataclass(frozen=True)
class Inner:
    name: str = ""
    count: Annotated[int, Limits(1, 20)] = 1
    share: Annotated[float, Limits(0.0, 1.0)] = 0.5
    sure: bool = False


@dataclass(frozen=True)
class Outer:
    title: str = ""
    target: Inner = field(default_factory=Inner)
    heads: dict[str, Inner] = field(default_factory=dict)


def read(folder: Path, text: str) -> tuple[Outer, list[str]]:
    (folder / "session.toml").write_text(text)
    toml = read_toml(folder)
    return structured(toml, Outer, reader({})), toml.faults


# --- values -----------------------------------------------------------------------------------------------------------


def test_values_within_their_limits_are_taken(tmp_path: Path) -> None:
    text = 'title = " kit "\n[target]\ncount = 20\nshare = 1\nsure = true\n[heads.A]\ncount = 1.0\nshare = 0.0\n'
    said, faults = read(tmp_path, text)
    assert faults == []
    assert said == Outer("kit", Inner("", 20, 1.0, True), {"A": Inner("", 1, 0.0)})
    assert (type(said.target.share), type(said.heads["A"].count)) == (float, int)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("count = 0", "line 3: [target] count: 0 is out of range; from 1 to 20 makes sense"),
        ("count = 21", "line 3: [target] count: 21 is out of range; from 1 to 20 makes sense"),
        ("count = 2.5", "line 3: [target] count: found 2.5; write a whole number"),
        ("count = true", "line 3: [target] count: found true; write a number without quotes"),
        ('share = "0.5"', 'line 3: [target] share: found the text "0.5"; write a number without quotes'),
        ("share = -0.1", "line 3: [target] share: -0.1 is out of range; from 0 to 1 makes sense"),
        ("name = 5", 'line 3: [target] name: found 5; write text in quotes, name = "5"'),
        ("name = true", 'line 3: [target] name: found true; write text in quotes, name = "..."'),
        ("name = [1]", 'line 3: [target] name: found a list; write text in quotes, name = "..."'),
        ("sure = 1", "line 3: [target] sure: found 1; write sure = true or leave it out"),
        ("shar = 1", "line 3: [target] shar: no such key; did you mean share?"),
        ("title = 1", "line 3: [target] title: no such key; known are name, count, share, sure"),
    ],
)
def test_a_wrong_value_is_told_with_its_line_and_counts_as_absent(line: str, says: str, tmp_path: Path) -> None:
    said, faults = read(tmp_path, f"title = 'x'\n[target]\n{line}\n")
    assert faults == [says]
    assert said == Outer("x")


def test_a_key_or_a_table_in_the_wrong_place(tmp_path: Path) -> None:
    assert read(tmp_path, "share = 0.5\n")[1] == ["line 1: share: no such key; it belongs under [target]"]
    assert read(tmp_path, "target = 5\n")[1] == ["line 1: target: found 5; a table is needed, such as [target]"]
    assert read(tmp_path, "heads = 5\n")[1] == ["line 1: heads: found 5; a table is needed, such as [heads.A]"]
    assert read(tmp_path, "[targt]\nshare = 1\n")[1] == ["line 1: targt: no such key; did you mean target?"]
    said, faults = read(tmp_path, "[heads.A]\nshare = 2\n[heads.B]\nshare = 1\n")
    assert faults == ["line 2: [heads.A] share: 2 is out of range; from 0 to 1 makes sense"]
    assert said.heads == {"A": Inner(), "B": Inner(share=1.0)}


def test_values_are_named_as_they_are_found() -> None:
    named = {found(value) for value in (True, "x", 5, 2.5, 1e301, [1], {"a": 1})}
    assert named == {"true", 'the text "x"', "5", "2.5", "a huge number", "a list", "a table"}
    assert found(object()) == "a date"
    assert found(1e300) == "1e+300"


# --- the file ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("deep", [16, 17])
@pytest.mark.parametrize(("start", "last", "end"), [("[", "[]", "]"), ("{a = ", "{}", "}")], ids=["lists", "tables"])
def test_lists_and_tables_have_sixteen_levels_at_most(
    start: str, last: str, end: str, deep: int, tmp_path: Path
) -> None:
    about = deep - 2  # the file itself is a table
    (tmp_path / "session.toml").write_text(f"x = {start * about}{last}{end * about}\n")
    if deep == 16:
        assert read_toml(tmp_path).data
        return
    with pytest.raises(GreystepError, match="lists or tables stand more than 16 deep in each other"):
        read_toml(tmp_path)


def test_lines_keys_and_bytes_have_an_end(tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_text(f'title = "{"x" * (10_000 - 10)}"\n')
    assert read_toml(tmp_path).data
    path.write_text(f'a = 1\ntitle = "{"x" * (10_001 - 10)}"\n')
    with pytest.raises(GreystepError, match="line 2: 10001 characters"):
        read_toml(tmp_path)
    path.write_text(".".join("abcdefghijklmnop") + " = 1\n")
    with pytest.raises(GreystepError, match="stand more than 16 deep"):
        read_toml(tmp_path)
    path.write_text(".".join("abcdefghijklmnopq") + " = 1\n")
    with pytest.raises(GreystepError, match="line 1: 37 characters"):
        read_toml(tmp_path)
    path.write_bytes(b"title = '\xff'\n")
    with pytest.raises(GreystepError, match=r"is not UTF-8 text \(byte 9\)"):
        read_toml(tmp_path)
    path.write_text(f"a = {'9' * 5000}\n")
    with pytest.raises(GreystepError, match="a number in it has thousands of digits"):
        read_toml(tmp_path)
    path.write_bytes(b"\xef\xbb\xbftitle = 'x'\r\n")
    assert read_toml(tmp_path).data == {"title": "x"}
    path.unlink()
    assert read_toml(tmp_path) == TomlFile(tmp_path, {}, {}, [])


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("a = 1\ntitle = \u201cx\u201d\n", r"line 2, column 9: .*; type straight quotes"),
        ('frames = "C:\\photos"\n', r"line 1, .*; write / instead of"),
        ("title = x\n", r"line 1, .*; correct that line; text stands in"),
    ],
)
def test_what_the_parser_says_gets_place_and_remedy(text: str, remedy: str, tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text(text)
    with pytest.raises(GreystepError, match=remedy):
        read_toml(tmp_path)


def test_the_line_of_each_key_and_table() -> None:
    text = 'title = 1\n[heads."A b"]\n "t 01" = 2\n\n[ heads . B ]\nx = 3\nx = 4\n'
    assert toml_file._lines(text) == {
        ("", "title"): 1, ("heads.A b", ""): 2, ("heads.A b", "t 01"): 3, ("heads.B", ""): 5, ("heads.B", "x"): 6,
    }  # fmt: skip


def test_a_fault_stands_at_the_nearest_line_that_is_known() -> None:
    lines = {("target", "share"): 4, ("camera", ""): 6, ("", "place"): 8, ("heads.A", ""): 9}
    toml = TomlFile(Path(), {}, lines, [])
    for path in ("target.share", "camera.matrix", "camera.meter.cct_k", "place", "heads.A.t", "nowhere.x"):
        fault(toml, tuple(path.split(".")), "wrong")
    assert toml.faults == [
        "line 4: [target] share: wrong", "line 6: [camera] matrix: wrong", "[camera.meter] cct_k: wrong",
        "line 8: place: wrong", "line 9: [heads.A] t: wrong", "[nowhere] x: wrong",
    ]  # fmt: skip


def test_a_path_starts_at_the_session_and_a_misspelt_one_is_told(tmp_path: Path) -> None:
    toml: Any = TomlFile(tmp_path, {}, {}, [])
    (tmp_path / "capture").mkdir()
    (tmp_path / "grey.csv").write_text("x")
    assert existing_path(toml, ("frames",), "capture", folder=True) == tmp_path / "capture"
    assert existing_path(toml, ("a",), str(tmp_path / "grey.csv"), folder=False) == tmp_path / "grey.csv"
    assert toml.faults == []
    existing_path(toml, ("frames",), "captur", folder=True)
    existing_path(toml, ("frames",), "grey.csv", folder=True)
    existing_path(toml, ("a",), "zzz", folder=False)
    existing_path(toml, ("a",), "none/zzz", folder=False)
    start = "paths start at the session's folder"
    assert toml.faults == [
        'frames: no folder "captur"; did you mean capture?', 'frames: no folder "grey.csv"; did you mean grey.csv?',
        f'a: no file "zzz"; {start}', f'a: no file "none/zzz"; {start}',
    ]  # fmt: skip
