"""The ``greystep`` command."""

import errno
import os
import sys
from contextlib import suppress
from typing import Annotated, NoReturn

import typer

from greystep import __version__
from greystep.cli import audit, camera, choose, correct, demo, history, ingest, plan, render, report, watch
from greystep.errors import GreystepError
from greystep.words import folded, short, visible

_REMEDIES = {
    errno.ENAMETOOLONG: "give a shorter path",
    errno.ELOOP: "these links lead in a circle; give a path without them",
}

# Plain help: rich markup costs twice the start-up time and eats square brackets.
app = typer.Typer(
    name="greystep",
    help="Check studio flash for colour consistency, from raw frames of a grey target.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command(short_help="Write an invented session with raw frames.")(demo.demo)
app.command(short_help="Plan a test and print its shot sheet.")(plan.plan)
app.command(short_help="Read raw frames into readings.csv.")(ingest.ingest)
app.command(short_help="Read frames as they arrive.")(watch.watch)
app.command(short_help="Verdicts, tables, figures and the page.")(report.report)
app.command(short_help="The values that make each frame match.")(correct.correct)
app.command(short_help="Developed frames that match.")(render.render)
app.command(short_help="Judge a multi-light setup before it is shot.")(audit.audit)
app.command(short_help="Which heads at which powers go together best.")(choose.choose)
app.command(short_help="Make camera.json from a chart frame.")(camera.camera)
app.command(short_help="Has a head moved since last time?")(history.history)


def _show_version(asked: bool) -> None:
    if asked:
        typer.echo(f"greystep {__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Check studio flash for colour consistency, from raw frames of a grey target."""


def run() -> None:
    """Entry point: what stops a command becomes one message and exit status 1; GREYSTEP_TRACE shows a fault whole."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        app()
    except GreystepError as error:
        _end(str(error))
    except OSError as error:  # a pipe that was closed ends silently before it comes here
        if sys.stdout is not None:  # what it still holds would raise again at exit
            with suppress(OSError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        remedy = _REMEDIES.get(error.errno or 0, "check the disk and who may read and write there")
        _end(f"{error.filename or 'output'}: {error.strerror or error}; {remedy}")
    except Exception as error:
        if os.environ.get("GREYSTEP_TRACE"):
            raise
        said = " ".join(f"{type(error).__name__}: {error}".split())
        _end(
            f"{said}; this is a fault of greystep, not of your files; run it again with GREYSTEP_TRACE=1 and report "
            "what it prints"
        )


def _end(message: str) -> NoReturn:
    said = visible(short(f"greystep: {message}"))
    at_screen = sys.stderr is not None and sys.stderr.isatty()  # a script gets one line
    typer.echo(folded(said) if at_screen else said, err=True)
    sys.exit(1)
