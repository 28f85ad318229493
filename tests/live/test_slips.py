"""Slips of a real morning through raw files: `greystep watch` puts each right, tells it at once, and logs it.

The bar's shoots are larger and many: tests/benchmarks/shoot_slips.py, from which person, camera and kit are.
"""

from pathlib import Path

import pytest

from benchmarks.shoot_slips import SLIPS, Kit, Verdict, clean, play

#: Two heads, three powers; full and 1/128 lie so far apart that the ISO changes.
KIT = Kit.of(3, "AB", ("full", "1/8", "1/128"))
HOW = {"single": False, "size": (100, 152)}


@pytest.fixture(scope="module")
def verdict(tmp_path_factory: pytest.TempPathFactory) -> Verdict:
    set_, found = clean(KIT, tmp_path_factory.mktemp("clean") / "prep", **HOW)
    assert set_.ended
    assert set_.said == []
    return found


@pytest.mark.parametrize("name", ["ISO left", "clock", "card moved", "card pulled"])
def test_a_slip_is_put_right(name: str, verdict: Verdict, tmp_path: Path) -> None:
    found = play(KIT, tmp_path / "prep", SLIPS[name], verdict, **HOW)
    assert found.why == ()
    assert found.ended
