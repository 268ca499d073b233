"""Results written out as they come and put together at the end, so that thousands of files fit in memory."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from typing import IO

from app.cli.batch import FileReport
from app.cli.tables import CSV_FIELDS, decode_rows
from app.jobs.contract import decode_document, decode_entry, error_entry, to_text

_IN_MEMORY = 16 << 20
_BLOCK = 1 << 20


class Collected:
    """The JSON document and the rows of reports that were added one by one; a context."""

    def __init__(self, *, json: bool, csv: bool) -> None:
        self._results = _spool() if json else None
        self._errors = _spool() if json else None
        self._rows = _spool() if csv else None
        self._count = {"results": 0, "errors": 0}

    def __enter__(self) -> Collected:
        return self

    def __exit__(self, *_: object) -> None:
        for spool in (self._results, self._errors, self._rows):
            if spool is not None:
                spool.close()

    def add(self, report: FileReport) -> None:
        if report.outcome is not None:
            if self._results is not None:
                entry = decode_entry(str(report.path), report.sha256, report.outcome)
                self._put(self._results, "results", to_text(entry))
            if self._rows is not None:
                rows = decode_rows([(str(report.path), report.outcome)])
                self._rows.write(rows.partition("\n")[2])
        if report.error is not None and self._errors is not None:
            self._put(self._errors, "errors", to_text(error_entry(str(report.path), report.error)))

    def json_pieces(self, version: str) -> Iterator[str]:
        """The whole of ``decode --json``."""
        head, middle, tail = to_text(decode_document(version, [], [])).split("[]")
        for text, spool in ((head, self._results), (middle, self._errors)):
            yield f"{text}["
            if spool is not None:
                yield from _blocks(spool)
            yield "]"
        yield tail

    def csv_pieces(self) -> Iterator[str]:
        """The whole of ``decode --csv``."""
        yield ",".join(CSV_FIELDS) + "\n"
        if self._rows is not None:
            yield from _blocks(self._rows)

    def _put(self, spool: IO[str], name: str, text: str) -> None:
        spool.write((", " if self._count[name] else "") + text.rstrip("\n"))
        self._count[name] += 1


def _spool() -> IO[str]:
    return tempfile.SpooledTemporaryFile(
        _IN_MEMORY, "w+", encoding="utf-8", errors="surrogatepass", newline=""
    )


def _blocks(spool: IO[str]) -> Iterator[str]:
    spool.seek(0)
    while block := spool.read(_BLOCK):
        yield block
