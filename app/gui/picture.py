"""A widget as a picture in a file: PNG, or SVG that stays sharp at any size."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QBuffer, QByteArray, QIODevice, QPoint
from PySide6.QtGui import QPainter
from PySide6.QtSvg import QSvgGenerator
from PySide6.QtWidgets import QWidget

from app.errors import UsageError


def save_picture(widget: QWidget, path: Path) -> None:
    """Write what ``widget`` shows; the file appears only when it is whole.

    Raises
    ------
    app.errors.UsageError : neither PNG nor SVG, or the file cannot be written.
    """
    suffix = path.suffix.lower()
    if suffix not in (".png", ".svg"):
        raise UsageError(f"{path}: a picture can be .png or .svg; choose one of the two")
    content = _png(widget) if suffix == ".png" else _svg(widget)
    write_whole(path, content)


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


def _png(widget: QWidget) -> bytes:
    held = QByteArray()
    buffer = QBuffer(held)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    widget.grab().save(buffer, "PNG")
    return bytes(held.data())


def _svg(widget: QWidget) -> bytes:
    held = QByteArray()
    buffer = QBuffer(held)
    generator = QSvgGenerator()
    generator.setOutputDevice(buffer)
    generator.setSize(widget.size())
    generator.setViewBox(widget.rect())
    generator.setTitle(widget.accessibleName())
    painter = QPainter(generator)
    # plots have a render of their own, of their scene alone
    QWidget.render(widget, painter, QPoint(0, 0))
    painter.end()
    return bytes(held.data())
