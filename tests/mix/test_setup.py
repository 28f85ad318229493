"""SETUP.csv: read from any spreadsheet, every fault told at once, meter readings as the trade speaks them."""

from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from greystep.compare.drift import Drift, analyse
from greystep.errors import FaultsError, GreystepError
from greystep.mix.gels import nominal_gels
from greystep.mix.setup import Setup, parse_reading, read_setup
from greystep.session.settings import HeadInfo
from helpers.synthetic import make_session


@pytest.fixture(scope="module")
def drift(synthetic: ModuleType) -> Drift:
    """Heads A, B, C at 1/1, 1/2, 1/4; C gives a stop less."""
    readings = synthetic.simulate(np.random.default_rng(1), np.array([[0, 1, 2], [5, 6, 7], [9, 9, 9]]), scatter=0.1)
    readings.loc[readings["head"] == "C", "output_stops"] -= 1.0
    made: Drift = analyse(readings, synthetic.make_session())
    return made


def read(drift: Drift, path: Path, text: str | bytes) -> Setup:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    session = make_session(heads={"A": HeadInfo("", "", 1200.0, {}, "")})
    mired, output = (drift.fitted[name].cells.values for name in ("mired", "output_stops"))
    return read_setup(path, session, drift.cells, mired, output, nominal_gels())


def test_a_set_up_is_read_from_any_spreadsheet(drift: Drift, tmp_path: Path) -> None:
    lines = [
        "Role;Head;Power;Share;Gel;Note",
        "key;A;600 J;60 %;;left",
        "fill;B;1/4;20;1/4 cto;",
        "back;C;full;20;;",
        ";;;;;",
    ]
    text = "\r\n".join(lines)
    setup = read(drift, tmp_path / "SETUP.csv", text.encode("utf-16"))
    assert setup.amounts == "share"
    assert [(row.row, row.role, row.head, row.power) for row in setup.rows] == [
        (2, "key", "A", "600 J"), (3, "fill", "B", "1/4"), (4, "back", "C", "full"),
    ]  # fmt: skip
    np.testing.assert_allclose([row.share for row in setup.rows], [0.6, 0.2, 0.2])
    np.testing.assert_allclose([row.stops for row in setup.rows], [1.0, 2.0, 0.0])
    assert [row.cells for row in setup.rows] == [((1, 1.0),), ((5, 1.0),), ((6, 1.0),)]
    assert setup.rows[1].gel.name == "1/4 CTO"


def test_shares_from_meter_readings_and_from_stops(drift: Drift, tmp_path: Path) -> None:
    reads = read(drift, tmp_path / "a.csv", "role,head,power,reads\nkey,A,1/1,f/11\nfill,B,1/1,f/8\n")
    assert reads.amounts == "reads"
    np.testing.assert_allclose([row.share for row in reads.rows], [2 / 3, 1 / 3])
    stops = read(drift, tmp_path / "b.csv", 'role,head,power,stops\nkey,A,1/1,\nfill,B,1/1,"-2,0"\n')
    np.testing.assert_allclose([row.share for row in stops.rows], [0.8, 0.2])


@pytest.mark.parametrize(
    ("text", "stops"),
    [
        ("f/11", 7.0), ("11", 7.0), ("f/11.3", 7.3), ("f 8.5", 6.5), ("f/16,7", 8.7), ("f/5.6", 5.0), ("5.6.4", 5.4),
        ("f/8+0.5", 6.5), ("f/6.3", 5.0 + 1 / 3), ("f/1.4", 1.0), ("f/13", 7.0 + 1 / 3), ("f/16.0", 8.0),
        ("f/1.2", 2 / 3),
    ],
)  # fmt: skip
def test_an_aperture_is_read_with_tenths_of_a_stop(text: str, stops: float) -> None:
    assert parse_reading(text) == pytest.approx(stops)


@pytest.mark.parametrize(
    ("text", "said"), [("f/4.5", r"f/4\+0.5"), ("bright", "not an aperture"), ("f/11.34", "not an"), ("0", "not an")]
)
def test_an_aperture_that_can_be_read_in_two_ways_is_refused(text: str, said: str) -> None:
    with pytest.raises(GreystepError, match=said):
        parse_reading(text)


def test_without_shares_each_light_has_the_same_and_a_group_its_output(drift: Drift, tmp_path: Path) -> None:
    text = "role,head,power,group\nkey,A,1/1,G\nkey,C,1/1,G\nfill,B,1/1,\n"
    setup = read(drift, tmp_path / "SETUP.csv", text)
    assert setup.amounts == "equal"
    np.testing.assert_allclose([row.share for row in setup.rows], [1 / 3, 1 / 6, 1 / 2], rtol=0.02)


def test_a_power_between_two_tested_ones_is_taken_between_them(drift: Drift, tmp_path: Path) -> None:
    setup = read(drift, tmp_path / "SETUP.csv", "role,head,power\nkey,A,1/2+0.4\nfill,B,1/1\n")
    (low, weight_low), (high, weight_high) = setup.rows[0].cells
    assert (low, high) == (0, 1)
    assert weight_low == pytest.approx(0.4)
    assert weight_high == pytest.approx(0.6)


def test_every_fault_is_told_at_once_with_its_row(drift: Drift, tmp_path: Path) -> None:
    lines = ["role,head,power,shar,gel", "key,A,1/4,60,1/4 CTX", "fill,Z,1/16,,", "key,B,1/128,-3,"]
    text = "\n".join([*lines, ",C,1/1,20,CTO+CTO+CTO", "x,A,16-Jan,1,"])
    with pytest.raises(FaultsError) as caught:
        read(drift, tmp_path / "SETUP.csv", text)
    faults = caught.value.faults
    wanted = [
        'row 1: column "shar": did you mean share?', 'row 2: gel "1/4', "row 3: no share", 'row 3: head "Z"',
        'row 4: share "-3"', 'row 4: role "key" is in row 2 too',
        "row 4: head B at 1/128: outside what was tested, measured were 1/1, 1/2, 1/4; use one",
        "row 5: no role", 'row 5: gel "CTO+CTO+CTO": 3 gels', "row 6: power",
    ]  # fmt: skip
    assert len(faults) == len(wanted)
    for fault, start in zip(faults, wanted, strict=True):
        assert fault.startswith(start)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("role,head\nkey,A\n", "no column power"),
        ("role,head,power\n", "names no light"),
        ("role,head,power\nkey,A,1/1\n", "one light alone"),
        ("role,head,power,group\nkey,A,1/1,G\nkey,B,1/1,G\n", "one light alone"),
        ("role,head,power,share,stops\nkey,A,1/1,1,\nfill,B,1/1,1,-1\n", "both say how much light"),
        ("role,head,power,head\nkey,A,1/1,B\nfill,B,1/1,B\n", 'column "head" is there twice'),
        ("role,head,power,share\nkey,A,1/1,0\nfill,B,1/1,1\n", "a number above 0"),
    ],
)
def test_a_table_that_is_no_set_up_is_told(drift: Drift, tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(GreystepError, match=said):
        read(drift, tmp_path / "SETUP.csv", text)


def test_a_missing_file_is_told(drift: Drift, tmp_path: Path) -> None:
    mired, output = (drift.fitted[name].cells.values for name in ("mired", "output_stops"))
    with pytest.raises(GreystepError, match="cannot be read"):
        read_setup(tmp_path / "none.csv", make_session(), drift.cells, mired, output, nominal_gels())


def test_a_head_tested_on_several_packs_is_taken_on_the_one_that_the_row_names(
    synthetic: ModuleType, tmp_path: Path
) -> None:
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((2, 2)), scatter=0.1)
    on_two = (readings["head"] == "A") & (np.arange(len(readings)) % 2 == 0)
    tested = analyse(readings.assign(pack=np.where(on_two, "P2", "P1")), synthetic.make_session())
    text = "role,head,power,pack\nkey,A,1/1,P2\nfill,B,1/1,\n"
    for row in read(tested, tmp_path / "a.csv", text).rows:
        at = tested.cells.table.iloc[row.cells[0][0]]
        assert (at["head"], at["pack"], at["power"]) == (row.head, "P2" if row.head == "A" else "P1", "1/1")
    with pytest.raises(GreystepError, match="A: was tested with several kinds of pack, P2, P1; say which in a column"):
        read(tested, tmp_path / "b.csv", text.replace(",P2", ","))


def test_a_set_up_is_read_for_the_body_that_saw_most_of_its_heads(synthetic: ModuleType, tmp_path: Path) -> None:
    one = synthetic.simulate(np.random.default_rng(1), np.zeros((1, 2)), scatter=0.1).assign(body="First 1")
    two = synthetic.simulate(np.random.default_rng(2), np.zeros((2, 2)), scatter=0.1).assign(body="Second 2")
    tested = analyse(pd.concat([one, two], ignore_index=True), synthetic.make_session())
    body = tested.cells.table["body"].to_numpy(object)
    rows = read(tested, tmp_path / "a.csv", "role,head,power\nkey,A,1/1\nfill,B,1/1\n").rows
    assert {body[row.cells[0][0]] for row in rows} == {"Second 2"}
    rows = read(tested, tmp_path / "b.csv", "role,head,power\nkey,A,1/1\nfill,A,1/2\n").rows
    assert {body[row.cells[0][0]] for row in rows} == {"First 1"}  # as many: the first of the log


@pytest.mark.parametrize(("lights", "rows", "refused"), [(40, 200, False), (41, 41, True), (40, 201, True)])
def test_forty_lights_in_two_hundred_rows_at_most(
    drift: Drift, tmp_path: Path, lights: int, rows: int, refused: bool
) -> None:
    """Rows of one group are one light."""
    lines = [f"r{row},{'ABC'[row % 3]},1/2,g{row % lights}" for row in range(rows)]
    text = "role,head,power,group\n" + "\n".join(lines)
    if refused:
        with pytest.raises(GreystepError, match=f"{lights} lights in {rows} rows"):
            read(drift, tmp_path / "SETUP.csv", text)
    else:
        assert len(read(drift, tmp_path / "SETUP.csv", text).rows) == rows
