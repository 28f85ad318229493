"""The makers of `tests/helpers` as fixtures."""

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from helpers import dng_writer, tiff_writer
from helpers import synthetic as readings_maker


@pytest.fixture(scope="session")
def synthetic() -> ModuleType:
    return readings_maker


@pytest.fixture(scope="session")
def make_dng() -> Callable[..., Path]:
    return dng_writer.write_dng


@pytest.fixture(scope="session")
def make_opcodes() -> Callable[..., bytes]:
    return dng_writer.opcode_list


@pytest.fixture(scope="session")
def tiff() -> Callable[..., Path]:
    return tiff_writer.write_tiff
