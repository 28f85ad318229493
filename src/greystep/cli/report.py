"""``greystep report``: drift, differences, verdicts and the page."""

from typing import Annotated, Any

import typer

from greystep.cli import options
from greystep.doors import LIMITS, check_limit
from greystep.errors import GreystepError


def _limit(quantity: str, help_: str) -> Any:
    return typer.Option(metavar="LIMIT", parser=options.number(*LIMITS[quantity]), help=help_)


def _claim(text: str | None) -> str | None:
    """Refuse a claim that is none before any frame is read."""
    if text is not None:
        from greystep.compare.verdict import parse_claim

        try:
            size, unit = parse_claim(text)
            check_limit(size, "kelvin" if unit == "k" else unit)
        except GreystepError as error:
            raise typer.BadParameter(str(error)) from None
    return text


def report(
    session: options.SessionArgument,
    out: options.OutOption = None,
    patch: options.PatchOption = None,
    claim: Annotated[
        str | None,
        typer.Option(
            "--claim", metavar="150K", callback=_claim, help="Test a maker's plus or minus, K or mired, as well."
        ),
    ] = None,
    mired: Annotated[float | None, _limit("mired", "Limit of warmer/cooler, in mired.")] = None,
    duv: Annotated[float | None, _limit("duv", "Limit of greener/pinker, in Duv.")] = None,
    kelvin: Annotated[float | None, _limit("kelvin", "Limit of warmer/cooler, in kelvin.")] = None,
    steps: Annotated[float | None, _limit("steps", "Limit of the whole colour difference, in steps of 0.0011.")] = None,
    output_stops: Annotated[float | None, _limit("output_stops", "Limit of the output error, in stops.")] = None,
    first: options.FirstOption = "",
    last: options.LastOption = "",
    jobs: options.JobsOption = None,
    as_json: options.JsonOption = False,
    strict: options.StrictOption = False,
) -> None:
    """Say which heads and powers of SESSION agree: verdicts on screen, tables, figures and a page to keep.

    What is new in the session is read first. Limits given here stand over those of session.toml; a colour limit given
    here replaces all colour limits, so give --duv beside --mired.

    Example: greystep report hire_kit
    """
    folder = out or session / "report"
    opened = options.open_with_progress(session, patch, out, folder, jobs, first, last)
    made = opened.report(claim=claim, mired=mired, duv=duv, kelvin=kelvin, steps=steps, output_stops=output_stops)
    wrote = [opened.write_readings(), *made.write(folder)]
    if as_json:
        options.show_json(made.document)
    else:
        options.show(made.text([str(path) for path in wrote]))
    options.say(*opened.messages)  # behind the verdict, which is to be the first on screen
    options.finish(strict, made.verdict == "within" and opened.all_usable)
