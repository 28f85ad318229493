"""The order and time of every flash: a lost file or a frame without time must not change what the others say."""

from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from greystep.compare.drift import HeatByShots, analyse
from greystep.compare.firing_times import firing_order, text_column
from greystep.sentences.kit_notes import design
from greystep.session.ingest import ingest
from greystep.session.settings import load_settings

SAMPLE = Path(__file__).parents[2] / "sample_data" / "hire_kit"
COLOURS = ["mired", "duv", "u_prime", "v_prime", "cct_k", "output_stops"]


def log_of(seconds: list[float | None], heads: str, kinds: str = "", lost: tuple[int, ...] = ()) -> pd.DataFrame:
    """Make a log: a letter a row for the head, ``f`` or ``a`` for its kind; rows in `lost` have no file."""
    start = pd.Timestamp("2026-05-04T10:00:00")
    files = [row for row in range(len(heads)) if row not in lost]
    return pd.DataFrame(
        {
            "head": list(heads),
            "kind": [{"f": "flash", "a": "ambient"}[kind] for kind in kinds or "f" * len(heads)],
            "captured": ["" if s is None else (start + pd.to_timedelta(s, "s")).isoformat() for s in seconds],
            "shot": [files.index(row) if row in files else -1 for row in range(len(heads))],
        }
    )


def order_of(log: pd.DataFrame) -> tuple[list[int], list[float]]:
    rows, seconds = firing_order(log, (log["kind"] == "flash").to_numpy(), pd.factorize(log["head"])[0])
    return rows.tolist(), [round(float(one), 6) for one in seconds]


def test_an_unknown_time_stands_between_its_neighbours() -> None:
    assert order_of(log_of([0, 10, None, 30, 40], "AAAAA")) == ([0, 1, 2, 3, 4], [0, 10, 20, 30, 40])
    assert order_of(log_of([0, 10, None, None, 40], "AAAAA"))[1] == [0, 10, 20, 30, 40]
    assert order_of(log_of([None, 10, 20, None], "AAAA"))[1] == [0, 10, 20, 30]


def test_an_unknown_time_keeps_to_its_own_head() -> None:
    """A head is changed in five minutes; the unknown frame belongs to the turn of its head."""
    assert order_of(log_of([0, 10, 20, None, 330, 340], "AAABBB"))[1] == [0, 10, 20, 320, 330, 340]
    assert order_of(log_of([0, 10, None, 320, 330, 340], "AAABBB"))[1] == [0, 10, 20, 320, 330, 340]


def test_mostly_unknown_times_are_left_out() -> None:
    assert order_of(log_of([0, None, None, None], "AAAA")) == ([0, 1, 2, 3], [])
    assert order_of(log_of([None, None], "AA")) == ([0, 1], [])
    assert order_of(log_of([], "")) == ([], [])


def test_a_lost_file_fired_where_the_log_has_it() -> None:
    assert order_of(log_of([0, 10, None, 30, 40], "AAAAA", lost=(2,))) == ([0, 1, 2, 3, 4], [0, 10, 20, 30, 40])
    two = order_of(log_of([0, 10, None, None, 40, 50], "AAAAAA", lost=(2, 3)))
    assert two == ([0, 1, 2, 3, 4, 5], [0, 10, 20, 30, 40, 50])
    assert order_of(log_of([0, 10, 20, None, 40, 50], "A" * 6, "ffafaf", lost=(3,))) == ([0, 1, 3, 5], [0, 10, 30, 50])
    assert order_of(log_of([None] * 4, "AAAA", lost=(1,)))[0] == [0, 1, 2, 3], "without times the log is believed"


@pytest.mark.parametrize(
    "log",
    [
        log_of([0, 10, 20, None, 30, 40], "AAAAAA", lost=(3,)),  # no time for it between its neighbours
        log_of([0, 10, 20, 30, None], "AAAAA", lost=(4,)),  # the rest of a plan, not shot yet
        log_of([None, 10, 20, 30], "AAAA", lost=(0,)),
    ],
)
def test_a_row_that_was_not_shot_heats_nothing(log: pd.DataFrame) -> None:
    rows, _ = order_of(log)
    assert rows == np.flatnonzero(log["shot"] >= 0).tolist()


def test_a_lost_file_has_no_place_where_the_log_is_not_in_capture_order() -> None:
    log = log_of([0, 10, None, 20, 30], "AAAAA", lost=(2,))
    log["shot"] = [0, 2, -1, 1, 3]
    assert 2 not in order_of(log)[0]


def test_an_unreadable_or_lost_frame_of_the_sample_leaves_the_heat_as_it_was(tmp_path: Path) -> None:
    """Against the same frame left out as an outlier, which keeps its time and its flash."""
    session = load_settings(SAMPLE)
    readings = ingest(session, store=tmp_path).readings
    row = readings.index[readings["frame"] == "f0063.dng"][0]

    def heads(**changed: object) -> pd.DataFrame:
        table = readings.copy()
        table.loc[row, [*COLOURS]] = np.nan
        for name, value in changed.items():
            table.loc[row, name] = value
        drift = analyse(table, session)
        assert not drift.notes
        return drift.heads.assign(amplitude=drift.fitted["mired"].amplitude).set_index("head")

    outlier = heads(status="doubtful", flags="outlier")
    for broken in (
        heads(status="rejected", flags="unreadable", captured=""),
        heads(status="rejected", flags="missing", captured="", shot=-1),
    ):
        assert broken["warmup_kept"].tolist() == outlier["warmup_kept"].tolist()
        for name in ("warmup_mired", "u_warmup_mired", "span_mired"):
            assert broken[name].to_numpy() == pytest.approx(outlier[name].to_numpy(), abs=0.01)
    truth = 4.0  # of head D, as the sample's truth.json has it
    found = outlier.loc["D"]  # from rest to its hottest, of which the test's first frame is near
    assert abs(found["amplitude"] - truth) < found["u_warmup_mired"] * found["amplitude"] / found["warmup_mired"]


def test_heat_counted_in_shots_is_said_once(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((2, 3)))
    notes = analyse(readings.assign(captured=""), synthetic.make_session()).notes
    assert notes.count(HeatByShots()) == 1
    assert design(HeatByShots()) == "The capture times are not known, so heat is counted in shots."


def test_a_column_is_text_whatever_a_spreadsheet_made_of_it() -> None:
    table = pd.DataFrame(
        {"a": pd.Series([1, None, "x", 2.5], dtype=object), "b": pd.array(["x", None, "", "y"], "str")}
    )
    assert text_column(table, "a").tolist() == ["1", "", "x", "2.5"]
    assert text_column(table, "b").tolist() == ["x", "", "", "y"]
    assert text_column(table, "c").tolist() == ["", "", "", ""]


def test_time_goes_on_where_the_clock_was_set_back() -> None:
    """Else heat would grow without bounds in the hour that the clock gained."""
    assert order_of(log_of([3600, 3610, 3620, 30, 40], "AAAAA")) == ([0, 1, 2, 3, 4], [0, 10, 20, 30, 40])
    assert order_of(log_of([3600, 3610, 0, 10, 20], "AAAAA"))[1] == [0, 10, 20, 30, 40]
    assert order_of(log_of([3600, 3610, 3580, 3640], "AAAA"))[1] == [20, 30, 0, 60]  # half a minute: burst and card
