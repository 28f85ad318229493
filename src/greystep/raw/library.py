"""LibRaw, opened so that it guesses nothing and writes nothing on the terminal."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import rawpy

from greystep.errors import FrameError
from greystep.raw.guard import one_line, silent

#: How raw files begin: place and bytes (from memory). A file without any of these LibRaw takes for one of old cameras
#: whose size it has, whatever lies in it.
_HEADERS: Final = (
    (0, b"II"), (0, b"MM"), (0, b"\0MRM"), (0, b"FUJ"), (0, b"FOVb"), (4, b"ftyp"), (0, b"\xff\xd8\xff"), (0, b"RIFF"),
    (0, b"MLVI"), (0, b"ARR"), (0, b"SDPX"), (0, b"XPDS"), (0, b"NOK"), (0, b"KDK"), (0, b"EAS"), (0, b"DSC"),
    (0, b"qkt"), (0, b"PXN"), (0, b"PWAD"), (0, b"\0\1\0\1\0@"),
)  # fmt: skip
_HEAD: Final = max(at + len(sign) for at, sign in _HEADERS)


@contextmanager
def decoder(path: Path) -> Iterator[rawpy.RawPy]:
    """Open a raw file in LibRaw.

    Raises:
        FrameError: For whatever goes wrong while it is open, and for a file that has no header of a raw file.
    """
    with one_line(path, "not a raw frame that LibRaw can decode"):
        with path.open("rb") as file:
            start = file.read(_HEAD)
        if not any(start[at : at + len(sign)] == sign for at, sign in _HEADERS):
            raise FrameError(
                f"{path.name}: does not begin as a raw file does, and its kind is not guessed by its size; copy it from"
                " the card again"
            )
        with silent(), rawpy.imread(str(path)) as raw:
            yield raw
