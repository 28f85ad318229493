"""``greystep camera``: a camera's own colour matrix from a frame of a colour chart."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from greystep.cli.options import JsonOption, say

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
    cct: Annotated[float | None, typer.Option("--cct", metavar="K", help="Colour temperature of the flash.")] = None,
    duv: Annotated[float | None, typer.Option("--duv", help="Its green (+) or magenta (-), with --cct.")] = None,
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
    places = _parse_corners(corners)
    light = _parse_light(cct, duv)
    from greystep.errors import GreystepError
    from greystep.files import to_json, write_json
    from greystep.measure.calibration import calibrate, camera_document

    target = out or Path(FILE_NAME)
    target = target / FILE_NAME if target.is_dir() else target
    if target.exists():
        raise GreystepError(f"{target}: there already; move it away or give another name with --out")
    document = camera_document(calibrate(frame, places, light))
    write_json(target, document)
    if as_json:
        typer.echo(to_json(document | {"wrote": [str(target)]}))
        return
    say(*document["notes"])
    typer.echo(_text(document))
    typer.echo(f'Wrote {target}. To use it, write in session.toml:  [camera] matrix = "{target.as_posix()}"')


def _parse_corners(text: str | None) -> Any:
    if text is None:
        return None
    import numpy as np

    try:
        return np.array([float(part) for part in text.replace(" ", "").split(",")]).reshape(4, 2)
    except ValueError:
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
    if not 1500.0 <= cct <= 25_000.0:
        raise typer.BadParameter(f"{cct:g} K is no flash; give 1500 to 25000", param_hint="--cct")
    if duv is not None and not abs(duv) <= 0.03:
        raise typer.BadParameter(f"{duv:g} is no white; give -0.03 to 0.03", param_hint="--duv")
    return cct, duv or 0.0


def _text(document: Mapping[str, Any]) -> str:
    """Say what was found, in the order in which a person asks: where, under what light, how well."""
    chart, light, left, corrected = (document[key] for key in ("chart", "light", "residuals", "corrected"))
    source = {
        "given": "as given",
        "file": "as the frame's own matrix reads it off the chart's greys; a meter's --cct and --duv set the scale",
        "assumed": "assumed, the frame has no matrix of its own; a meter's --cct and --duv set the scale",
    }[light["from"]]
    tint = (
        "" if abs(light["duv"]) < 5e-5 else f", {abs(light['duv']):.4f} {'greener' if light['duv'] > 0 else 'pinker'}"
    )
    places = "  ".join(f"{x:.3f},{y:.3f}" for x, y in chart["corners"])
    lines = [
        f"24-patch colour chart {'found' if chart['found'] else 'given'} at {places} (from dark skin, clockwise)",
        f"Light: {light['cct_k']:.0f} K{tint}, {source}",
    ]
    own = document["own_matrix_reads"]
    if own is not None and light["from"] == "given":
        lines.append(f"The frame's own matrix reads {own['cct_k']:.0f} K, Duv {own['duv']:+.4f}, off the same greys")
    lines.append(f"Patches used: {chart['patches_used']} of 24")
    lines += [f"  left out: {row['patch']}, {row['excluded']}" for row in document["patches"] if row["excluded"]]
    if corrected["offset_counts"] is not None:
        counts = " ".join(f"{value:+.1f}" for value in corrected["offset_counts"])
        lines.append(f"Taken off: glare or a wrong black level, R G B {counts} counts")
    if corrected["light_over_chart_pct"] is not None:
        uneven = " ".join(f"{value:.1f}" for value in corrected["light_over_chart_pct"])
        lines.append(f"Evened out: the light over the chart, R G B {uneven} %")
    unseen = left["left_out_median_delta_e_2000"]
    lines += [
        f"Left over, delta E 2000: median {left['median_delta_e_2000']:.2f}, worst {left['worst_delta_e_2000']:.2f}"
        f" ({left['worst_patch']}); of patches left out of the fit in turn: median {unseen:.2f}",
        f"Left over in u'v': median {left['median_delta_uv']:.4f}, worst {left['worst_delta_uv']:.4f}",
        f"A difference of 10 mired in this light is read within {left['u_difference_of_10_mired']:.2f} mired,"
        " if the light is as stated",
    ]
    return "\n".join(lines)
