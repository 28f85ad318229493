"""LibRaw writes nothing on the terminal, however it is called, and guesses no format by a file's size."""

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile

from greystep.errors import FrameError
from greystep.raw.frame import library_exposure, open_frame

#: Bytes of headerless files that LibRaw takes for raw files of old cameras, as it opens them.
GUESSED = (786_432, 1_447_680)


def cut_raw(path: Path) -> Path:
    """A raw TIFF that is no DNG, cut off in its pixels: LibRaw says so on the terminal."""
    tifffile.imwrite(path, np.full((400, 600), 700, np.uint16), photometric=32803, metadata=None)
    path.write_bytes(path.read_bytes()[:90_000])
    return path


def test_what_the_library_writes_never_reaches_the_terminal(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = cut_raw(tmp_path / "a.nef")
    with pytest.raises(rawpy.LibRawError), rawpy.imread(str(path)) as raw:
        raw.raw_image.copy()
    assert "Unexpected end of file" in capfd.readouterr().err  # the file does provoke it
    for read in (open_frame, library_exposure):
        with pytest.raises(FrameError):
            read(path)
    with ThreadPoolExecutor(4) as pool:
        assert all(isinstance(error, FrameError) for error in pool.map(failure, [path] * 12))
    assert capfd.readouterr() == ("", "")
    os.write(2, b"back again")
    assert capfd.readouterr().err == "back again"


def failure(path: Path) -> Exception | None:
    try:
        open_frame(path)
    except FrameError as error:
        return error
    return None


def test_python_may_write_while_a_decoder_may_not() -> None:
    code = (
        "import os, sys\nfrom greystep.raw.guard import silent\nwith silent():\n"
        "    os.write(2, b'a decoder')\n    print('progress', file=sys.stderr)\nprint('after', file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == "progress\nafter\n"
    code = "import os\nfrom greystep.raw.guard import silent\nos.close(2)\nwith silent():\n    pass\nprint('done')\n"
    closed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert closed.stdout == "done\n"


@pytest.mark.parametrize("size", GUESSED)
def test_a_file_without_a_header_is_not_guessed_by_its_size(tmp_path: Path, size: int) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(b"\x07" + np.random.default_rng(1).bytes(size - 1))
    with rawpy.imread(str(path)) as raw:
        assert raw.raw_image.size > 0  # LibRaw does
    with pytest.raises(FrameError, match="does not begin as a raw file does"):
        open_frame(path)
