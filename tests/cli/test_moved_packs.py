"""A session in which heads were moved between packs, with check frames: what the report writes and says of both."""

import json
from pathlib import Path

import pandas as pd
from typer.testing import CliRunner

from greystep.cli.app import app
from greystep.demo.kit import HeadCharacter, Kit, shoot
from greystep.demo.scenario import write_session
from greystep.demo.sensor import Sensor


def test_the_report_tells_head_from_pack_and_follows_the_check_frames(tmp_path: Path) -> None:
    heads = tuple(HeadCharacter(name, mired=mired, scatter_mired=0.1) for name, mired in (("C", 178.6), ("D", 186.6)))
    kit = Kit(heads, powers=("full", "1/4"), repeats=8, compressed=False, sensor=Sensor(height=160, width=240))
    write_session(tmp_path, kit, shoot(kit, 1), 1)
    log = pd.read_csv(tmp_path / "shots.csv", dtype=str, keep_default_na=False)
    for head in ("C", "D"):
        rows = log.index[log["head"] == head]
        log.loc[rows, "pack"] = ["P1"] * 8 + ["P2"] * 8
    of_c = log.index[(log["head"] == "C") & (log["power"] == "full")]
    log.loc[of_c[[0, 1, -2, -1]], "note"] = "check frame"
    log.to_csv(tmp_path / "shots.csv", index=False)

    result = CliRunner().invoke(app, ["report", str(tmp_path), "--json"])
    assert result.exit_code == 0, result.output
    content = json.loads(result.stdout)
    answers = {(row["quantity"], row["power"], row["from_power"]): row for row in content["attribution"]["answers"]}
    assert answers["mired", "full", ""]["follows"] == "head"
    assert answers["output_stops", "full", ""]["follows"] == "neither"
    assert any("the warmth follows the head: head D is" in note for note in content["notes"])
    assert (content["bracket"]["head"], content["bracket"]["power"]) == ("C", "full")
    assert [visit["n"] for visit in content["bracket"]["visits"]] == [2, 2]
    assert abs(content["bracket"]["moves"]["mired"]["last_less_first"]) < 1.0
    table = pd.read_csv(tmp_path / "report" / "attribution.csv")
    head = table[(table["part"] == "head") & (table["power"] == "full")].iloc[0]
    assert abs(head["delta_mired"] - 8.0) < 0.5
    powers = pd.read_csv(tmp_path / "report" / "powers.csv")
    assert powers.loc[(powers["head"] == "C") & (powers["power"] == "full"), "n"].sum() == 8 - 4
    page = (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert "the warmth follows the head: head D is" in page
    assert "What the order of shooting left" in page
