"""The document's changes as a Qt signal, and commands that may be refused without raising."""

from __future__ import annotations

from collections.abc import Hashable

from PySide6.QtCore import QObject, Signal

from app.gui.messages import Message
from app.model.changes import Change
from app.model.commands import Command, CommandError
from app.model.document import Document


class DocumentBridge(QObject):
    """``changed(Change)`` after each change of the document; ``refused(Message)`` for one it refused."""

    changed = Signal(object)
    refused = Signal(object)

    def __init__(self, document: Document, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.document = document
        self._stop = document.listen(self._tell)

    def run(self, command: Command, gesture: Hashable = None) -> bool:
        """Make a change; False if it was refused, which has been told."""
        try:
            self.document.run(command, gesture)
        except CommandError as error:
            self.refused.emit(Message(str(error), weight="error"))
            return False
        return True

    def close(self) -> None:
        """Stop listening."""
        self._stop()

    def _tell(self, change: Change) -> None:
        self.changed.emit(change)
