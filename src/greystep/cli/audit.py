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
    """Say whether the lights of SETUP.csv go together on one subject, and what would bring them together.

    SETUP.csv has a row a light: role, head, power; if you like also share, reads (f/11.3) or stops, gel, group.

    Or a session folder in their place: a frame of each light alone (kind flash) and one of all (kind job).

    Example: greystep audit SETUP.csv --profile hire_kit --shutter 1/125
    """
    box = parse_patch(patch)
    from greystep.files import to_json, write_json, write_text
    from greystep.mix.audit import audit_path, gels_at_hand
    from greystep.pages.audit import audit_document, audit_drawings, audit_page
    from greystep.pages.screen import audit_text
    from greystep.planning.rig import seconds
    from greystep.sentences.frames import lines
    from greystep.session.ingest import ingest
    from greystep.session.settings import load_settings

    shot = setup.is_dir()
    if profile is None and not shot:
        raise typer.BadParameter(
            "name the test session of these heads, such as --profile hire_kit", param_hint="--profile"
        )
    planned = None if shutter is None else seconds(shutter)
    folder = setup if profile is None or shot else profile
    session = load_settings(folder)
    at_hand = gels_at_hand(setup, folder, gels)
    with progress_bar("reading frames") as progress:
        found = ingest(session, patch=box, progress=progress, store=out)
    judged = audit_path(setup, found, at_hand, planned)
    content = audit_document(judged)
    to = out or (setup / "report" if shot else setup.parent)
    wrote = [to / "audit.json", to / "audit.html"]
    page = audit_page(judged, audit_drawings(judged))
    write_json(wrote[0], content)
    write_text(wrote[1], page)
    say(*lines(found.messages))
    if as_json:
        typer.echo(to_json(content | {"wrote": [str(path) for path in wrote]}))
    else:
        show(audit_text(judged, [str(path) for path in wrote]))
    finish(strict, judged.holds)
