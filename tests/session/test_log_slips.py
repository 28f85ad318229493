"""The files of a session, their order, and where a sequence slipped, on sessions made here with known gaps."""

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greystep.errors import FaultsError, GreystepError
from greystep.raw.exposure import Exposure
from greystep.session.log_slips import assign_frames
from greystep.session.raw_files import capture_order, frame_files, list_raw, natural_key
from greystep.session.settings import load_settings


def touch(folder: Path, *names: str, data: bytes = b"raw") -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


def test_raw_files_once_each_and_nothing_else(tmp_path: Path) -> None:
    touch(tmp_path, "f2.DNG", "f10.dng", "f2.JPG", "f2.xmp", "day/f1.nef", "day/f1.jpeg", "f3.dng.part", "f4.tif")
    touch(tmp_path, ".f5.dng", "._f2.DNG", "~f6.dng", ".cache/f7.dng", "Thumbs.db", "f8.mov")
    touch(tmp_path, "f9.dng", data=b"")
    before = sorted(tmp_path.rglob("*"))
    assert list_raw(tmp_path) == ["day/f1.nef", "f2.DNG", "f10.dng"]
    assert sorted(tmp_path.rglob("*")) == before


def test_an_empty_file_counts_where_the_log_names_it(tmp_path: Path) -> None:
    touch(tmp_path / "frames", "f1.dng")
    touch(tmp_path / "frames", "f2.dng", "f3.dng", data=b"")
    session = load_settings(tmp_path)
    assert frame_files(session) == ["f1.dng"]
    assert frame_files(session, pd.Series(["f1.dng", "f3.dng", "f4.dng"])) == ["f1.dng", "f3.dng"]


@pytest.mark.parametrize("extension", ["CR2", "cr3", "Nef", "arw", "RAF", "rw2", "orf", "pef", "iiq", "3fr", "dng"])
def test_raw_extensions_in_any_letter_case(tmp_path: Path, extension: str) -> None:
    touch(tmp_path, f"a.{extension}")
    assert list_raw(tmp_path) == [f"a.{extension}"]


def test_links_are_followed_once(tmp_path: Path) -> None:
    touch(tmp_path / "card", "a.dng")
    touch(tmp_path / "frames", "b.dng")
    (tmp_path / "frames" / "card").symlink_to(tmp_path / "card")
    (tmp_path / "card" / "back").symlink_to(tmp_path / "frames")
    assert list_raw(tmp_path / "frames") == ["b.dng", "card/a.dng"]


def test_an_existing_capture_folder_without_this_tools_results(tmp_path: Path) -> None:
    touch(tmp_path, "a.dng", "report/a.dng", ".greystep/a.dng")
    (tmp_path / "session.toml").write_text('frames = "."\n', encoding="utf-8")
    assert frame_files(load_settings(tmp_path)) == ["a.dng"]


def test_nothing_to_read_is_told(tmp_path: Path) -> None:
    session = load_settings(tmp_path)
    with pytest.raises(GreystepError, match=r"frames: no such folder; put the raw files there, or write frames ="):
        frame_files(session)
    (tmp_path / "frames").mkdir()
    with pytest.raises(GreystepError, match=r"no raw frames in it; put"):
        frame_files(session)
    touch(tmp_path / "frames", "a.jpg", "b.TIF")
    with pytest.raises(GreystepError, match=r"no raw frames in it \(only \.jpg, \.tif\); put"):
        frame_files(session)


def test_natural_order() -> None:
    names = ["f10.dng", "F9.dng", "f009.dng", "a/f1.dng", "f1.dng", "f1a.dng"]
    assert sorted(names, key=natural_key) == ["a/f1.dng", "f1.dng", "f1a.dng", "F9.dng", "f009.dng", "f10.dng"]


@given(st.lists(st.text(max_size=6), max_size=6))
def test_natural_order_takes_any_names(names: list[str]) -> None:
    assert sorted(dict.fromkeys(names), key=natural_key) == sorted(set(names), key=natural_key)


def test_capture_order_is_clock_then_name() -> None:
    names = ["IMG_0001.dng", "IMG_9999.dng", "f10.dng", "f9.dng", "f11.dng"]
    day = "2026-05-01T10:00:"
    captured = [f"{day}02", f"{day}01.50", f"{day}03", f"{day}03", f"{day}01.283"]  # the counter wrapped around
    assert [names[at] for at in capture_order(names, captured)] == [
        "f11.dng", "IMG_9999.dng", "IMG_0001.dng", "f9.dng", "f10.dng",
    ]  # fmt: skip


def test_a_frame_of_unknown_time_follows_its_neighbour_by_name() -> None:
    names = ["f4.dng", "f1.dng", "f3.dng", "f2.dng"]
    assert capture_order(names, ["2026-05-01T10:09:00", "", "", "2026-05-01T10:01:00"]) == [1, 3, 2, 0]
    assert capture_order(names, ["", "", "", ""]) == [1, 3, 2, 0]
    assert capture_order([], []) == []


# --- matching rows to frames ----------------------------------------------------------------------------------------

POWERS = (0.0, 2.0, 4.0)


def log(heads: str = "ABC", repeats: int = 3) -> pd.DataFrame:
    """Return a log in head-by-head order between two ambient frames; row numbers as in a spreadsheet."""
    cells = [("", np.nan, "ambient")]
    cells += [(head, stops, "flash") for head in heads for stops in POWERS for _ in range(repeats)]
    cells += [("", np.nan, "ambient")]
    table = pd.DataFrame(cells, columns=["head", "stops", "kind"]).astype({"head": "str", "kind": "str"})
    names = {0.0: "full", 2.0: "1/4", 4.0: "1/16"}
    power = pd.array([names.get(stops, "") for stops in table["stops"]], dtype="str")
    row = np.arange(2, len(table) + 2)
    return table.assign(frame=pd.array([""] * len(table), dtype="str"), power=power, row=row)


def shoot(table: pd.DataFrame, head_s: float = 90.0, seed: int = 0, settings_by_power: bool = False) -> list[Exposure]:
    """Return what a camera records of that log: 4 to 6 s a frame, 12 s to turn the power, `head_s` to move a head."""
    rng = np.random.default_rng(seed)
    clock = datetime(2026, 5, 1, 10)
    frames = []
    before = ("", 0.0)
    for head, stops in zip(table["head"], table["stops"], strict=True):
        pause = head_s if head != before[0] and head and before[0] else 12.0 if stops != before[1] else 4.0
        clock += timedelta(seconds=pause + rng.uniform(0, 2))
        iso = 100.0 if not settings_by_power or not stops > 3 else 400.0
        frames.append(Exposure(exposure_s=1 / 160, f_number=8.0, iso=iso, captured=clock.isoformat(), make="Camera"))
        before = (head, stops)
    return frames


def slips(table: pd.DataFrame, frames: list[Exposure]) -> tuple[str, ...]:
    files = [f"f{number:04d}.dng" for number in range(1, len(frames) + 1)]
    with pytest.raises(FaultsError) as caught:
        assign_frames(table, files, frames)
    return caught.value.faults


def test_equal_numbers_are_matched_in_order() -> None:
    table = log()
    frames = shoot(table)
    files = [f"f{number}.dng" for number in range(len(frames))]
    assigned = assign_frames(table, files, frames)
    assert assigned["frame"].tolist() == files
    assert assigned["frame"].dtype == "str"
    assert (table["frame"] == "").all()  # the log passed in is not changed


@pytest.mark.parametrize(("lost", "cell"), [(5, "rows 6 to 8 (A 1/4)"), (10, "B"), (27, "C")])
def test_a_lost_frame_is_placed_within_its_heads_block(lost: int, cell: str) -> None:
    table = log()
    frames = shoot(table, settings_by_power=True)
    del frames[lost]
    count, place = slips(table, frames)
    assert count.startswith("29 rows, 28 frames in capture order: 1 frame too few; ")
    first, last = (int(part) for part in place.split(" (")[0].removeprefix("rows ").split(" to "))
    assert first <= table["row"][lost] <= last
    assert last - first < 9  # one head's block, where the pauses part the heads
    assert cell.split("(")[-1].rstrip(")")[0] in place


def test_pauses_and_settings_place_a_lost_frame_in_its_cell() -> None:
    table = log()
    frames = shoot(table, settings_by_power=True)
    lost = 9  # last of A's 1/16: between B (a long pause) and A's 1/4 (another ISO)
    del frames[lost]
    assert slips(table, frames)[1:] == ("rows 9 to 11 (A 1/16): 1 of them without a frame",)


def test_frames_that_no_row_names_are_named() -> None:
    table = log()
    frames = shoot(table, settings_by_power=True)
    for extra in (20, 9):  # a test shot in C's full, and one more of A's 1/16
        again = datetime.fromisoformat(frames[extra].captured) + timedelta(seconds=2)
        frames.insert(extra + 1, Exposure(1 / 160, 8.0, frames[extra].iso, again.isoformat()))
    count, first, second = slips(table, frames)
    assert "29 rows, 31 frames in capture order: 2 frames too many" in count
    assert first == "f0008.dng to f0011.dng: 1 of them without a row"
    assert second.endswith(".dng: 1 of them without a row")
    assert second.startswith("f00")
    low, high = (int(part[1:5]) for part in second.split(": ")[0].split(" to "))
    assert low <= 22 <= high
    assert high - low <= 9


def test_a_head_that_was_never_shot_is_named_whole() -> None:
    table = pd.concat([log("A")[:-1], log("B", repeats=2)[1:-1], log("CD")[1:]], ignore_index=True)
    table = table.assign(row=np.arange(2, len(table) + 2))
    frames = [f for f, head in zip(shoot(table, settings_by_power=True), table["head"], strict=True) if head != "B"]
    lines = slips(table, frames)
    assert lines[1] == "rows 12 to 17 (B full to B 1/16): no frame"


@pytest.mark.parametrize(
    "frames",
    [
        [Exposure() for _ in range(20)],  # no metadata at all
        [Exposure(captured=f"2026-05-01T10:{minute:02d}:00") for minute in range(20)],  # one every minute
        [Exposure(captured=f"2026-05-01T10:00:{1.12**n:09.6f}") for n in range(36)][8:],  # no step in the pauses
        shoot(log(), head_s=12.0)[:5],  # hardly any
        [],
    ],
)
def test_where_the_data_do_not_tell_it_says_so(frames: list[Exposure]) -> None:
    assert slips(log(), frames)[1:] == ("the exposure data do not tell where the sequence slipped",)


def test_a_named_place_always_holds_the_true_slip() -> None:
    table = log()
    told = 0
    for seed in range(60):
        frames = shoot(table, seed=seed, settings_by_power=True)
        lost = np.random.default_rng(seed).choice(len(frames), 1 + seed % 3, replace=False).tolist()
        lines = slips(table, [frame for at, frame in enumerate(frames) if at not in lost])[1:]
        if "do not tell" in lines[0]:
            continue
        told += 1
        spans = [line.split(" (")[0].removeprefix("rows ").removeprefix("row ").split(" to ") for line in lines]
        for at in lost:
            assert any(int(span[0]) <= at + 2 <= int(span[-1]) for span in spans), (lines, lost)
    assert told >= 55
