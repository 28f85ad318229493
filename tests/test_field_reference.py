"""The field reference of the README against the code: every column, key, kind, folder name and exit status."""

import dataclasses
import re
import shutil
import tomllib
import typing
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from greystep.__main__ import _STOPPED
from greystep.cli.options import NOT_ALL_WELL
from greystep.mix.gels import COLUMNS, read_gels
from greystep.mix.setup import AMOUNTS
from greystep.session.log_columns import KNOWN_COLUMNS
from greystep.session.settings import _Document, load_settings
from greystep.session.shots import read_shots
from greystep.terms import PARTS, Kind
from helpers.console import greystep

README = Path(__file__).parents[1] / "README.md"
SAMPLE = README.parent / "sample_data" / "hire_kit"
pytestmark = pytest.mark.skipif(not README.is_file(), reason="README.md is not part of this installation")


def section(title: str) -> str:
    """Return what stands under a heading of the field reference."""
    text = README.read_text("utf-8")
    reference = re.search(r"^## Field reference\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    assert reference, "README.md has no field reference"
    part = re.search(rf"^### {re.escape(title)}\n(.*?)(?=^### |\Z)", reference[1], re.MULTILINE | re.DOTALL)
    assert part, f"the field reference has no {title}"
    return part[1]


def first_cells(text: str, table: int = 0) -> list[str]:
    """Return the first cell of each row of a table, without its backticks."""
    tables = re.findall(r"^\|[^\n]+\|\n\|[-| ]+\|\n((?:\|[^\n]+\n)+)", text, re.MULTILINE)
    return [row.split("|")[1].strip().strip("`") for row in tables[table].splitlines()]


def block(text: str, kind: str) -> str:
    found = re.search(rf"```{kind}\n(.*?)```", text, re.DOTALL)
    assert found
    return found[1]


def keys(of: type) -> Iterator[str]:
    """Return the keys of a table of session.toml, those of tables in it as ``table.key``."""
    hints = typing.get_type_hints(of)
    for one in dataclasses.fields(of):
        inner = next(
            (kind for kind in (hints[one.name], *typing.get_args(hints[one.name])) if dataclasses.is_dataclass(kind)),
            None,
        )
        yield from (f"{one.name}.{key}" for key in keys(inner)) if inner else [one.name]


def written(table: Mapping[str, object], of: type = _Document) -> Iterator[str]:
    for name, value in table.items():
        if name == "heads" and isinstance(value, dict):
            for head in value.values():
                yield from (f"heads.{key}" for key in head)
        elif isinstance(value, dict):
            yield from (f"{name}.{key}" for key in written(value))
        else:
            yield name


def test_shots_csv_has_every_column_and_every_kind(tmp_path: Path) -> None:
    said = section("shots.csv")
    assert sorted(first_cells(said)) == sorted(KNOWN_COLUMNS)
    assert first_cells(said, 1) == [kind.value for kind in Kind]
    (tmp_path / "frames").mkdir()
    (tmp_path / "session.toml").write_text("[heads.A]\nmax_energy_j = 2400\n", encoding="utf-8")
    (tmp_path / "shots.csv").write_text(block(said, "csv"), encoding="utf-8")
    log = read_shots(load_settings(tmp_path))
    assert set(log["kind"]) == {kind.value for kind in Kind}
    assert log["stops"].max() > 3.0


def test_session_toml_is_whole_and_is_read_without_a_fault(tmp_path: Path) -> None:
    text = block(section("session.toml"), "toml")
    assert sorted(set(written(tomllib.loads(text)))) == sorted(keys(_Document))
    (tmp_path / "capture").mkdir()
    (tmp_path / "grey.csv").write_text("nm,factor\n380,0.18\n780,0.19\n", encoding="utf-8")
    (tmp_path / "camera.json").write_text("{}", encoding="utf-8")
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    read = load_settings(tmp_path)
    assert read.heads["A"].t01_s[4.0] == pytest.approx(1 / 1200)
    assert read.meter is not None
    named = re.findall(r"^\| `([\w.\[\]]+)`", section("session.toml"), re.MULTILINE)
    assert sorted(name.removeprefix("heads.NAME.") for name in named) == sorted(
        name.removeprefix("heads.") for name in keys(_Document)
    )


def test_the_other_tables_have_every_column(tmp_path: Path) -> None:
    assert first_cells(section("SETUP.csv")) == ["role", "head", "power", *AMOUNTS, "gel", "group", *PARTS]
    gels = section("gels.csv")
    assert first_cells(gels) == list(COLUMNS)
    (tmp_path / "gels.csv").write_text(block(gels, "csv"), encoding="utf-8")
    assert [gel.name for gel in read_gels(tmp_path / "gels.csv")] == ["1/4 CTO", "1/8 minus green"]
    assert first_cells(section("PLATES.csv")) == ["plate", "gain", "stops"]


def test_folder_and_file_names_say_what_the_reference_says(tmp_path: Path) -> None:
    said = section("Folders and file names")
    rows = re.findall(r"^\| `([^`]+)` \| (\w+) \|([^|]*)\|([^|]*)\|$", said, re.MULTILINE)
    assert len(rows) >= 6
    for number, (name, kind, head, power) in enumerate(rows):
        folder = tmp_path / str(number)
        path = folder / "frames" / name
        path.parent.mkdir(parents=True)
        shutil.copy(sorted((SAMPLE / "frames").iterdir())[0], path)
        (row,) = read_shots(load_settings(folder)).to_dict("records")
        assert (row["kind"], row["head"], row["power"]) == (kind, head.strip(), power.strip()), name


def test_exit_statuses(tmp_path: Path) -> None:
    assert [int(status) for status in first_cells(section("Exit status"))] == [0, 1, 2, NOT_ALL_WELL, _STOPPED]
    assert greystep("--version").status == 0
    assert greystep("ingest", tmp_path / "nowhere").status == 1
    assert greystep("report").status == 2
