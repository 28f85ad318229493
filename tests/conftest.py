"""The makers of `tests/helpers` as fixtures, and how the processes of a run find what was compiled."""

import gc
import os
import shutil
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from types import ModuleType

import pytest
import typer.testing

from helpers import dng_writer, tiff_writer
from helpers import synthetic as readings_maker

#: Where files stand in memory, and so much must be free there [bytes]: a run has some hundred MB at a time.
MEMORY, ENOUGH = Path("/dev/shm"), 4 << 30


def pytest_configure(config: pytest.Config) -> None:
    """Let a run with several workers keep compiled modules, as it begins Python a hundred times, and files in memory.

    What the tests write are ten thousand small files, many over others, which a disk has to bring out at once.
    With `-n 0` what the caller chose stands: whoever changes a module many times a second must not meet an old one.
    """
    if config.getoption("numprocesses", None):
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        if os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ENOUGH:
            os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))


def pytest_collection_finish() -> None:
    """Look no more for cycles in what every test stands on: 250,000 objects of libraries and tests, again and again.

    What a test leaves in a cycle of its own is looked for less often, and all of it at the end.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 10, 10)


@pytest.fixture(scope="session", autouse=True)
def _nothing_waits_for_the_disk() -> Iterator[None]:
    """No test pulls the plug: `os.fsync` is left out in this process, one for each of thousands of files."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda handle: None)
        yield


@pytest.fixture(scope="session", autouse=True)
def _commands_are_put_together_once() -> Iterator[None]:
    """typer makes all commands of an app anew, by 7 ms, whenever one of them is run in this process."""
    with pytest.MonkeyPatch.context() as patch:
        for module, name in ((typer.main, "get_command"), (typer.testing, "_get_command")):
            patch.setattr(module, name, cache(getattr(module, name)))
        yield


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
