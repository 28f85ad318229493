"""The frames of a session on the report: those with a fault first and large with their cure, the good ones by head."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from greystep import words as say
from greystep.columns import FrameRow
from greystep.flags import Status
from greystep.pages import formats as words
from greystep.pages.svg import jpeg_uri
from greystep.session.pictures import Picture
from greystep.terms import LIT

#: All thumbnails of a page together, in pixels; more frames make them smaller, down to `SMALLEST`.
THUMBNAIL_PIXELS: Final = 2.4e6
LARGEST: Final = 256
SMALLEST: Final = 96
#: So many frames with a fault are shown large; the table of faults names all.
MOST_PROBLEMS: Final = 24


def frames_of(
    frames: Sequence[FrameRow], pictures: Mapping[str, Picture], cures: Mapping[str, Sequence[str]]
) -> dict[str, object]:
    """Return what the section of frames shows: ``problems``, how many ``more``, and ``good`` ones folded by head."""
    longest = int(np.clip(np.sqrt(THUMBNAIL_PIXELS / max(len(pictures), 1)), SMALLEST, LARGEST))
    bad = sorted((one for one in frames if one.status != Status.OK), key=lambda one: one.status != Status.REJECTED)
    large, rest = bad[:MOST_PROBLEMS], bad[MOST_PROBLEMS:]
    good: dict[str, list[dict[str, object]]] = {}
    for one in [*(one for one in frames if one.status == Status.OK), *rest]:
        group = f"Head {one.head}" if one.head and one.kind in LIT else "Without flash, and others"
        good.setdefault(group, []).append(_shot(one, pictures, longest, ()))
    return {
        "problems": [_shot(one, pictures, LARGEST, cures.get(one.frame, ())) for one in large],
        "more": len(rest),
        "good": list(good.items()),
    }


def _shot(row: FrameRow, pictures: Mapping[str, Picture], longest: int, cures: Sequence[str]) -> dict[str, object]:
    picture = pictures.get(row.frame)
    x0, y0, x1, y1 = (100 * edge for edge in (row.patch_x0, row.patch_y0, row.patch_x1, row.patch_y1))
    box = [round(v, 2) for v in (x0, y0, x1 - x0, y1 - y0)]
    return {
        "frame": row.frame,
        "label": say.shown(row.head, row.power, row.kind),
        "status": row.status,
        "said": "" if row.status == Status.OK else f"{row.status}: {'; '.join(words.flags_said(row.flags))}",
        "cures": list(cures),
        "picture": jpeg_uri(picture.jpeg(longest)) if picture is not None else "",
        "height": 0 if picture is None else picture.height,
        "width": 0 if picture is None else picture.width,
        "box": "left:{}%;top:{}%;width:{}%;height:{}%".format(*box) if all(map(words.known, box)) else "",
    }
