"""A picture in a file: PNG or SVG as it is shown, CSV with the numbers in it."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from app.errors import UsageError
from app.gui.picture import save_picture, write_whole
from app.gui.pictures.api import Picture
from app.gui.pictures.view import PictureView


def export_plot(view: PictureView, path: Path) -> None:
    """Write what ``view`` shows.

    Raises
    ------
    app.errors.UsageError : there is no picture, the ending is none of the three, or the file cannot be written.
    """
    if view.picture is None:
        raise UsageError("There is no picture to export; show one first.")
    if path.suffix.lower() == ".csv":
        write_whole(path, table_text(view.picture).encode())
    elif path.suffix.lower() in (".png", ".svg"):
        save_picture(view, path)
    else:
        raise UsageError(f"{path}: a picture can be .png or .svg, its numbers .csv; choose one of the three")


def table_text(picture: Picture) -> str:
    """The numbers, a column each under its name with the unit in it; shorter columns end empty, as do gaps."""
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
