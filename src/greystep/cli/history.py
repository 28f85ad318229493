"""``greystep history``: heads over several sessions."""

from pathlib import Path
from typing import Annotated

import typer

from greystep.cli.options import JsonOption, StrictOption, finish, progress_bar, say


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
    """Say of each head whether it has moved since the session before, and write history.csv.

    Heads are known by their serial in session.toml, else by their label. What moved is told from the camera by the
    reference head of both sessions, or a meter; the same camera counts as it stands.

    Example: greystep history hire_kit_march hire_kit_june
    """
    if len({path.resolve() for path in sessions}) < max(2, len(sessions)):
        raise typer.BadParameter("give two or more different sessions", param_hint="SESSION...")
    from greystep import __version__
    from greystep.compare.anchors import visit_of
    from greystep.compare.drift import analyse
    from greystep.compare.history import Move, compare_sessions
    from greystep.files import records, to_json, write_table
    from greystep.pages.history import history_text
    from greystep.sentences.frames import lines
    from greystep.sentences.history import note
    from greystep.session.ingest import ingest
    from greystep.session.settings import load_settings

    loaded = [load_settings(path) for path in sessions]
    titles = [session.title for session in loaded]
    visits = []
    for path, session in zip(sessions, loaded, strict=True):
        with progress_bar(f"reading frames of {path.name}") as progress:
            found = ingest(session, progress=progress, store=out)
        say(*(f"{path}: {message}" for message in lines(found.messages)))
        name = session.title if titles.count(session.title) == 1 else str(path)
        visits.append(visit_of(name, found, analyse(found.readings, session)))
    result = compare_sessions(visits)
    newest = max(range(len(visits)), key=lambda place: (visits[place].date, place))
    written = (out or sessions[newest] / "report") / "history.csv"
    write_table(written, result.table)
    if as_json:
        document = {"schema": 1, "greystep": __version__, "wrote": [str(written)]}
        typer.echo(to_json(document | {"history": records(result.table), "notes": list(map(note, result.notes))}))
    else:
        typer.echo(history_text(result, str(written)))
    finish(strict, bool(result.table["verdict"].isin([Move.NOT_MOVED, Move.NEW]).all()))
