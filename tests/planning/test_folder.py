"""A planned session written and read back by the project's own readers, and its TOML by the standard library's."""

import tempfile
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greystep.errors import GreystepError
from greystep.files import write_toml
from greystep.planning.cells import Cell, all_cells
from greystep.planning.folder import (
    Draft,
    camera_settings,
    continued_document,
    continued_shots,
    further_cells,
    session_document,
    shots_table,
    write_draft,
)
from greystep.planning.order import arrange
from greystep.session.settings import load_settings
from greystep.session.shots import read_shots

LABELS = ["None", "007", 'Kopf "Ä", links', "a.b=c#d", "=1+1"]


def draft_of(heads: list[str], powers: list[str], earlier: pd.DataFrame | None = None) -> Draft:
    packs = {head: f"P{place}" for place, head in enumerate(heads)}
    cells = all_cells(heads, powers, 2, packs)
    check = Cell(heads[0], powers[0], 0.0, packs[heads[0]])
    document = session_document(
        "Prep day",
        heads,
        packs,
        {head: f"00{place}" for place, head in enumerate(heads)},
        {heads[0]: {powers[0]: "1/150", "1/16+0.3": "1/1200"}},
        2400.0,
        (heads[0], powers[0]),
    )
    return Draft("Prep day", "by-head", 1, arrange(cells, check=check), document, heads[0], earlier)


@pytest.mark.parametrize("powers", [["full", "1/4", "1/64"], ["1/1", "1/16+0.3"], ["0 stops", "-4 stops"]])
def test_a_planned_session_reads_back_as_it_was_meant(tmp_path: Path, powers: list[str]) -> None:
    draft = draft_of(LABELS, powers)
    paths = write_draft(tmp_path / "plan", draft, "<p>sheet</p>")
    assert [path.name for path in paths] == ["session.toml", "shots.csv", "shotsheet.html"]
    assert (tmp_path / "plan" / "frames").is_dir()
    session = load_settings(tmp_path / "plan")
    assert session.reference_head == "None"
    assert session.reference_power == powers[0]
    assert session.tolerance.is_default
    assert [info.serial for info in session.heads.values()] == [f"00{place}" for place in range(5)]
    assert session.heads["None"].t01_s == pytest.approx({0.0: 1 / 150, 3.7: 1 / 1200})
    shots = read_shots(session)
    meant = shots_table(draft.steps)
    for name in ("frame", "head", "power", "kind", "pack", "note"):
        assert shots[name].tolist() == meant[name].tolist(), name
    assert (shots["frame"] == "").all()
    assert set(shots["head"]) == {"", *LABELS}
    assert "3 warm-up shots at full before" in shots["note"].str.cat(sep=" ")


def test_no_head_tables_where_nothing_is_known(tmp_path: Path) -> None:
    steps = arrange(all_cells(["A"], ["full"], 2))
    write_draft(tmp_path / "plan", Draft("x", "by-head", 1, steps, session_document("x", ["A"]), ""), "")
    session = load_settings(tmp_path / "plan")
    assert session.heads == {}
    assert session.reference_head is None
    assert read_shots(session)["note"].tolist()[2] == "3 warm-up shots at full before"


def test_a_folder_that_holds_anything_is_left_alone(tmp_path: Path) -> None:
    draft = draft_of(["A", "B"], ["full"])
    (tmp_path / "shots.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(GreystepError, match="is there already and not empty; give a new folder, nothing was written"):
        write_draft(tmp_path, draft, "")
    assert [item.name for item in tmp_path.iterdir()] == ["shots.csv"]
    with pytest.raises(GreystepError, match="not empty"):
        write_draft(tmp_path / "shots.csv", draft, "")
    (tmp_path / "empty").mkdir()
    write_draft(tmp_path / "empty", draft, "")


WORDS = st.text(st.characters(exclude_categories=("Cs",)), max_size=8)
VALUES = st.one_of(WORDS, st.booleans(), st.integers(-9, 9), st.floats(allow_nan=False, allow_infinity=False))
TABLES = st.dictionaries(
    WORDS, st.one_of(VALUES, st.lists(VALUES, max_size=3), st.dictionaries(WORDS, VALUES, max_size=2)), max_size=3
)


@given(st.dictionaries(WORDS.filter(lambda name: name != "heads"), st.one_of(VALUES, TABLES), max_size=4), TABLES)
def test_toml_reads_back(document: dict[str, object], head: dict[str, object]) -> None:
    whole = document | {"heads": {"A.b": head}}
    with tempfile.TemporaryDirectory() as folder:
        write_toml(Path(folder) / "session.toml", whole)
        assert tomllib.loads((Path(folder) / "session.toml").read_bytes().decode()) == whole


def test_a_session_goes_on_in_another_folder(tmp_path: Path) -> None:
    old = tmp_path / "old"
    (old / "frames").mkdir(parents=True)
    for name in ("f1.dng", "f2.dng", "f3.dng", "f4.dng"):
        (old / "frames" / name).write_bytes(b"raw")
    (old / "grey.csv").write_text("nm,factor\n380,0.18\n780,0.18\n", encoding="utf-8")
    (old / "session.toml").write_text(
        'title = "old"\n[target]\nreflectance = "grey.csv"\n[camera]\nmeter = {frame = "f2.dng", cct_k = 5560}\n'
        '[reference]\nhead = "A"\n[tolerance]\nmired = 3\n[heads.A]\nserial = "7"\n',
        encoding="utf-8",
    )
    (old / "shots.csv").write_text(
        "frame,head,power,kind,note,gel\nf3.dng,A,full,,,none\nf2.dng,A,1/4,,warm,CTO\nf9.dng,A,1/8,,,\nf1.dng,,,ambient,,\n",
        encoding="utf-8",
    )
    shots = read_shots(load_settings(old))
    # f9 has no file (shot -1); f4 has no row and was taken between f2 and f3
    readings = pd.DataFrame({"shot": [3, 1, -1, 0, 2], "frame": ["f3.dng", "f2.dng", "f9.dng", "f1.dng", "f4.dng"]})
    earlier = continued_shots(shots, readings)
    assert earlier.to_dict(orient="list") == {
        "frame": [""] * 4,
        "head": ["", "A", "", "A"],
        "power": ["", "1/4", "", "full"],
        "kind": ["ambient", "flash", "job", "flash"],
        "pack": [""] * 4,
        "note": ["", "warm", "not in the log", ""],
        "gel": ["", "CTO", "", "none"],
    }
    new = tmp_path / "deep" / "new"
    document = continued_document(old, new, "new")
    steps = arrange([Cell("A", "1/4", 2.0, rounds=1)])
    write_draft(new, Draft("new", "by-head", 1, steps, document, "A", earlier), "")
    assert not (new / "frames").exists()
    session = load_settings(new)
    assert session.frames_dir.resolve() == (old / "frames").resolve()
    assert (session.title, session.tolerance.mired, session.meter.frame) == ("new", 3.0, "f2.dng")  # type: ignore[union-attr]
    assert session.reflectance is not None
    both = read_shots(session)
    assert both["kind"].tolist() == ["ambient", "flash", "job", "flash", "ambient", "dark", "flash", "ambient"]
    assert both["gel"].tolist() == ["", "CTO", "", "none", "", "", "", ""]
    assert (both["frame"] == "").all()


def test_further_lights_keep_their_iso_pack_and_modifier() -> None:
    readings = pd.DataFrame(
        {
            "kind": ["flash"] * 5 + ["ambient"], "head": ["A", "A", "A", "B", "B", ""],
            "pack": ["P1", "P1", "P1", "P2", "P2", ""], "stops": [0.0, 4.0, 4.0, 0.0, 0.0, np.nan],
            "iso": [100.0, 1600.0, 1600.0, np.nan, np.nan, 400.0], "exposure_s": [0.008] * 6, "f_number": [11.0] * 6,
        }
    )  # fmt: skip
    table = pd.DataFrame(
        {
            "head": ["A", "A", "B"],
            "power": ["full", "1/16", "full"],
            "stops": [0.0, 4.0, 0.0],
            "modifier": ["", "box", ""],
        }
    )
    cells = further_cells(table, readings, np.array([0, 3, 1]))
    assert cells == (
        Cell("A", "1/16", 4.0, "P1", 1600, 3, (("modifier", "box"),)),
        Cell("B", "full", 0.0, "P2", 0, 1, (("modifier", ""),)),
    )
    rows = shots_table(arrange(cells))
    assert set(rows.loc[rows["head"] == "A", "modifier"]) == {"box"}
    assert camera_settings(readings) == "1/125 s at f/11"
