"""``greystep camera``: a camera's own colour matrix from a frame of a colour chart."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from greystep.cli.options import JsonOption, conclude, number, say
from greystep.doors import read_number
from greystep.errors import GreystepError

if TYPE_CHECKING:
    from greystep.arrays import Floats

#: What is written where no file name is given.
FILE_NAME = "camera.json"


def camera(
    frame: Annotated[Path, typer.Argument(metavar="CHART_FRAME", help="Raw frame of the chart.", show_default=False)],
    corners: Annotated[
        str | None,
        typer.Option(
            "--corners",
            metavar="X0,Y0,X1,Y1,X2,Y2,X3,Y3",
            help="Where the chart is: outer corners of its four corner patches, clockwise from dark skin, as fractions "
            "of the frame.",
        ),
    ] = None,
    cct: Annotated[
        float | None,
        typer.Option(
            "--cct", metavar="K", parser=number(1500.0, 25000.0, "K"), help="Colour temperature of the flash."
        ),
    ] = None,
    duv: Annotated[
        float | None,
        typer.Option(metavar="DUV", parser=number(-0.03, 0.03), help="Its green (+) or magenta (-), with --cct."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="What to write; camera.json here if absent.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make camera.json from one raw frame of a 24-patch colour chart, lit evenly by one flash in a dark room.

    Without --cct the light is what the frame's own matrix reads off the chart's greys: differences gain from the new
    matrix, the absolute scale does not. A meter's reading as --cct and --duv sets it.

    Example: greystep camera chart.dng --cct 5600
    """
    places, light = _parse_corners(corners), _parse_light(cct, duv)
    from greystep.api import calibrate_camera

    target = out or Path(FILE_NAME)
    target = target / FILE_NAME if target.is_dir() else target
    if target.exists():
        raise GreystepError(f"{target}: there already; move it away or give another name with --out")
    made = calibrate_camera(frame, places, light)
    wrote = made.write(target)
    if not as_json:
        say(*made.messages)
    conclude(made, wrote, as_json)


def _parse_corners(text: str | None) -> "Floats | None":
    if text is None:
        return None
    import numpy as np

    try:
        return np.array([read_number(part, "", (-1.0, 2.0), "") for part in text.split(",")]).reshape(4, 2)
    except (ValueError, GreystepError):
        raise typer.BadParameter(
            f"{text!r} is not eight numbers; write x,y of the four corners from dark skin clockwise, as fractions such"
            " as 0.30,0.30,0.70,0.30,0.70,0.60,0.30,0.60",
            param_hint="--corners",
        ) from None


def _parse_light(cct: float | None, duv: float | None) -> tuple[float, float] | None:
    if cct is None:
        if duv is not None:
            raise typer.BadParameter("it needs --cct beside it", param_hint="--duv")
        return None
    return cct, duv or 0.0
