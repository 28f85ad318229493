"""``greystep ingest``: raw frames to readings.csv."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from greystep.cli.options import (
    JsonOption,
    PatchOption,
    SessionArgument,
    StrictOption,
    finish,
    parse_patch,
    progress_bar,
    say,
    show,
)

if TYPE_CHECKING:
    import pandas as pd


def ingest(
    session: SessionArgument,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Where to write if SESSION cannot be written.")
    ] = None,
    patch: PatchOption = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Read the raw frames of SESSION into readings.csv; only what changed since last time is read again.

    Example: greystep ingest hire_kit
    """
    box = parse_patch(patch)
    from greystep.files import to_json
    from greystep.pages.screen import ingest_text
    from greystep.sentences.frames import lines
    from greystep.session.ingest import ingest as read
    from greystep.session.ingest import write_readings
    from greystep.session.settings import load_settings

    loaded = load_settings(session)
    with progress_bar("reading frames") as progress:
        found = read(loaded, patch=box, progress=progress, store=out)
    written = write_readings(found, store=out)
    say(*lines(found.messages))
    if as_json:
        typer.echo(to_json(document(found.readings)))
    else:
        show(ingest_text(found.readings, str(written)))
    finish(strict, not (found.readings["status"] == "rejected").any())


def document(readings: "pd.DataFrame") -> dict[str, Any]:
    """Return what ``--json`` prints of the readings."""
    from greystep import __version__
    from greystep.files import records
    from greystep.session.ingest import as_written
    from greystep.session.readings import status_counts

    rows = records(as_written(readings))
    return {"schema": 1, "greystep": __version__, "frames": status_counts(readings), "readings": rows}
