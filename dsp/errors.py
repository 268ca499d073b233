"""Errors raised by ``dsp``.

DspError
├── BadInputError     samples, rate or settings that cannot be worked on
└── CancelledError    the caller asked to stop
"""


class DspError(Exception):
    """Base of everything that ``dsp`` raises on purpose."""


class BadInputError(DspError, ValueError):
    """Samples, sample rate or settings that cannot be worked on."""


class CancelledError(DspError):
    """The caller's ``cancelled`` callback answered true."""
