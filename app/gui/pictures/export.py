"""The numbers in a picture as a table."""

from __future__ import annotations

import io

import numpy as np

from app.gui.pictures.api import Picture


def table_text(picture: Picture) -> str:
    """The numbers, a column each under its name with the unit in it; shorter columns end empty, as do gaps."""
    import csv

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([name for name, _ in picture.columns])
    length = max((values.size for _, values in picture.columns), default=0)
    columns = [
        ["" if not np.isfinite(value) else format(float(value), ".12g") for value in values]
        + [""] * (length - values.size)
        for _, values in picture.columns
    ]
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue()
