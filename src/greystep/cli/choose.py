"""``greystep choose``: which heads at which powers go together best."""

from typing import Annotated

import typer

from greystep.cli.options import (
    JsonOption,
    OutOption,
    PatchOption,
    SessionArgument,
    StrictOption,
    finish,
    parse_patch,
    progress_bar,
    say,
    show,
)


def choose(
    session: SessionArgument,
    need: Annotated[
        int | None, typer.Option("--need", metavar="N", min=1, help="How many heads; with --ganged: at most so many.")
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
    out: OutOption = None,
    patch: PatchOption = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Say which heads of SESSION at which powers go together best: the smallest worst pair there is.

    With --ganged: how many heads at which power give a wanted output with the shortest flash.

    Example: greystep choose hire_kit --need 3 --powers full,1/4,1/16
    """
    box = parse_patch(patch)
    if need is None and not ganged:
        raise typer.BadParameter("say how many heads, such as --need 3", param_hint="--need")
    from greystep.files import to_json, write_json
    from greystep.mix.choose import choice_document, choose_from
    from greystep.pages.screen import choose_text
    from greystep.sentences.frames import lines
    from greystep.session.ingest import ingest
    from greystep.session.settings import load_settings
    from greystep.terms import Verdict

    allowed = [part.strip() for part in (powers or "").split(",") if part.strip()]
    loaded = load_settings(session)
    with progress_bar("reading frames") as progress:
        found = ingest(loaded, patch=box, progress=progress, store=out)
    made = choose_from(found, need, allowed, ganged, output)
    content = choice_document(made)
    path = (out or session / "report") / "choose.json"
    write_json(path, content)
    say(*lines(found.messages))
    if as_json:
        typer.echo(to_json(content | {"wrote": [str(path)]}))
    else:
        show(choose_text(made, [str(path)]))
    finish(strict, made.best.verdict == Verdict.WITHIN)
