"""What stops a run: one exception, and a way to gather every fault of a file before it is raised.

A message says the thing, what is wrong, the numbers, and what to do; it is one line.
"""

TYPE_CHECKING = False  # nothing is imported before Ctrl-C is seen to, see `greystep.__main__`
if TYPE_CHECKING:
    from collections.abc import Sequence


class GreystepError(Exception):
    """The command cannot do its work; the message is one line for the person, with the remedy in it."""


class FrameError(GreystepError):
    """One raw file cannot be read or measured; the session goes on and its row is rejected.

    Attributes:
        flag: The flag that the frame's row carries: ``unreadable``, ``missing`` or ``damaged``.
    """

    def __init__(self, message: str, flag: str = "unreadable") -> None:
        super().__init__(message)
        self.flag = flag


class FaultsError(GreystepError):
    """All faults of one file at once, one line each; nothing has been written.

    Attributes:
        faults: One line a fault, each naming its row and the remedy.
    """

    def __init__(self, where: str, faults: "Sequence[str]") -> None:
        self.faults = tuple(faults)
        count = f"{len(self.faults)} fault" + ("s" if len(self.faults) != 1 else "")
        super().__init__("\n".join([f"{where}: {count}, nothing written", *(f"  {line}" for line in self.faults)]))
