"""The door to colour-science, whose import takes a second: opened where one of its data or formulas is needed."""

import importlib
import sys
from types import ModuleType
from typing import Any, Final

from greystep.arrays import untouched

_PLOTTING: Final = "colour.plotting"


class _Later(ModuleType):
    """Stands in for a module until something of it is asked for."""

    def __getattr__(self, name: str) -> Any:  # what a module holds may be anything
        return getattr(importlib.import_module(self.__name__), name)


def open_library() -> ModuleType:
    """Import colour-science; its part that draws waits until asked for, and with it pyplot, a third of the time."""
    with untouched():
        if "colour" in sys.modules:
            return sys.modules["colour"]
        sys.modules[_PLOTTING] = _Later(_PLOTTING)
        try:
            import colour
        finally:
            del sys.modules[_PLOTTING]
        return colour  # type: ignore[no-any-return]
