"""``greystep watch``: each frame as it arrives, and what the log wants next."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from greystep.cli.options import (
    JsonOption,
    PatchOption,
    SessionArgument,
    StrictOption,
    finish,
    number,
    parse_patch,
    say,
    show,
    show_json,
)
from greystep.errors import GreystepError

if TYPE_CHECKING:
    import pandas as pd

    from greystep.session.shoot import Shoot


def watch(
    session: SessionArgument,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Where to write if SESSION cannot be written.")
    ] = None,
    patch: PatchOption = None,
    every: Annotated[
        float, typer.Option(metavar="S", parser=number(0.01, 3600.0, "s"), help="Time from look to look, seconds.")
    ] = 1.0,
    idle: Annotated[
        float | None,
        typer.Option(metavar="S", parser=number(0.0, 1e6, "s"), help="End when nothing has come for so long."),
    ] = None,
    as_json: JsonOption = False,
    strict: StrictOption = False,
) -> None:
    """Read each frame of SESSION as it arrives in its frames folder, and say what to shoot next.

    Frames of a plan are placed by their light: a slip is told at once, and stops nothing. shots.csv is written with
    what was shot; the plan stays as shots_planned.csv. It ends when every row has its frame, or with Ctrl-C.

    Example: greystep watch hire_kit
    """
    box = parse_patch(patch)
    from greystep.api import Session
    from greystep.files import check_target
    from greystep.pages.screen import arrived_text, looking_text, watched_text
    from greystep.sentences.frames import lines
    from greystep.session.ingest import ingest
    from greystep.session.settings import load_settings
    from greystep.session.shoot import Shoot, is_plan
    from greystep.session.shots import read_shots
    from greystep.session.watch import arrivals, changed_frames, messages_of, next_to_shoot

    loaded = load_settings(session)
    if out is None:
        check_target(loaded.path / "readings.csv")
    logged = (loaded.path / "shots.csv").is_file()
    log = read_shots(loaded) if logged else None  # what is wrong with the log itself stops it here
    shoot = Shoot(loaded.path, log) if log is not None and is_plan(log) and out is None else None
    tell = say if as_json else show
    found, written, said, came = None, session, "", False
    failed: GreystepError | None = None
    told: dict[str, str] = {}
    tell(looking_text(loaded.title, str(loaded.frames_dir)))
    try:
        for _ in arrivals(loaded, every, idle):
            came = True
            try:
                found, failed = (
                    Session(ingest(loaded, box, store=out, placing=shoot), out),
                    None,
                )
                if shoot and shoot.judge(found.ingested.readings):  # what repeats reject has no row any more
                    found = Session(ingest(loaded, box, placing=shoot))
            except GreystepError as error:  # perhaps the next frame or a mended log makes it good
                failed = error
                if str(error) != said:
                    say(f"greystep: {error}")
                said = str(error)
                continue
            written, readings = found.write_readings(), found.ingested.readings
            rows = changed_frames(readings, told)
            if shoot:
                shoot.write_log()
                _conduct(shoot, readings, rows, tell)
                complete = shoot.done is not None and shoot.done.due < 0
            else:
                due = next_to_shoot(readings)
                complete = due is None and logged
                if told or not complete:
                    tell(arrived_text(rows, due))
                    say(*lines(messages_of(found.ingested.messages, rows)))
            told |= dict(zip(rows["frame"], rows["flags"], strict=True))
            if complete:
                break
    except KeyboardInterrupt:
        say("")
    if failed is not None:
        raise failed
    if found is None and came:
        raise GreystepError(f"{loaded.frames_dir}: stopped in the first reading; run it again, what was read is kept")
    if found is None:
        raise GreystepError(f"{loaded.frames_dir}: no raw frame came; copy the camera's raw files there as you shoot")
    if as_json:
        show_json(found.document)
    else:
        show(watched_text(found.ingested.readings, str(written)))
    finish(strict, found.all_usable)


def _conduct(shoot: "Shoot", readings: "pd.DataFrame", rows: "pd.DataFrame", tell: Callable[[str], None]) -> None:
    """Tell what came, what happened with it, and what is next."""
    from greystep.columns import FrameRow, rows_of
    from greystep.pages.at_set import frame_text, next_text, reference_of, told_texts
    from greystep.pages.screen import ARRIVED_SAID
    from greystep.sentences.shoot import next_of

    reference = reference_of(readings)
    for row in rows_of(rows.iloc[-ARRIVED_SAID:], FrameRow):
        tell(frame_text(row, reference, shoot.level_pct(row.frame)))
    for line in told_texts(shoot.news(), shoot.plan):
        tell(f"  ! {line}")
    if shoot.done is not None:
        tell(next_text(next_of(shoot.plan, shoot.done)))
