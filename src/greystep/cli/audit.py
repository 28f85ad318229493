"""``greystep audit``: a set-up of several lights, judged before it is shot."""

from pathlib import Path
from typing import Annotated

import typer

from greystep.cli.options import JsonOption, PatchOption, StrictOption, finish, parse_patch, progress_bar, say, show


def audit(
    setup: Annotated[Path, typer.Argument(metavar="SETUP.csv", help="The lights.", show_default=False)],
    profile: Annotated[
        Path | None, typer.Option("--profile", metavar="SESSION", help="The test session of the heads.")
    ] = None,
    shutter: Annotated[
        str | None, typer.Option("--shutter", metavar="1/125", help="The planned shutter; that of the test if absent.")
    ] = None,
    gels: Annotated[
        Path | None,
        typer.Option("--gels", metavar="CSV", help="Your gels; gels.csv beside SETUP.csv or in SESSION if absent."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Where to write; the folder of SETUP.csv if absent.")
    ] = None,
    patch: PatchOption = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Say whether the lights of SETUP.csv go together on one subject, and what would mend it.

    SETUP.csv has a row a light: role, head, power; if you like also share, reads (f/11.3) or stops, gel, group.

    Or a session folder in their place: a frame of each light alone (kind flash) and one of all (kind job).

    Example: greystep audit SETUP.csv --profile hire_kit --shutter 1/125
    """
    box = parse_patch(patch)
    from greystep.compare.drift import analyse, check_colour
    from greystep.files import to_json, write_json, write_text
    from greystep.log.ingest import ingest
    from greystep.log.rig import seconds
    from greystep.log.session import load_session
    from greystep.mix.additive import measured_setup
    from greystep.mix.audit import audit_document, audit_setup, find_gels_file
    from greystep.mix.gels import nominal_gels, read_gels
    from greystep.mix.setup import read_setup
    from greystep.sentences.kit_notes import designs
    from greystep.show.auditpage import audit_drawings, audit_page
    from greystep.show.terminal import audit_text

    shot = setup.is_dir()
    if profile is None and not shot:
        raise typer.BadParameter(
            "name the test session of these heads, such as --profile hire_kit", param_hint="--profile"
        )
    planned = None if shutter is None else seconds(shutter)
    folder = setup if profile is None or shot else profile
    session = load_session(folder)
    own = gels or find_gels_file(setup, folder)
    at_hand = nominal_gels() if own is None else read_gels(own)
    with progress_bar("reading frames") as progress:
        found = ingest(session, patch=box, progress=progress, store=out)
    drift = analyse(found.readings, session)
    check_colour(drift, session)
    if shot:
        measured = measured_setup(found, drift)
        judged = audit_setup(session.title, measured.setup, found, drift, at_hand, planned, measured.wholes)
    else:
        mired, output = (drift.fitted[name].cells.values for name in ("mired", "output_stops"))
        lights = read_setup(setup, session.heads, drift.cells, mired, output, at_hand)
        judged = audit_setup(setup.stem, lights, found, drift, at_hand, planned)
    content = audit_document(judged, found)
    content["notes"] = [*content["notes"], *designs(drift.notes)]
    to = out or (setup / "report" if shot else setup.parent)
    wrote = [to / "audit.json", to / "audit.html"]
    page = audit_page(content, audit_drawings(content))
    write_json(wrote[0], content)
    write_text(wrote[1], page)
    say(*found.messages)
    if as_json:
        typer.echo(to_json(content | {"wrote": [str(path) for path in wrote]}))
    else:
        show(audit_text(content, [str(path) for path in wrote]))
    finish(strict, content["verdict"] == "within" and not content["not_additive"])
