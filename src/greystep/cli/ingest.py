"""``greystep ingest``: raw frames to readings.csv."""

from pathlib import Path
from typing import Annotated

import typer

from greystep.cli.options import (
    FirstOption,
    JobsOption,
    JsonOption,
    LastOption,
    PatchOption,
    SessionArgument,
    StrictOption,
    finish,
    open_with_progress,
    say,
    show,
    show_json,
)  # fmt: skip


def ingest(
    session: SessionArgument,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Where to write if SESSION cannot be written.")
    ] = None,
    patch: PatchOption = None,
    first: FirstOption = "",
    last: LastOption = "",
    jobs: JobsOption = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Read the raw frames of SESSION into readings.csv; only what changed since last time is read again.

    Example: greystep ingest hire_kit
    """
    opened = open_with_progress(session, patch, out, jobs=jobs, first=first, last=last)
    written = opened.write_readings()
    say(*opened.messages)
    if as_json:
        show_json(opened.document)
    else:
        show(opened.text([str(written)]))
    finish(strict, opened.all_usable)
