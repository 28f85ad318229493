"""The maker of synthetic readings as a fixture: test files cannot import each other."""

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def synthetic() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "compare_synthetic", Path(__file__).parent / "compare" / "synthetic.py"
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
