"""``greystep history``: heads over several sessions."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from greystep.cli.options import JsonOption, StrictOption, finish, progress_bar, say

if TYPE_CHECKING:
    from greystep.compare.anchors import Metered, Visit
    from greystep.log.ingest import Ingested


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
    from greystep.compare.history import NOT_MOVED, compare_sessions
    from greystep.files import records, to_json, write_table
    from greystep.log.ingest import ingest
    from greystep.log.session import load_session
    from greystep.sentences.frames import lines
    from greystep.show.moves import history_text

    loaded = [load_session(path) for path in sessions]
    titles = [session.title for session in loaded]
    visits = []
    for path, session in zip(sessions, loaded, strict=True):
        with progress_bar(f"reading frames of {path.name}") as progress:
            found = ingest(session, progress=progress, store=out)
        say(*(f"{path}: {line}" for line in lines(found.messages)))
        visits.append(_visit(session.title if titles.count(session.title) == 1 else str(path), found))
    result = compare_sessions(visits)
    newest = max(range(len(visits)), key=lambda place: (visits[place].date, place))
    written = (out or sessions[newest] / "report") / "history.csv"
    write_table(written, result.table)
    if as_json:
        document = {"schema": 1, "greystep": __version__, "wrote": [str(written)]}
        typer.echo(to_json(document | {"history": records(result.table), "notes": result.notes}))
    else:
        typer.echo(history_text(result, str(written)))
    finish(strict, bool(result.table["verdict"].isin([NOT_MOVED, ""]).all()))


def _visit(name: str, found: "Ingested") -> "Visit":
    """Bring together what one session gives to a history."""
    from greystep.compare.anchors import Visit
    from greystep.compare.drift import analyse

    session, readings = found.session, found.readings
    flash = readings[readings["kind"] == "flash"]
    days = sorted(text[:10] for text in flash["captured"] if text)
    return Visit(
        name=name,
        date=days[0] if days else "",
        drift=analyse(readings, session),
        serials={head: info.serial for head, info in session.heads.items()},
        types={head: info.type for head, info in session.heads.items()},
        reference=session.reference_head or "",
        cameras={label: _camera(label, found) for label in found.bodies},
        meters=_meters(found),
        tolerance=session.tolerance,
    )


def _camera(label: str, found: "Ingested") -> str:
    """Return all that a body's absolute scale rests on, as text that is equal for equal cameras; blank if unknown."""
    import numpy as np

    body = found.bodies[label]
    if not label or body.tags is None:
        return ""
    rows = found.readings[(found.readings["body"] == label) & (found.readings["kind"] == "flash")]
    lens = rows["lens"].mode()
    matrix = np.array2string(np.round(body.tags.matrix_1, 4), max_line_width=1000)
    target = "" if found.session.reflectance is None else np.array2string(np.round(found.session.reflectance[1], 4))
    return "; ".join([label, lens.iloc[0] if len(lens) else "", body.colour_from, matrix, target])


def _meters(found: "Ingested") -> dict[str, "Metered"]:
    """Return, for the body that a meter reading has set, what the meter read."""
    from greystep.compare.anchors import Metered

    meter = found.session.meter
    rows = found.readings[found.readings["frame"] == meter.frame] if meter is not None else found.readings.iloc[:0]
    return {
        row["body"]: Metered(row["head"], row["stops"], 1e6 / meter.cct_k, row["u_mired"] / 2.0)
        for row in rows.to_dict(orient="records")
        if meter is not None and row["body"] in found.bodies and found.bodies[row["body"]].anchored
    }
