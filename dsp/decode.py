"""The whole way from samples to bits."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from dsp.results import Decode, DecodeSettings, Refusal, Signalling


class SampleSource(Protocol):
    """Anything of known length that gives an array for ``source[a:b]``: an array, a memory map, a lazy channel."""

    def __len__(self) -> int: ...

    def __getitem__(self, key: slice, /) -> NDArray[Any]: ...


def decode(
    samples: SampleSource,
    rate_hz: float,
    *,
    start_s: float = 0.0,
    scale: float = 1.0,
    offset: float = 0.0,
    settings: DecodeSettings | None = None,
    segments: tuple[tuple[int, int, float], ...] | None = None,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Decode:
    """Find the bursts in one channel and decode them, told nothing in advance or anything.

    Parameters
    ----------
    samples : one-dimensional real samples in their stored type; read only by slices ``samples[a:b]``.
    rate_hz : sample rate.
    start_s : time of the first sample.
    scale, offset : ``value = stored * scale + offset``.
    settings : what is known already.
    segments : ``(first, last, start_s)`` of each contiguous stretch; nothing is decoded across an edge.
    progress : called now and then with the fraction done, 0 to 1.
    cancelled : asked now and then; True makes `dsp.errors.CancelledError` come out.

    Raises
    ------
    dsp.errors.BadInputError : rate not positive and finite, samples not one-dimensional and real, or a carrier
        told above half the sample rate.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    _ = np
    return Decode(
        settings or DecodeSettings(),
        Signalling("none", 1.0),
        (),
        Refusal("not-built", "the decoder is being written"),
    )
