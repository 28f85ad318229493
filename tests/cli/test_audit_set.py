"""``audit --set``: one change of a set-up answered in one line, from raw frames of an invented test."""

import json
from pathlib import Path

import pytest

from cli.test_audit import SMALL
from cli.test_audit import run as command
from greystep.demo import scenario
from greystep.demo.kit import HeadCharacter, Kit, shoot
from greystep.terms import Order

#: B is as A at 1/16 and 9 mired warmer at full: it grows cooler by 2.33 mired a stop.
HEADS = (
    HeadCharacter("A", "P1", mired=1e6 / 5600, scatter_mired=0.15),
    HeadCharacter("B", "P1", mired=1e6 / 5600 + 9.3, mired_per_stop=-2.33, duv_per_mired=0.0, scatter_mired=0.15),
)


def run(*arguments: str) -> tuple[int, str, str]:
    return command("audit", *arguments)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("test") / "kit"
    kit = Kit(HEADS, title="Test", camera="exact", powers=("1/1", "1/4", "1/16"), order=Order.SHUFFLED, **SMALL)
    scenario.write_session(folder, kit, shoot(kit, 1), 1)
    return folder


@pytest.fixture
def setup(tmp_path: Path) -> Path:
    path = tmp_path / "SETUP.csv"
    path.write_text("role,head,power,share\nkey,A,1/1,0.6\nrim,B,1/1,0.4\n")
    return path


def test_one_change_is_one_line_and_nothing_is_written(
    session: Path, setup: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []  # what would help is not asked, so it is not reckoned
    monkeypatch.setattr("greystep.mix.audit.find_remedies", lambda *_: asked.append("remedies") or [])
    before = sorted(path.name for path in setup.parent.iterdir())
    code, text, _ = run(str(setup), "--profile", str(session), "--set", "rim=1/16")
    assert code == 0
    assert len(text.strip().splitlines()) == 1
    assert text.startswith("rim at 1/16 instead of 1/1 (4.0 stops darker; turned down: dump, wait for ready): ")
    assert "before, key and rim clash, rim is " in text
    assert "9." in text.partition("before,")[2].partition("mired")[0]  # 9.3 mired of truth
    assert "after, these lights go together, rim is " in text
    assert sorted(path.name for path in setup.parent.iterdir()) == before
    assert asked == []


def test_the_other_way_it_clashes_and_strict_goes_by_what_comes_after(session: Path, setup: Path) -> None:
    setup.write_text(setup.read_text().replace("rim,B,1/1", "rim,B,1/16"))
    code, text, _ = run(str(setup), "--profile", str(session), "--set", "rim=full", "--strict")
    assert code == 3
    assert text.startswith("rim at full instead of 1/16 (4.0 stops brighter): before, these lights go together")
    assert "after, key and rim clash" in text
    code, text, _ = run(str(setup), "--profile", str(session), "--set", "rim=1/1", "--set", "key=1/4")
    assert text.startswith(
        "rim at 1/1 instead of 1/16 (4.0 stops brighter), key at 1/4 instead of 1/1 (2.0 stops darker"
    )


def test_the_same_as_json(session: Path, setup: Path) -> None:
    code, text, _ = run(str(setup), "--profile", str(session), "--set", "rim=1/16", "--json")
    content = json.loads(text)
    assert code == 0
    assert (content["schema"], content["wrote"]) == (1, [])
    assert [(one["role"], one["head"], one["old"], one["new"]) for one in content["set"]] == [
        ("rim", "B", "1/1", "1/16")
    ]
    assert (content["before"]["verdict"], content["after"]["verdict"]) == ("outside", "within")
    assert abs(content["before"]["worst_pair"]["delta_mired"]) == pytest.approx(9.3, abs=1.0)
    assert abs(content["after"]["worst_pair"]["delta_mired"]) < 1.0


@pytest.mark.parametrize(
    ("change", "code", "says"),
    [
        ("kicker=1/4", 1, 'role "kicker": not in SETUP.csv, which has key, rim'),
        ("rim", 2, "ROLE=POWER"),
        ("rim=1/64", 1, "outside what was tested"),
        ("rim=x", 1, "not understood"),
    ],
)
def test_what_cannot_be_set_is_told(session: Path, setup: Path, change: str, code: int, says: str) -> None:
    found, text, message = run(str(setup), "--profile", str(session), "--set", change)
    assert (found, text) == (code, "")
    assert says in message


def test_a_set_up_that_was_shot_cannot_be_set(session: Path) -> None:
    code, _, message = run(str(session), "--set", "A=1/4")
    assert (code, "SETUP.csv" in message) == (2, True)
