"""The flow of imports is the contract in pyproject.toml; the package's docstring says a line of every file."""

import re
from pathlib import Path

import pytest

import greystep

PACKAGE = Path(greystep.__file__).parent
ROOT = Path(__file__).parents[1]


@pytest.mark.skipif(not (ROOT / "pyproject.toml").is_file(), reason="pyproject.toml is not part of this installation")
def test_every_import_keeps_the_flow(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

    monkeypatch.chdir(ROOT)
    status = lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True)
    assert status == EXIT_STATUS_SUCCESS, capfd.readouterr().out


def test_the_packages_docstring_names_every_file_once() -> None:
    rooms: dict[str, list[str]] = {}
    for line in (greystep.__doc__ or "").splitlines():
        if head := re.fullmatch(r"(\w+):", line):
            rooms[head[1]] = []
        elif row := re.fullmatch(r" {4}(\w+) +\S.*", line):
            rooms[list(rooms)[-1]].append(row[1])
    there = {
        "ground" if folder == PACKAGE else folder.name: sorted(
            p.stem for p in folder.glob("*.py") if p.stem != "__init__"
        )
        for folder in (PACKAGE, *(path for path in PACKAGE.iterdir() if (path / "__init__.py").is_file()))
    }
    assert {room: sorted(names) for room, names in rooms.items()} == there
