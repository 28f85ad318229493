"""The reflectance of the grey target, from a table of its own."""

import math
import os

import numpy as np

from greystep.doors import read_number
from greystep.errors import GreystepError
from greystep.session.csvfile import read_rows
from greystep.session.toml_file import TomlFile, existing_path


def read_reflectance(toml: TomlFile, name: str) -> tuple[np.ndarray, np.ndarray] | None:
    """Read the target's reflectance: wavelength [nm] and factor a row, under a header or not.

    Args:
        toml: Every fault is noted in it.
        name: Of the file, as session.toml says it; blank where it says none.

    Returns: Wavelengths [nm], rising, and the factors there; None where none is said, or it has a fault.
    """
    if not name:
        return None
    path = existing_path(toml, ("target", "reflectance"), name, folder=False)
    if not os.path.lexists(path):
        return None
    try:
        rows = read_rows(path)
    except GreystepError as error:
        toml.faults.append(str(error))
        return None
    nm: list[float] = []
    factor: list[float] = []
    before = len(toml.faults)
    for place, (row, cells) in enumerate(rows):
        try:
            wavelength, value = (read_number(cell, "", (-math.inf, math.inf), "") for cell in cells[:2])
        except (ValueError, GreystepError):
            if place > 0:  # the first row may be a header
                toml.faults.append(f"{name} row {row}: not two numbers; write nm and factor")
            continue
        if nm and not wavelength > nm[-1]:
            toml.faults.append(f"{name} row {row}: {wavelength:g} nm after {nm[-1]:g} nm; sort wavelengths upwards")
        if not 0 < value <= 1.2:
            toml.faults.append(f"{name} row {row}: factor {value:g}; write a share of 1, such as 0.18, up to 1.2")
        nm.append(wavelength)
        factor.append(value)
    if len(toml.faults) > before:
        return None
    if len(nm) < 2 or nm[0] > 400 or nm[-1] < 700:
        covers = f"{nm[0]:g} to {nm[-1]:g} nm" if nm else "nothing"
        toml.faults.append(f"{name}: covers {covers}; 400 to 700 nm are needed")
        return None
    return np.array(nm), np.array(factor)
