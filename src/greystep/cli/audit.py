"""``greystep audit``: a set-up of several lights, judged before it is shot."""

from pathlib import Path
from typing import Annotated

import typer

from greystep.cli.options import JsonOption, PatchOption, StrictOption, conclude, finish, open_with_progress, say


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
    changes: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="ROLE=POWER", help="Another power for a light, answered in one line; no files."),
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

    Or a session folder in their place: a frame of each light alone (kind flash) and one of all (kind job); --profile
    then says how much the heads scatter.

    With --set rim=1/4, once for each light that changes, one line says what that does, before and after.

    Example: greystep audit SETUP.csv --profile hire_kit --shutter 1/125
    """
    shot = setup.is_dir()
    if profile is None and not shot:
        raise typer.BadParameter(
            "name the test session of these heads, such as --profile hire_kit", param_hint="--profile"
        )
    powers = _powers(changes or [], shot)
    folder = out or (setup / "report" if shot else setup.parent)
    opened = open_with_progress(setup if profile is None or shot else profile, patch, out, None if powers else folder)
    if powers:
        answer = opened.what_if(setup, powers, gels=gels)
        say(*opened.messages)
        conclude(answer, [], as_json)
        finish(strict, answer.found.after.holds)
        return
    tested = open_with_progress(profile, None, None) if shot and profile is not None else None
    judged = opened.audit(None if shot else setup, shutter=shutter, gels=gels, profile=tested)
    wrote = judged.write(folder)
    say(*opened.messages)
    conclude(judged, wrote, as_json)
    finish(strict, judged.audit.holds)


def _powers(changes: list[str], shot: bool) -> dict[str, str]:
    """Read ``--set``: powers by role."""
    powers = {}
    for change in changes:
        role, equals, power = (part.strip() for part in change.rpartition("="))
        if shot or not (role and equals and power):
            said = (
                "changes a light of SETUP.csv; a session was shot as it is" if shot else "write ROLE=POWER, as rim=1/4"
            )
            raise typer.BadParameter(f"{change}: {said}", param_hint="--set")
        powers[role] = power
    return powers
