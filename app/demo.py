"""Where the built-in demo capture is, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path

NAME = "greenhouse-line.csv"


def demo_path() -> Path:
    """Path of the demo capture.

    Raises
    ------
    FileNotFoundError : the installation lacks it.
    """
    here = Path(__file__).resolve().parent
    for folder in (here / "assets", here.parent / "assets"):
        if (folder / NAME).is_file():
            return folder / NAME
    raise FileNotFoundError(f"{NAME}: the demo capture is missing from this installation; install it again")
