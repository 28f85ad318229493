"""A camera's matrix in sentences: where the chart is, under what light, how well the fit explains it."""

from typing import Final

import numpy as np

from greystep.measure.calibration import Calibration

_LIGHT_FROM: Final = {
    "given": "as given",
    "file": "as the frame's own matrix reads it off the chart's greys; a meter's --cct and --duv set the scale",
    "assumed": "assumed, the frame has no matrix of its own; a meter's --cct and --duv set the scale",
}


def findings(found: Calibration) -> list[str]:
    """Return what was found, in the order in which a person asks: where, under what light, how well."""
    places = "  ".join(f"{x:.3f},{y:.3f}" for x, y in found.corners)
    (cct_k, duv), used = found.light, found.used
    tint = "" if abs(duv) < 5e-5 else f", {abs(duv):.4f} {'greener' if duv > 0 else 'pinker'}"
    said = [
        f"24-patch colour chart {'found' if found.found else 'given'} at {places} (from dark skin, clockwise)",
        f"Light: {cct_k:.0f} K{tint}, {_LIGHT_FROM[found.light_from]}",
    ]
    if found.own_light is not None and found.light_from == "given":
        own_k, own_duv = found.own_light
        said.append(f"The frame's own matrix reads {own_k:.0f} K, Duv {own_duv:+.4f}, off the same greys")
    said.append(f"Patches used: {used.sum()} of 24")
    said += [f"  left out: {found.names[number]}, {why}" for number, why in found.excluded.items()]
    planes, offset = found.fit.terms
    if offset:
        counts = " ".join(f"{value:+.1f}" for value in found.fit.offset)
        said.append(f"Taken off: glare or a wrong black level, R G B {counts} counts")
    if planes:
        uneven = " ".join(f"{value:.1f}" for value in found.light_over_chart_pct)
        said.append(f"Evened out: the light over the chart, R G B {uneven} %")
    errors, colours, unseen = (values[used] for values in (found.delta_e, found.delta_uv, found.left_out))
    return [
        *said,
        f"Left over, delta E 2000: median {np.median(errors):.2f}, worst {errors.max():.2f} ({found.worst_patch});"
        f" of patches left out of the fit in turn: median {np.median(unseen):.2f}",
        f"Left over in u'v': median {np.median(colours):.4f}, worst {colours.max():.4f}",
        f"A difference of 10 mired in this light is read within {found.u_difference_mired:.2f} mired,"
        " if the light is as stated",
    ]


def use_it(path: str) -> str:
    """Return how a session takes the matrix."""
    return f'Wrote {path}. To use it, write in session.toml:  [camera] matrix = "{path}"'
