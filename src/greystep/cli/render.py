"""``greystep render``: corrected frames as DNG copies, TIFF or OpenEXR, and plates added as light adds."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

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
from greystep.cli.options import (
    JsonOption,
    OutOption,
    PatchOption,
    SessionArgument,
    StrictOption,
    conclude,
    finish,
    progress_bar,
    say,
)


class Form(StrEnum):
    """Kinds of files that frames are rendered to."""

    TIFF = "tiff"
    EXR = "exr"
    DNG = "dng"


def render(
    session: SessionArgument,
    form: Annotated[
        Form, typer.Option("--as", help="16-bit TIFF, half-float OpenEXR, or a DNG copy with a corrected neutral.")
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
    out: OutOption = None,
    patch: PatchOption = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Write every frame of SESSION that has a correction, corrected, into tiff/, exr/ or dng/ below --out.

    TIFF and OpenEXR are linear in --space, all frames with one balance and one matrix. DNG copies keep their pixels
    byte for byte; AsShotNeutral and BaselineExposure carry the correction. Raw files are only read. A run that was
    stopped goes on where it was; what is there with the same options is kept.

    Example: greystep render hire_kit --to A@full --as exr
    """
    opened, found = find_corrections(session, to, profile, smooth, smooth_over, stack, space, out, patch)
    folder = out or session / "report"
    say(*opened.messages, *found.corrections.messages)
    if plates is not None:
        done = found.add_plates(plates, folder, form.value)
    else:
        with progress_bar("rendering") as progress:
            done = found.render(folder, form.value, progress)
    opened.write_readings()
    say(*done.messages)
    conclude(done, done.wrote, as_json)
    finish(strict, done.complete and found.complete)
