"""Which frames are of a part, and which rows of the log."""

import pandas as pd
import pytest

from greystep.errors import GreystepError
from greystep.session.part import WHOLE, OutsidePart, Part, cut, rows_of_part

NAMES = ["d1/IMG_1.dng", "d1/IMG_2.dng", "d2/IMG_2.nef", "d2/IMG_4.dng"]


@pytest.mark.parametrize(
    ("part", "found"),
    [
        (WHOLE, NAMES), (Part("IMG_2.dng"), NAMES[1:]), (Part(last="d1/IMG_2"), NAMES[:2]),
        (Part("img_1", "IMG_4"), NAMES),
        (Part("./d2/IMG_2.nef", " d2\\IMG_2.nef "), NAMES[2:3]), (Part(last="IMG_9", coming=True), NAMES),
        (Part(last="img_2.DNG", coming=True), NAMES[:2]), (Part("IMG_4", "IMG_4"), NAMES[3:]),
    ],
)  # fmt: skip
def test_the_frames_of_a_part(part: Part, found: list[str]) -> None:
    assert cut(NAMES, part) == found


@pytest.mark.parametrize(
    ("part", "said"),
    [
        (Part("IMG_2"), 'first frame "IMG_2": is d1/IMG_2.dng and d2/IMG_2.nef; write the folder too, and the extens'),
        (Part(last="IMG_2"), 'last frame "IMG_2": is '),
        (Part(last="IMG_9"), 'last frame "IMG_9": not there; the folder has d1/IMG_1.dng to d2/IMG_4.dng in the order'),
        (Part("d2/IMG_5"), "did you mean d2/IMG_4.dng?"), (Part("zzzzzz"), "in the order of capture$"),
        (Part("IMG_4", "IMG_1"), "first frame d2/IMG_4.dng was shot after the last, d1/IMG_1.dng"),
    ],
)  # fmt: skip
def test_what_is_no_part(part: Part, said: str) -> None:
    with pytest.raises(GreystepError) as told:
        cut(NAMES, part)
    assert str(told.value).endswith(said[:-1]) if said.endswith("$") else said in str(told.value)


def test_rows_of_frames_outside_the_part_are_told_but_those_of_folders() -> None:
    shots = pd.DataFrame({"frame": ["a", "b", "", "c"], "row": [2, 3, 4, 0]})
    inside, told = rows_of_part(shots, ["a", "b", "c"], ["b"])
    assert inside["frame"].tolist() == ["b", ""]
    assert inside.index.tolist() == [0, 1]
    assert told == (OutsidePart((2,), "b", "b"),)
    assert rows_of_part(shots, ["a", "b", "c"], ["a", "b"])[1] == ()
    with pytest.raises(GreystepError, match="no row of the log is of the frames d to e"):
        rows_of_part(shots[:2], ["a", "b", "d", "e"], ["d", "e"])
