"""The command as a person meets it, in this process."""

import io
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

from greystep.cli.app import run


@dataclass(frozen=True)
class Result:
    """What a command left behind: `err` with each message on one line, `err_shown` as it stood on the screen."""

    status: int
    out: str
    err: str
    err_shown: str = ""


def greystep(*words: str | Path) -> Result:
    """Run the entry point as the console script does."""
    out, err = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.TextIOWrapper(io.BytesIO(), "utf-8")
    before, sys.argv = sys.argv, ["greystep", *map(str, words)]
    status = 0
    try:
        with redirect_stdout(out), redirect_stderr(err):
            run()
    except SystemExit as ended:
        status = int(ended.code or 0)
    finally:
        sys.argv = before
    texts = []
    for stream in (out, err):
        stream.flush()
        texts.append(stream.buffer.getvalue().decode("utf-8"))  # type: ignore[attr-defined]
    return Result(status, texts[0], texts[1].replace("\n    ", " "), texts[1])
