"""The focus stack of the demo as a fixture, and its maker."""

from types import ModuleType

import pytest

from helpers import stack as stack_maker
from helpers.stack import Stack


@pytest.fixture(scope="session")
def stacking() -> ModuleType:
    return stack_maker


@pytest.fixture(scope="session")
def stack(tmp_path_factory: pytest.TempPathFactory) -> Stack:
    return stack_maker.make_stack(tmp_path_factory.mktemp("stack") / "session")
