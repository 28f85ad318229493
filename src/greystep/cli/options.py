"""What several commands ask for, and how each ends: arguments, the progress bar, exit status."""

import math
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Protocol

import typer

from greystep.doors import read_number
from greystep.errors import GreystepError
from greystep.words import folded, printable, short, visible

if TYPE_CHECKING:
    from greystep.results.session import Session

SessionArgument = Annotated[Path, typer.Argument(metavar="SESSION", help="Folder of the session.", show_default=False)]
OutOption = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="Where to write; SESSION/report if absent.")
]
PatchOption = Annotated[
    str | None,
    typer.Option("--patch", metavar="X0,Y0,X1,Y1", help="The grey target by hand, as fractions of the frame."),
]
JobsOption = Annotated[
    int | None,
    typer.Option(
        "--jobs",
        metavar="N",
        min=1,
        max=256,
        help="Frames worked on at once; each takes the memory of a frame. All cores if absent.",
    ),
]
FirstOption = Annotated[
    str, typer.Option("--first", metavar="FRAME", help="First frame to read, where the folder holds others too.")
]
LastOption = Annotated[str, typer.Option("--last", metavar="FRAME", help="Last frame to read, in order of capture.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the summary as JSON and nothing else.")]
StrictOption = Annotated[
    bool, typer.Option("--strict", help="Exit with 3 if a verdict is not 'within' or a frame was rejected.")
]

#: Of a lot that is drawn; the largest that every machine holds.
LARGEST_SEED = 2**63 - 1
#: Exit status of `--strict` when the work is done but not all is well.
NOT_ALL_WELL = 3


def number(low: float, high: float, unit: str = "") -> Callable[[str | float], float]:
    """Return what reads an option's number, with a point or a comma: finite, from `low` to `high` in `unit`."""
    needs = f"a number from {low:g} to {high:g}{unit and ' '}{unit}"

    def parse(text: str | float) -> float:
        try:
            return read_number(str(text), "", (low, high), needs)
        except GreystepError as error:
            raise typer.BadParameter(str(error)) from None

    return parse


def parse_patch(text: str | None) -> tuple[float, float, float, float] | None:
    """Read ``--patch`` into fractions (x0, y0, x1, y1); wrong text is a usage error."""
    if text is None:
        return None
    try:
        x0, y0, x1, y1 = (read_number(part, "", (-math.inf, math.inf), "") for part in text.split(","))
    except (ValueError, GreystepError):
        raise typer.BadParameter(
            f"{text!r} is not four numbers; write fractions of the frame such as 0.40,0.35,0.60,0.65",
            param_hint="--patch",
        ) from None
    if not (0 <= x0 < x1 <= 1 and 0 <= y0 < y1 <= 1):
        raise typer.BadParameter(
            f"{text!r} is no box inside the frame; 0 <= x0 < x1 <= 1 and 0 <= y0 < y1 <= 1, from the top left corner",
            param_hint="--patch",
        )
    return x0, y0, x1, y1


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """Show progress on stderr where that is a terminal; yields a function of (done, total)."""
    if sys.stderr is None or not sys.stderr.isatty():  # None where the caller has closed it
        yield lambda done, total: None
        return
    begun: list[tuple[float, int]] = []

    def show(done: int, total: int) -> None:
        now = time.monotonic()
        if not begun:
            begun.append((now, done))
        line = _progress_line(label, done, total, done - begun[0][1], now - begun[0][0])
        sys.stderr.write("\r" + line[: shutil.get_terminal_size().columns - 1] + "\x1b[K")
        sys.stderr.flush()

    try:
        yield show
    finally:
        sys.stderr.write("\r\x1b[2K")
        sys.stderr.flush()


def _progress_line(label: str, done: int, total: int, new: int, seconds: float) -> str:
    """Return how far it is, with rate and time left as far as `new` of them in so many seconds tell."""
    filled = 20 * done // max(total, 1)
    line = f"{label} {'#' * filled}{'.' * (20 - filled)} {done}/{total}"
    if not new or seconds <= 0.0:
        return line
    left = round((total - done) * seconds / new)
    return f"{line}, {new / seconds:.3g} a second, {left // 60} min {left % 60} s left"


class Result(Protocol):
    """What a command prints: the object of ``--json``, and the text of the screen."""

    @property
    def document(self) -> Mapping[str, object]:
        """The object of ``--json``."""

    def text(self, wrote: Sequence[str] = ()) -> str:
        """Return what the screen shows; `wrote` are the files to name at the end."""


def open_with_progress(
    path: Path,
    patch: str | None,
    store: Path | None,
    into: Path | None = None,
    jobs: int | None = None,
    first: str = "",
    last: str = "",
    stack: bool = False,
) -> "Session":
    """Open a session with a progress bar.

    Args:
        path: The session's folder.
        patch: The text of ``--patch``.
        store: Where readings and cache go if the session's folder cannot be written.
        into: Where the results will go: a folder among raw frames is refused before anything is written,
            and parts of two runs there are named.
        jobs, first, last, stack: Of the options of these names.
    """
    box = parse_patch(patch)
    from greystep.api import open_session
    from greystep.files import check_folder
    from greystep.sentences.outputs import mixed_results

    with progress_bar(f"reading frames of {path.name}") as progress:
        opened = open_session(
            path, patch=box, store=store, progress=progress, jobs=jobs, first=first, last=last, stack=stack
        )
    if into is not None:
        check_folder(into)
        say(*mixed_results(into))
    return opened


def conclude(result: Result, wrote: Sequence[Path], as_json: bool) -> None:
    """Print a result: as JSON with the files that were written, or as text that names them."""
    paths = [str(path) for path in wrote]
    if as_json:
        show_json({**result.document, "wrote": paths})
    else:
        show(result.text(paths))


def show_json(content: Mapping[str, object]) -> None:
    """Print JSON to stdout, and nothing else there."""
    from greystep.documents import to_json

    typer.echo(to_json(content))


def say(*lines: str) -> None:
    """Print messages to stderr, where they do not mix with results, in lines that fit the screen."""
    for line in lines:
        typer.echo(folded(visible(short(line))), err=True)


def show(text: str) -> None:
    """Print results to stdout, in letters that the terminal can show."""
    typer.echo(printable(visible(text), getattr(sys.stdout, "encoding", None)))  # None where the caller has closed it


def finish(strict: bool, all_well: bool) -> None:
    """End a command: status 3 under ``--strict`` where something is not well."""
    if strict and not all_well:
        raise typer.Exit(NOT_ALL_WELL)
