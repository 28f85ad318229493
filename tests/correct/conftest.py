"""The focus stack of the demo as a fixture, and its maker: test files cannot import each other."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


@pytest.fixture(scope="session")
def stacking() -> ModuleType:
    spec = importlib.util.spec_from_file_location("correct_stack", Path(__file__).with_name("stack.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["correct_stack"] = module  # dataclasses look their own module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def stack(stacking: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    return stacking.make_stack(tmp_path_factory.mktemp("stack") / "session")
