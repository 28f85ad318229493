"""The writer of DNG files of the measuring tests as a fixture here too: test files cannot import each other."""

import importlib.util
from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def make_dng() -> Callable[..., Path]:
    tests = Path(__file__).resolve().parents[1]
    writer = next(path for path in sorted(tests.rglob("*.py")) if "\ndef write_dng(" in path.read_text("utf-8"))
    spec = importlib.util.spec_from_file_location("dng_writer", writer)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.write_dng
