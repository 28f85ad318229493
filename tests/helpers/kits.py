"""A session whose lights read exactly what is written down, with a doubt that is written down too: no frame, no fit.

`drift_of` puts cells, estimates and frames together by hand and lets `analyse` make its tables of them, so that what is
found of a kit can be told from a few numbers.
"""

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd

from greystep.compare import drift as drifts
from greystep.compare.blocks import Watch
from greystep.compare.cells import Cells
from greystep.compare.drift import Drift
from greystep.compare.fit import Estimates
from greystep.compare.joint_fit import Fitted
from greystep.session.settings import Settings
from helpers import synthetic

Table = Sequence[Sequence[float | None]]
#: What other parts a light can be on, by the columns of the log.
Parts = dict[str, Sequence[Sequence[str]]]


def drift_of(
    mired: Table,
    duv: Table | None = None,
    output: Table | None = None,
    sd: float | Sequence[float] = 0.1,
    dof: float | Sequence[float] = 20.0,
    place: float = 0.0,
    stops: Table | None = None,
    bodies: Sequence[str] | None = None,
    parts: Parts | None = None,
    names: str = "ABCDEFGH",
    n: int = 3,
    settings: Settings | None = None,
    **of_cells: Any,
) -> Drift:
    """Return what a session of exact lights says.

    Args:
        mired, duv, output: Of each head (rows) at each power; None for a light without a usable frame. Duv 0 and output
            as set are usual.
        sd, dof: Standard uncertainty of each light of a head [mired] (a thousandth of that in Duv, a hundredth in
            stops), and its degrees of freedom.
        place: Standard uncertainty of a head's place.
        stops: 0, 1, 2, ... are usual.
        parts: ``pack`` and others of each light.
        of_cells: Fields of `Cells` in place of the usual ones: doubts, and bad and shot of `Cells.heads`.
    """
    flat = [(head, at) for head, row in enumerate(mired) for at in range(len(row))]
    head = np.array([one for one, _ in flat])

    def column(table: Table | None, usual: float) -> np.ndarray:
        values = [usual if table is None else table[one][at] for one, at in flat]
        lost = [mired[one][at] is None for one, at in flat]
        return np.array([np.nan if gone or value is None else value for value, gone in zip(values, lost, strict=True)])

    at_stops = np.array([float(at if stops is None else stops[one][at] or 0.0) for one, at in flat])
    power = [synthetic.POWERS[int(one)] if one in range(len(synthetic.POWERS)) else f"-{one:g}" for one in at_stops]
    body = bodies or ["One"] * len(mired)
    values = {"mired": column(mired, np.nan), "duv": column(duv, 0.0), "output_stops": column(output, 0.0) - at_stops}
    values["u_prime"] = 0.2045 + 0.0004 * (values["mired"] - 180.0) - 0.3 * values["duv"]
    values["v_prime"] = 0.4800 + 0.00025 * (values["mired"] - 180.0) + 1.2 * values["duv"]
    known = np.isfinite(values["mired"])
    table = pd.DataFrame(
        {"body": [body[one] for one in head], "head": [names[one] for one in head]}
        | {name: [cells[one][at] for one, at in flat] for name, cells in (parts or {}).items()}
        | {"power": power, "stops": at_stops, "n": np.where(known, n, 0), "n_outlier": 0}
    )
    label = [f"{names[one]} ({body[one]})" if names.count(names[one]) > 1 else names[one] for one in range(len(mired))]
    series = table.groupby(["body", "head", *(parts or {})], sort=False).ngroup().to_numpy()
    several = pd.Series(series).groupby(head).nunique()[head].to_numpy() > 1
    more = {name: of_cells.pop(name, 0 if name == "bad" else 9) for name in ("bad", "shot")}
    heads = pd.DataFrame({"body": body, "head": list(names[: len(mired)]), "label": label, **more, "fault": "clipped"})
    usual = {
        "names": np.array([
            f"{one} on {cell}" if gone and cell else one
            for one, cell, gone in zip(power, table.get("pack", [""] * len(head)), several, strict=True)
        ], dtype=object),
        "colourless": np.zeros(len(head), dtype=bool), "doubts": np.full(len(head), "", dtype=object),
    }  # fmt: skip
    given = {name: np.array(values, dtype=usual[name].dtype) for name, values in of_cells.items()}
    varying = (*(("body",) if len(set(body)) > 1 else ()), *(parts or {}))
    cells = Cells(table, head, series, heads, varying, several, **usual | given)  # type: ignore[arg-type]

    watch = Watch(0.0, 0.0, 0.0, 5.0)
    wide = np.broadcast_to(np.asarray(sd, dtype=float), len(mired))[head]
    free = np.broadcast_to(np.asarray(dof, dtype=float), len(mired)).copy()
    same = (head[:, None] == head).astype(float)

    def fitted(name: str) -> Fitted:
        size = {"mired": 1.0, "duv": 1e-3, "output_stops": 0.01}.get(name, 5e-4)
        own = [np.diag(np.where((head == one) & known, (size * wide) ** 2, 0.0)) for one in range(len(mired))]
        rest = np.zeros((4, len(head), len(head)))
        rest[2] = same * known * known[:, None] * (place * size) ** 2 * (name != "output_stops")
        estimates = Estimates(values[name], np.array([*own, *rest]), np.array([*free, 1.0, 5.0, np.inf, np.inf]))
        none, nothing = np.zeros(len(mired)), np.zeros(int(known.sum()))
        sums = free * np.array([np.median(wide[head == one]) for one in range(len(mired))]) ** 2 * size**2 * n
        return Fitted(
            estimates, none, none * np.nan, np.full((len(mired), len(mired) + 4), np.nan), sums, free, nothing,
            values[name][known], nothing, watch,
        )  # fmt: skip

    used = np.flatnonzero(known)
    every = np.arange(len(used))
    heat = SimpleNamespace(
        driver="energy", tau=50.0, separable=np.ones(len(mired), bool), kept=np.zeros(len(mired), bool), doubt=0.0
    )
    frames: Any = SimpleNamespace(
        rows=every, cell=used, head=head[used], stops=at_stops[used], warmth=np.zeros(len(used)), rounds=1,
        block=head[used], proven=np.ones(len(used), bool), heat=heat, seconds=10.0 * every, turns=head[used],
        checks=pd.DataFrame({name: [] for name in ("head", "stops", "visit")}),
    )  # fmt: skip
    fits = {name: fitted(name) for name in values}
    with (
        mock.patch.object(drifts, "find_cells", return_value=(cells, frames)),
        mock.patch.object(drifts, "fit_cells", return_value=fits),
    ):
        return drifts.analyse(pd.DataFrame(), settings or synthetic.make_session())
