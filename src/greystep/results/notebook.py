"""What a result shows in a notebook."""

from collections.abc import Sequence
from html import escape

import pandas as pd


def html(title: str, said: Sequence[str], table: pd.DataFrame) -> str:
    """Return a heading, sentences and a table for a notebook; every label is shown as it was typed."""
    body = "".join(f"<p>{escape(line)}</p>" for line in said)
    return f"<h4>{escape(title)}</h4>{body}{table.to_html(index=False, na_rep='', float_format='{:.6g}'.format)}"
