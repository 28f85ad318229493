"""The grey target in one frame alone, where nothing else in it could be the target."""

from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from greystep.measure.target import EDGE_CONTRASTS, Target, common_scene, even_areas, may_be_grey, ranked, target_at
from greystep.raw.frame import open_frame
from greystep.raw.overview import LARGE, overview, unseen

#: The target has so much of the range: little noise.
_LIT: Final = 0.1
#: So little of the frame may be over the range, and so much of it the target holds at least.
_MOST_OVER: Final = 0.001
_LEAST: Final = 0.004
#: No other area that could be the target comes near this share of its score.
_RIVAL: Final = 0.5
#: A target so many times as high as what may have been missed has no rival there.
_TALL: Final = 2.0


def clear_target_of(path: Path) -> tuple[Target | None, bool]:
    """Find the target in one frame, from few of its pixels where that will do; errors are those of `overview`.

    Returns: The target, see `clear_target`; and whether the frame is large, so that this is quicker than the overviews
        of several.
    """
    frame = open_frame(path)
    if frame.height * frame.width < LARGE:
        return None, False
    missed = unseen(frame)
    if missed:
        found = clear_target(overview(frame, thinned=True, sparse=True))
        if found is not None and found.box[3] - found.box[1] >= _TALL * missed:
            return found, True
    return clear_target(overview(frame, thinned=True)), True


def clear_target(overview: NDArray[Any]) -> Target | None:
    """Find the target in one well lit frame.

    Args:
        overview: (h, w, 3) array. See `greystep.measure.target.find_target`.

    Returns: None where several frames must be asked: the frame is dark or over its range, several areas could be the
        target, or none that a grey could be.
    """
    scene, steady, over = common_scene([overview])
    if scene is None or over.mean() > _MOST_OVER:
        return None
    areas = even_areas(scene, steady, EDGE_CONTRASTS[0])
    found = sorted(
        ((score, place, area) for place, (tier, score, area) in enumerate(ranked(areas)) if tier == 0), reverse=True
    )
    if not found or (len(found) > 1 and found[1][0] > _RIVAL * found[0][0]):
        return None
    score, _, best = found[0]
    light = float(np.median(overview[best.y0 : best.y1, best.x0 : best.x1, 1]))
    if score < _LEAST * over.size or light < _LIT or not may_be_grey(best):
        return None
    return target_at(best.y0, best.y1, best.x0, best.x1, *scene.shape[:2])
