"""The program's version, as JSON, sessions and ``--version`` name it."""

from __future__ import annotations


def program_version() -> str:
    """Version of the installed program; ``0+unknown`` in a checkout that was never installed."""
    from importlib import metadata

    try:
        return metadata.version("halfturn")
    except metadata.PackageNotFoundError:
        return "0+unknown"
