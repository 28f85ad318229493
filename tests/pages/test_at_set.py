"""What the screen at the set says of a frame."""

import math
from pathlib import Path

import pandas as pd
import pytest

from greystep.columns import FrameRow, names, rows_of
from greystep.pages.at_set import gave, state_of, told_texts
from greystep.session.arrived import Arrived, Mark
from greystep.session.conductor import conduct
from greystep.session.shoot import Shoot

CELLS = {"frame": "f1", "head": "", "power": "", "kind": "dark", "flags": "", "status": "ok"}


@pytest.mark.parametrize(
    ("level", "said"),
    [(-0.3, "card at 0 %"), (0.2, "card at 0 %"), (44.6, "card at 45 %"), (93.0, "card at 93 %"), (math.nan, "")],
)
def test_a_level_is_a_share_of_the_range(level: float, said: str) -> None:
    """The black of a frame with the lens cap on lies as often below its level as above; no share is below nothing."""
    table = pd.DataFrame([{**dict.fromkeys(names(FrameRow), math.nan), **CELLS}])
    parts = gave(rows_of(table, FrameRow)[0], None, level)
    assert parts[1:] == (
        [] if not said else [f"{said} of the range" + " (too high: close the aperture)" * (level > 90)]
    )


def test_a_watch_that_is_begun_again_counts_boxes_and_tells_nothing_twice(tmp_path: Path) -> None:
    rows = [
        {"frame": "f0", "head": "A", "power": "full", "kind": "flash", "box": "1", "placed": "in order"},
        {"frame": "f1", "head": "", "power": "", "kind": "job", "box": "", "placed": "set aside: rejected: no_target"},
        {"frame": "", "head": "A", "power": "1/4", "kind": "flash", "box": "2", "placed": "not shot yet"},
    ]
    plan = pd.DataFrame(rows).assign(pack="", note="", stops=[0.0, math.nan, 2.0], row=[2, 3, 4])
    shoot = Shoot(tmp_path, plan, conduct(plan, [Arrived("f0", -1.0), Arrived("f1", math.nan, marks=(Mark.MOVED,))]))
    state = state_of(shoot, None)
    assert (state["next"]["box"], state["next"]["of"], state["shot"], state["of"]) == ("2", 2, 1, 2)
    assert [box["state"] for box in state["rows"]] == ["shot", "due"]
    assert told_texts(shoot.news(), plan) == []
