"""The page and the screen over the tables that the comparing stage really makes."""

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.compare.drift import analyse
from greystep.compare.verdict import report_facts
from greystep.pages import report as page
from greystep.pages import screen as terminal
from greystep.pages import tables as series
from greystep.sentences.summary import Summary, summary
from greystep.session.settings import load_settings


def shown(readings: pd.DataFrame, folder: Path, pictures: Any) -> tuple[Summary, str, str]:
    session = load_settings(folder)
    drift = analyse(readings, session)
    facts = report_facts(readings, drift, session.tolerance)
    told = summary(facts, drift, session, readings)
    tables = series.figure_tables(drift.powers, readings, told.reference, facts.judged.calipers)
    html = page.report_page(told, readings, drift.powers, tables, pictures)
    return told, html, terminal.report_text(told)


def test_the_odd_heads_are_named_first(kit: Any, tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text('title = "Prep day"\n')
    told, html, text = shown(kit.readings, tmp_path, kit.pictures)
    assert set(told.odd.back) == {"B", "D"}
    assert text.splitlines()[0] == "Prep day: Send back heads B and D."
    assert all(line.replace("'", "&#39;") in html for line in told.headline[1])
    top = " ".join(" ".join(text.splitlines()[:10]).split())
    assert "B does not hold its colour" in top
    assert "D is steady on its own, but" in top
    assert max(map(len, text.splitlines())) <= 80
    first = html[html.index("<main>") : html.index("Every head against every other")]
    for word in ("steps</", "u'v'", "expanded", "locus"):
        assert word not in text
        assert word not in first


@pytest.mark.parametrize("case", ["one frame a cell", "no colour", "all rejected", "two bodies"])
def test_poor_sessions_still_get_a_page(kit: Any, tmp_path: Path, case: str) -> None:
    (tmp_path / "session.toml").write_text('title = "Prep day"\n')
    readings = kit.readings.copy()
    flash = readings["kind"] == "flash"
    blank = ["mired", "cct_k", "duv", "u_prime", "v_prime", "u_mired", "u_cct_k", "u_duv"]
    if case == "one frame a cell":
        readings = readings[~flash | readings["frame"].str.endswith("_1.dng")].reset_index(drop=True)
    if case == "no colour":
        readings[blank] = np.nan
        readings["colour_from"] = "none"
        readings.loc[flash, ["status", "flags"]] = ["doubtful", "no_matrix"]
    if case == "all rejected":
        readings[[*blank, "output_stops"]] = np.nan
        readings[["status", "flags"]] = ["rejected", "unreadable"]
    if case == "two bodies":
        readings.loc[readings["head"].isin(["C", "D"]), "body"] = "Camera 02"
    _, html, text = shown(readings, tmp_path, {})
    assert "nan" not in html[html.index("<main>") : html.index('<ul class="sheet">')].lower().replace("tungsten", "")
    assert text.splitlines()[0].startswith("Prep day: ")
    assert "None" not in text
