"""``greystep report``: drift, differences, verdicts and the page."""

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
from greystep.errors import GreystepError

if TYPE_CHECKING:
    from greystep.compare.drift import Drift
    from greystep.sentences.summary import Summary
    from greystep.session.ingest import Ingested
    from greystep.session.settings import Tolerance


def report(
    session: SessionArgument,
    out: OutOption = None,
    patch: PatchOption = None,
    claim: Annotated[
        str | None,
        typer.Option("--claim", metavar="150K", help="Test a maker's plus or minus, K or mired, as well."),
    ] = None,
    mired: Annotated[float | None, typer.Option(help="Limit of warmer/cooler, in mired.")] = None,
    duv: Annotated[float | None, typer.Option(help="Limit of greener/pinker, in Duv.")] = None,
    kelvin: Annotated[float | None, typer.Option(help="Limit of warmer/cooler, in kelvin.")] = None,
    steps: Annotated[
        float | None, typer.Option(help="Limit of the whole colour difference, in steps of 0.0011.")
    ] = None,
    output_stops: Annotated[float | None, typer.Option(help="Limit of the output error, in stops.")] = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Say which heads and powers of SESSION agree: verdicts on screen, tables, figures and a page to keep.

    What is new in the session is read first. Limits given here stand over those of session.toml; a colour limit given
    here replaces all colour limits, so give --duv beside --mired.

    Example: greystep report hire_kit
    """
    box = parse_patch(patch)
    if claim is not None:
        _check_claim(claim)
    from greystep.compare.drift import analyse
    from greystep.compare.verdict import report_facts
    from greystep.files import to_json, write_table
    from greystep.pages.screen import report_text
    from greystep.sentences.frames import lines
    from greystep.sentences.summary import summary, summary_json
    from greystep.session.ingest import ingest, write_readings
    from greystep.session.settings import load_settings

    loaded = load_settings(session)
    loaded = replace(loaded, tolerance=_limits(loaded.tolerance, mired, duv, kelvin, steps, output_stops))
    with progress_bar("reading frames") as progress:
        found = ingest(loaded, patch=box, progress=progress, store=out)
    drift = analyse(found.readings, loaded)
    facts = report_facts(found.readings, drift, loaded.tolerance, claim)
    content = summary(facts, drift, loaded, found.readings, found.bodies.values(), found.notes)
    readings = write_readings(found, store=out)
    folder = out or session / "report"
    wrote = [readings, *_write(found, drift, content, folder, out)]
    attribution = folder / "attribution.csv"
    if facts.attribution is not None and len(facts.attribution.table):
        write_table(attribution, facts.attribution.table)
    else:
        attribution.unlink(missing_ok=True)  # of a run before the log lost its packs
    if as_json:
        typer.echo(to_json(summary_json(content)))
    else:
        show(report_text(content, found.readings, [str(path) for path in wrote]))
    say(*lines(found.messages))  # behind the verdict, which is to be the first on screen
    finish(strict, content.kit_verdict == "within" and content.frames.rejected == 0)


def _check_claim(claim: str) -> None:
    """Refuse a claim that is none before any frame is read: a usage error."""
    from greystep.compare.verdict import parse_claim

    try:
        parse_claim(claim)
    except GreystepError as error:
        raise typer.BadParameter(str(error), param_hint="--claim") from None


def _limits(
    known: "Tolerance",
    mired: float | None,
    duv: float | None,
    kelvin: float | None,
    steps: float | None,
    output_stops: float | None,
) -> "Tolerance":
    """Put limits from the command line over those of the session; one colour limit replaces all colour limits."""
    given = {"mired": mired, "duv": duv, "kelvin": kelvin, "steps": steps}
    for name, value in (given | {"output_stops": output_stops}).items():
        if value is not None and not 0 < value < math.inf:
            raise typer.BadParameter(f"{value:g} is no limit; give a number above zero", param_hint=f"--{name}")
    if output_stops is not None:
        known = replace(known, output_stops=output_stops)
    if any(value is not None for value in given.values()):
        known = replace(known, mired=mired, duv=duv, kelvin=kelvin, steps=steps, is_default=False)
    return known


def _write(found: "Ingested", drift: "Drift", content: "Summary", folder: Path, store: Path | None) -> list[Path]:
    """Write tables, figures with their numbers, and the page; return the paths that matter to the person."""
    from greystep.files import write_json, write_table, write_text
    from greystep.pages.figures import drawings
    from greystep.pages.report import report_page
    from greystep.pages.tables import figure_tables
    from greystep.sentences.summary import summary_json
    from greystep.session.ingest import overviews

    tables = figure_tables(drift.powers, found.readings, content.reference)
    figures = drawings(tables, content.reference, content.tolerance)
    page = report_page(content, found.readings, drift.powers, figures, overviews(found, store))
    for name, table in {"powers": drift.powers, "heads": content.heads_table, "pairs": content.pairs}.items():
        write_table(folder / f"{name}.csv", table)
    for name, table in tables.items():
        write_table(folder / "figures" / f"{name}.csv", table)
    for name, drawing in figures.items():
        write_text(folder / "figures" / f"{name}.svg", drawing)
    write_json(folder / "summary.json", summary_json(content))
    write_text(folder / "report.html", page)
    return [folder / "summary.json", folder / "report.html"]
