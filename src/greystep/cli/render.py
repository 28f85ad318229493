"""``greystep render``: corrected frames as DNG copies, TIFF or OpenEXR, and plates added as light adds."""

from dataclasses import asdict
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
    finish,
    progress_bar,
    say,
    show,
)
from greystep.errors import GreystepError


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
    force: Annotated[
        bool, typer.Option("--force", help="Replace files that have been changed since, or are not ours.")
    ] = False,
    out: OutOption = None,
    patch: PatchOption = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Write every frame of SESSION that has a correction, corrected, into tiff/, exr/ or dng/ below --out.

    TIFF and OpenEXR are linear in --space, all frames with one balance and one matrix. DNG copies keep their pixels
    byte for byte; AsShotNeutral and BaselineExposure carry the correction. Raw files are only read. A run that was
    stopped goes on where it was; what is there with the same options is kept. A file that is not as this command left
    it is kept too, and named, unless --force says to replace it.

    Example: greystep render hire_kit --to A@full --as exr
    """
    from greystep import __version__
    from greystep.files import to_json
    from greystep.sentences.frames import lines
    from greystep.session.ingest import write_readings

    found, corrections = find_corrections(session, to, profile, smooth, smooth_over, stack, space, out, patch)
    folder = out or session / "report"
    say(*lines(found.messages), *corrections.messages)
    if plates is not None:
        from greystep.correct.plates import add_plates, read_plates

        chosen = read_plates(plates, list(corrections.matrices))
        path, messages = add_plates(found, corrections, chosen, folder, form.value, force)
        rows = [{"frame": plate.frame, "factor": plate.factor} for plate in chosen]
        wrote, text = [str(path)], f"{len(chosen)} plates added\nwrote {path}"
        whole, kept = True, []
    else:
        from greystep.correct.render import State, render_frames

        with progress_bar("rendering") as progress:
            done = render_frames(found, corrections, folder, form.value, progress, force)
        rows, messages = [asdict(file) for file in done.files], done.messages
        counts = {state: sum(file.state == state for file in done.files) for state in State}
        wrote = [str(folder / file.file) for file in done.files if file.state == State.WRITTEN]
        said = {
            State.WRITTEN: "written",
            State.KEPT: "kept from before",
            State.FAILED: "failed",
            State.NOT_OURS: "not ours",
        }
        text = ", ".join(f"{n} {said[state]}" for state, n in counts.items() if n)
        text = f"{len(done.files)} frames: {text}\nfolder {folder / form.value}"
        whole = not counts[State.FAILED]
        kept = [str(folder / file.file) for file in done.files if file.state == State.NOT_OURS]
    write_readings(found, store=out)
    say(*messages)
    if as_json:
        typer.echo(to_json({"schema": 1, "greystep": __version__, "frames": rows, "wrote": wrote}))
    else:
        show(text)
    if kept:
        raise GreystepError(
            f"{', '.join(kept)}: not as greystep render left {'it' if len(kept) == 1 else 'them'}, so kept as found; "
            "move away what is yours, or replace it with --force"
        )
    finish(strict, whole and not (corrections.table["status"] == "rejected").any())
