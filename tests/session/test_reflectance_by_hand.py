"""The table of a target's reflectance: what is read, and what is wrong with it."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from greystep.session.reflectance import read_reflectance
from greystep.session.toml_file import TomlFile


def reflectance(folder: Path, text: str | None) -> tuple[Any, list[str]]:
    if text is not None:
        (folder / "grey.csv").write_text(text)
    toml = TomlFile(folder, {"target": {"reflectance": "grey.csv"}}, {}, [])
    return read_reflectance(toml, "grey.csv"), toml.faults


def test_a_table_of_reflectance_is_read_under_a_header_or_not(tmp_path: Path) -> None:
    for header in ("", "nm,factor\n"):
        found, faults = reflectance(tmp_path, f"{header}400,0.18\n550,0.2,note\n700,1.2\n")
        assert faults == []
        assert [part.tolist() for part in found] == [[400.0, 550.0, 700.0], [0.18, 0.2, 1.2]]
        assert isinstance(found[0], np.ndarray)
    assert reflectance(tmp_path, "380,0.1\n780,0.2\n")[1] == []
    assert read_reflectance(TomlFile(tmp_path, {}, {}, []), "") is None


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("400,0.18\n400,0.2\n700,0.2\n", ["grey.csv row 2: 400 nm after 400 nm; sort wavelengths upwards"]),
        ("400,0\n700,1.21\n", [
            "grey.csv row 1: factor 0; write a share of 1, such as 0.18, up to 1.2",
            "grey.csv row 2: factor 1.21; write a share of 1, such as 0.18, up to 1.2",
        ]),
        ("nm,factor\n400,0.2\nx,0.2\n600\n700,0.2\n", [
            "grey.csv row 3: not two numbers; write nm and factor",
            "grey.csv row 4: not two numbers; write nm and factor",
        ]),
        ("401,0.2\n700,0.2\n", ["grey.csv: covers 401 to 700 nm; 400 to 700 nm are needed"]),
        ("400,0.2\n699,0.2\n", ["grey.csv: covers 400 to 699 nm; 400 to 700 nm are needed"]),
        ("nm,factor\n400,0.2\n", ["grey.csv: covers 400 to 400 nm; 400 to 700 nm are needed"]),
        ("nm,factor\n", ["grey.csv: covers nothing; 400 to 700 nm are needed"]),
    ],
)  # fmt: skip
def test_a_table_of_reflectance_with_a_fault_says_which(tmp_path: Path, text: str, faults: list[str]) -> None:
    assert reflectance(tmp_path, text) == (None, faults)


def test_a_table_of_reflectance_that_is_not_there(tmp_path: Path) -> None:
    found, faults = reflectance(tmp_path, None)
    assert found is None
    assert len(faults) == 1
    assert 'no file "grey.csv"' in faults[0]
    (tmp_path / "grey.csv").mkdir()
    assert read_reflectance(toml := TomlFile(tmp_path, {}, {}, []), "grey.csv") is None
    assert len(toml.faults) == 1
