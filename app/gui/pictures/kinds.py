"""All kinds of picture, in the order in which they are offered."""

from __future__ import annotations

from app.gui.pictures.api import PictureKind
from app.gui.pictures.intervals import INTERVALS
from app.gui.pictures.periods import PERIODS
from app.gui.pictures.phase import PHASE
from app.gui.pictures.rows import FOLDED, STACK
from app.gui.pictures.spectra import SPECTRUM, SQUARED
from app.gui.pictures.symbols import CONSTELLATION, EYE
from app.gui.pictures.talkers import TALKERS

KINDS: tuple[PictureKind, ...] = (
    SPECTRUM,
    SQUARED,
    PHASE,
    INTERVALS,
    EYE,
    CONSTELLATION,
    TALKERS,
    FOLDED,
    STACK,
    PERIODS,
)
