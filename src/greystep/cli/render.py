"""``greystep render``: corrected frames as DNG, TIFF or OpenEXR, and plates added as light adds."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from greystep.cli import options
from greystep.cli.correct import (
    ProfileOption,
    SmoothOption,
    SmoothOverOption,
    Space,
    SpaceOption,
    StackOption,
    ToOption,
    find_corrections,
)
from greystep.errors import GreystepError


class Form(StrEnum):
    """Kinds of files that frames are rendered to."""

    TIFF = "tiff"
    EXR = "exr"
    DNG = "dng"


def render(
    session: options.SessionArgument,
    form: Annotated[
        Form, typer.Option("--as", help="16-bit TIFF, half-float OpenEXR, or a DNG with a corrected neutral.")
    ] = Form.TIFF,
    plates: Annotated[
        Path | None,
        typer.Option(
            "--sum",
            metavar="PLATES.csv",
            help="Add plates, one a light, into one image: columns plate, and gain or stops if wanted.",
        ),
    ] = None,
    to: ToOption = None,
    profile: ProfileOption = None,
    smooth: SmoothOption = False,
    smooth_over: SmoothOverOption = 9,
    stack: StackOption = False,
    space: SpaceOption = Space.REC709,
    force: Annotated[
        bool, typer.Option("--force", help="Replace files that have been changed since, or are not ours.")
    ] = False,
    out: options.OutOption = None,
    first: options.FirstOption = "",
    last: options.LastOption = "",
    patch: options.PatchOption = None,
    as_json: options.JsonOption = False,
    strict: options.StrictOption = False,
) -> None:
    """Write every frame of SESSION that has a correction, corrected, into tiff/, exr/ or dng/ below --out.

    TIFF and OpenEXR are linear in --space, all frames with one balance and one matrix. In a DNG, AsShotNeutral and
    BaselineExposure carry the correction: a DNG is copied with all that it holds, any other raw file that can be
    decoded becomes a DNG with the same counts; their names end in _c. Raw files are only read. A run that was stopped
    goes on where it was; what is there with the same options is kept. A file that is not as this command left it is
    kept too, and named, unless --force says to replace it.

    Example: greystep render hire_kit --to A@full --as exr
    """
    opened, found = find_corrections(
        session, to, profile, smooth, smooth_over, stack, space, out, patch, None, first, last
    )
    folder = out or session / "report"
    options.say(*opened.messages, *found.messages)
    if plates is not None:
        done = found.add_plates(plates, folder, form.value, force)
    else:
        with options.progress_bar("rendering") as progress:
            done = found.render(folder, form.value, progress, force)
    opened.write_readings()
    options.say(*done.messages)
    options.conclude(done, done.wrote, as_json)
    if done.kept_foreign:
        raise GreystepError(
            f"{', '.join(map(str, done.kept_foreign))}: not as greystep render left "
            f"{'it' if len(done.kept_foreign) == 1 else 'them'}, so kept as found; move away what is yours, or replace "
            "it with --force"
        )
    options.finish(strict, done.complete and found.complete)
