"""Where results go: standard output or a file that is either whole or not there."""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from app.errors import UsageError

STANDARD_OUTPUT = "-"
# all but line ends, plain ASCII and Latin letters; what it finds is looked at one by one
_CONTROLS = re.compile("[^\\n -~\u00a1-\u024f]")


def check_targets(targets: Sequence[str | os.PathLike[str] | None], inputs: Iterable[Path]) -> None:
    """Refuse, before any work, places that nothing can be written to.

    Raises
    ------
    app.errors.UsageError : two results for one place, a folder, no folder to write in, or an input file.
    """
    given = [os.fspath(target) for target in targets if target is not None]
    if len(set(given)) < len(given):
        raise UsageError("two results are to go to the same place; give each its own path")
    sources = {path.resolve() for path in inputs}
    for name in given:
        if name == STANDARD_OUTPUT:
            continue
        path = Path(name)
        if path.is_dir():
            raise UsageError(f"{name} is a folder; give the path of a file to write")
        if not path.absolute().parent.is_dir():
            raise UsageError(f"{name} cannot be written, its folder does not exist; create the folder first")
        if path.resolve() in sources:
            raise UsageError(f"{name} is one of the inputs and stays as it is; write to another path")


def say(text: str) -> None:
    """Put text for people on standard output; what a file says cannot turn into orders to the terminal.

    CWE-150, *Improper Neutralization of Escape, Meta, or Control Sequences*: control characters, and marks that turn
    the direction of writing around, become blanks. Line ends stay; who builds the text keeps others out (`one_line`).
    """
    if _CONTROLS.search(text):
        text = "".join(c if c == "\n" or c.isprintable() or _is_half(c) else " " for c in text)
    sys.stdout.write(text)


def _is_half(char: str) -> bool:
    """Half of a surrogate pair: a byte of a file's name that is no UTF-8, which is written as such."""
    return "\ud800" <= char <= "\udfff"


def write_text(target: str, text: str) -> None:
    """Put ``text`` where `write_pieces` would."""
    write_pieces(target, [text])


def write_pieces(target: str, pieces: Iterable[str]) -> None:
    """Put a text that comes in pieces on standard output (``-``), or in the file as a whole.

    A file is written beside its name and moved there in one step; what was there before stays until then.

    Raises
    ------
    app.errors.UsageError : the place cannot be written to; nothing is left there.
    """
    if target == STANDARD_OUTPUT:
        sys.stdout.writelines(pieces)
        return
    path = Path(target).resolve()
    try:
        if path.exists() and not path.is_file():
            # a device or a pipe: nothing to replace
            with path.open("w", encoding="utf-8", errors="backslashreplace", newline="\n") as file:
                file.writelines(pieces)
        else:
            _replace(path, pieces)
    except OSError as error:
        raise UsageError(
            f"{target} cannot be written ({error.strerror or error}); choose another place"
        ) from error


def _replace(path: Path, pieces: Iterable[str]) -> None:
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with beside.open("x", encoding="utf-8", errors="backslashreplace", newline="\n") as file:
            file.writelines(pieces)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, beside)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
