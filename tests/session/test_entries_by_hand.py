"""What the cache writes of a frame, and how it comes back."""

import json
import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from greystep.session.entries import as_json, from_json


@dataclass(frozen=True)
class Inner:
    many: NDArray[np.float64]
    few: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Outer:
    name: str
    value: float
    inner: Inner | None = None


def test_what_is_kept_comes_back_as_it_was() -> None:
    many = np.linspace(0.0, 1.0, 18).reshape(3, 6)
    content = Outer("x", math.nan, Inner(many, np.arange(16.0).reshape(4, 4)))
    text = json.loads(json.dumps(as_json(content)))
    assert text["value"] is None
    assert text["inner"]["few"] == np.arange(16.0).reshape(4, 4).tolist(), "so few stay readable"
    assert text["inner"]["many"][0] == [3, 6]
    assert as_json(Inner(np.zeros(17)))["many"][0] == (17,)
    back = from_json(text, Outer)
    assert back.inner is not None
    assert back.inner.few is not None
    assert back.inner.few.tolist() == np.arange(16.0).reshape(4, 4).tolist()
    assert (back.inner.many == many).all()
    assert back.inner.many.dtype == np.float64
    assert math.isnan(back.value)
    assert from_json(as_json(replace(content, inner=None)), Outer).inner is None
    for lost in ("value", "inner"):
        with pytest.raises(KeyError, match=lost):
            from_json({name: cell for name, cell in text.items() if name != lost}, Outer)
    size, form, written = text["inner"]["many"]
    with pytest.raises(ValueError, match="fromhex"):
        from_json(text | {"inner": text["inner"] | {"many": [size, form, f"{written}*"]}}, Outer)


@pytest.mark.parametrize(
    ("form", "numbers"),
    [
        ("<i2", [0.0, 1.0, 0.2918, -3.2768, 3.2767]),  # four places, as maps have them: a quarter of the room
        ("<i4", [3.2768, 7.0001, -0.5]),
        ("<f8", [1.0 / 3.0]),
        ("<f8", [0.5, -0.0]),
        ("<f8", [0.5, math.nan]),
        ("<f8", [0.5, math.inf]),
        ("<f8", [0.5, 214748.3648]),
    ],
)
def test_numbers_are_kept_in_the_shortest_form_that_loses_nothing(form: str, numbers: list[float]) -> None:
    many = np.resize(np.array(numbers), (4, 5))
    kept = json.loads(json.dumps(as_json(Inner(many))))
    assert kept["many"][1] == form
    assert len(kept["many"][2]) == 20 * int(form[2]) * 2
    back = from_json(kept, Inner).many
    assert back.shape == (4, 5)
    assert back.tobytes() == many.tobytes()
