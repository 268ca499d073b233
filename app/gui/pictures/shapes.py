"""Shapes of groups of points, so that they differ by more than colour."""

from __future__ import annotations

SHAPES = ("o", "s", "t", "d", "+", "x", "star", "p")
