"""``greystep history``: heads over several sessions."""

import os
from pathlib import Path
from typing import Annotated

import typer

from greystep.cli.options import JsonOption, StrictOption, conclude, finish, open_with_progress, say


def history(
    sessions: Annotated[
        list[Path], typer.Argument(metavar="SESSION...", help="Folders of two or more sessions.", show_default=False)
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Where to write; the newest SESSION/report if absent.")
    ] = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Say of each head whether it has moved since the session before, and write history.csv and a page.

    Heads are known by their serial in session.toml, else by their label. The reference head of both sessions, or a
    meter, tells what moved from what the camera did; the same camera counts as it stands.

    Example: greystep history hire_kit_march hire_kit_june
    """
    if len({os.path.realpath(path) for path in sessions}) < max(2, len(sessions)):
        raise typer.BadParameter("give two or more different sessions", param_hint="SESSION...")
    from greystep.api import history as compared

    opened = []
    for path in sessions:
        opened.append(open_with_progress(path, None, out))
        say(*(f"{path}: {message}" for message in opened[-1].messages))
    result = compared(opened)
    conclude(result, result.write(out or result.newest / "report"), as_json)
    finish(strict, result.still)
