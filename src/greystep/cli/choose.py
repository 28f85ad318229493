"""``greystep choose``: which heads at which powers go together best."""

from typing import Annotated

import typer

from greystep.cli import options


def choose(
    session: options.SessionArgument,
    need: Annotated[
        int | None,
        typer.Option("--need", metavar="N", min=1, max=1000, help="How many heads; with --ganged: at most so many."),
    ] = None,
    powers: Annotated[
        str | None, typer.Option("--powers", metavar="full,1/4", help="Powers that may be used; all tested if absent.")
    ] = None,
    ganged: Annotated[
        bool, typer.Option("--ganged", help="Heads as one light: the shortest flash that gives --output.")
    ] = False,
    output: Annotated[
        str,
        typer.Option("--output", metavar="STOPS", help="For --ganged: to the brightest head at full; or A@1/2."),
    ] = "0",
    out: options.OutOption = None,
    patch: options.PatchOption = None,
    as_json: options.JsonOption = False,
    strict: options.StrictOption = False,
) -> None:
    """Say which heads of SESSION at which powers go together best: the smallest worst pair there is.

    With --ganged: how many heads at which power give a wanted output with the shortest flash.

    Example: greystep choose hire_kit --need 3 --powers full,1/4,1/16
    """
    if need is None and not ganged:
        raise typer.BadParameter("say how many heads, such as --need 3", param_hint="--need")
    folder = out or session / "report"
    opened = options.open_with_progress(session, patch, out, folder)
    allowed = [part.strip() for part in (powers or "").split(",") if part.strip()]
    chosen = opened.choose(need, powers=allowed, ganged=ganged, output=output)
    wrote = chosen.write(folder)
    options.say(*opened.messages)
    options.conclude(chosen, wrote, as_json)
    options.finish(strict, chosen.verdict == "within")
