"""Files of pictures and tables that appear only when they are whole."""

from __future__ import annotations

from pathlib import Path

from app.errors import UsageError


def write_whole(path: Path, content: bytes) -> None:
    """Write a file that appears only when it is whole.

    Raises
    ------
    app.errors.UsageError : the file cannot be written.
    """
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(content)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise UsageError(f"{path}: it cannot be written ({error.strerror}); choose another folder") from error
