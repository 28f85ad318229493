"""The maker of known DNG files and of their damage: test files cannot import each other."""

import importlib.util
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


@pytest.fixture(scope="session")
def fuzz() -> Iterator[ModuleType]:
    """The script that damages files."""
    path = list(sys.path)
    file = Path(__file__).parents[1] / "benchmarks" / "fuzz_raw.py"
    spec = importlib.util.spec_from_file_location("fuzz_raw", file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["fuzz_raw"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    yield module
    del sys.modules["fuzz_raw"]
    sys.path[:] = path


@pytest.fixture(scope="session")
def known(fuzz: ModuleType) -> ModuleType:
    """The writer of known files."""
    return sys.modules["known_dngs"]


@pytest.fixture
def write(known: ModuleType, tmp_path: Path) -> Callable[..., Path]:
    """Return a function that writes one frame: of a layout by name, with other tags and other fields of the layout."""

    def written(name: str, *tags: Any, file: str = "a.dng", **changes: Any) -> Path:
        layout = known.LAYOUTS[name]
        layout = replace(layout, **changes)
        path = tmp_path / file
        path.write_bytes(known.frame(replace(layout, tags=(*layout.tags, *tags)), 5))
        return path

    return written


@pytest.fixture
def overwrite(known: ModuleType) -> Callable[..., None]:
    """Return a function that changes the entry of one tag in a file: its type, count or value field, or one value."""

    def changed(path: Path, code: int, *, kind: int = 0, count: int = -1, value: int = -1, first: int = -1) -> None:
        import struct

        data = bytearray(path.read_bytes())
        order = "<" if data[:2] == b"II" else ">"
        entry, _, old, _, place = next(entry for entry in reversed(known.entries_of(data)) if entry[1] == code)
        if kind:
            struct.pack_into(order + "H", data, entry + 2, kind)
        if count >= 0:
            struct.pack_into(order + "I", data, entry + 4, count)
        if value >= 0:
            struct.pack_into(order + "I", data, entry + 8, value)
        if first >= 0:
            struct.pack_into(order + ("H" if old == 3 else "I"), data, place, first)
        path.write_bytes(data)

    return changed
