"""The line at the bottom of the window: what the mouse does, what is under way, what is in view."""

from __future__ import annotations

from PySide6.QtWidgets import QLabel, QStatusBar, QWidget


def fill_status_bar(bar: QStatusBar, work: QWidget) -> tuple[QLabel, QLabel]:
    """Put ``work`` between two labels, which are given back: what the mouse does, and what is in view."""
    bar.setObjectName("statusBar")
    hint, seen = QLabel("", bar), QLabel("", bar)
    for label, name, words in (
        (hint, "mouseHint", "What the mouse does here"),
        (seen, "visibleRange", "What is in view"),
    ):
        label.setObjectName(name)
        label.setAccessibleName(words)
    bar.addWidget(hint, 1)
    bar.addPermanentWidget(work)
    bar.addPermanentWidget(seen)
    return hint, seen
