"""``greystep ingest``: raw frames to readings.csv."""

from pathlib import Path
from typing import Annotated

import typer

from greystep.cli import options


def ingest(
    session: options.SessionArgument,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Where to write if SESSION cannot be written.")
    ] = None,
    patch: options.PatchOption = None,
    first: options.FirstOption = "",
    last: options.LastOption = "",
    jobs: options.JobsOption = None,
    as_json: options.JsonOption = False,
    strict: options.StrictOption = False,
) -> None:
    """Read the raw frames of SESSION into readings.csv; only what changed since last time is read again.

    Example: greystep ingest hire_kit
    """
    opened = options.open_with_progress(session, patch, out, jobs=jobs, first=first, last=last)
    written = opened.write_readings()
    options.say(*opened.messages)
    if as_json:
        options.show_json(opened.document)
    else:
        options.show(opened.text([str(written)]))
    options.finish(strict, opened.all_usable)
