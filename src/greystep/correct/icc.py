"""An ICC profile of a linear working space, so that a viewer shows a linear TIFF as it is meant.

Layout of ICC.1:2010 (profile version 4.3), from memory; the tests have another library read it.
"""

import struct

import numpy as np

from greystep.measure import chromaticity
from greystep.published import ICC_PCS_WHITE


def linear_profile(space: str, name: str) -> bytes:
    """Return a display profile: the primaries of a space of `greystep.measure.chromaticity.SPACES`, and no curve.

    Parameters
    ----------
    space : str
        Name of the space.
    name : str
        What people read; ASCII.
    """
    from_xyz, white = chromaticity.working_space(space)
    adapt = chromaticity.bradford(white, ICC_PCS_WHITE)
    primaries = adapt @ np.linalg.inv(from_xyz)
    straight = b"curv" + bytes(8)
    parts = {
        "desc": _localised(name),
        "cprt": _localised("No copyright; use freely"),
        "wtpt": _xyz(ICC_PCS_WHITE),
        "chad": b"sf32" + bytes(4) + _fixed(adapt.ravel()),
        "rXYZ": _xyz(primaries[:, 0]),
        "gXYZ": _xyz(primaries[:, 1]),
        "bXYZ": _xyz(primaries[:, 2]),
        "rTRC": straight,
        "gTRC": straight,
        "bTRC": straight,
    }
    table, body = struct.pack(">I", len(parts)), b""
    behind = 128 + 4 + 12 * len(parts)
    for tag, data in parts.items():
        table += struct.pack(">4sII", tag.encode("ascii"), behind + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    size = behind + len(body)
    header = struct.pack(">I4sI4s4s4s", size, bytes(4), 0x04300000, b"mntr", b"RGB ", b"XYZ ")
    header += struct.pack(">6H4s", 2020, 1, 1, 0, 0, 0, b"acsp")  # a fixed date: the same space gives the same bytes
    header += bytes(28) + _fixed(ICC_PCS_WHITE)
    return header.ljust(128, b"\0") + table + body


def _fixed(values: np.typing.ArrayLike) -> bytes:
    """Pack numbers as s15Fixed16."""
    return np.round(np.asarray(values, np.float64) * 65536.0).astype(">i4").tobytes()


def _xyz(values: np.typing.ArrayLike) -> bytes:
    return b"XYZ " + bytes(4) + _fixed(values)


def _localised(text: str) -> bytes:
    """Pack a text in one language (multiLocalizedUnicodeType)."""
    coded = text.encode("utf-16-be")
    return b"mluc" + struct.pack(">III2s2sII", 0, 1, 12, b"en", b"US", len(coded), 28) + coded
