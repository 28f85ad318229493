"""Whole small sessions as people leave them: powers as they type them."""

from pathlib import Path

from greystep.sentences.frames import lines
from greystep.session.ingest import ingest
from greystep.session.settings import load_settings


def test_a_log_that_a_spreadsheet_and_a_dial_have_written_is_measured_and_told(small_session: Path) -> None:
    names = ["A/1-1/f1.dng", "A/1-1/f2.dng", "A/1-1/f3.dng", "A/1-4/f4.dng", "A/1-4/f5.dng"]
    typed = ["10", "full", "1-Jan", "04.01.2026", "8"]
    log = "".join(f"{name},A,{power}\n" for name, power in zip(names, typed, strict=True))
    (small_session / "shots.csv").write_text(f"frame,head,power,kind\nambient/f0.dng,,,ambient\n{log}")
    with (small_session / "session.toml").open("r+") as toml:
        text = toml.read()
        toml.seek(0)
        toml.write(f"dial = 10\n{text}")
    found = ingest(load_settings(small_session))
    flash = found.readings[found.readings["kind"] == "flash"]
    assert flash["power"].tolist() == ["10", "10", "10", "1/4", "1/4"]
    assert flash["stops"].tolist() == [0.0, 0.0, 0.0, 2.0, 2.0]
    assert flash["status"].tolist() == ["ok"] * 5  # two stops less light at the dial's 8, as at 1/4
    told = [text for text in lines(found.messages) if "spreadsheet" in text]
    assert told == [
        "shots.csv: a spreadsheet made dates of powers, read as the only power each can be: row 5 1/1 for 1-Jan; "
        "row 6 1/4 for 04.01.2026; the file is as it was"
    ]
