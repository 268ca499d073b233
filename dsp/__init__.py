"""Signal estimation and decoding of two-wire links: samples and a rate in, bits and their certainty out.

`decode` does it all. Each step can be taken by itself, in this order:

1. `make_record` wraps samples, `looked_at` sees whether their level wanders and in what steps they come;
   `estimate_noise` finds the floor of the spectrum and steady lines on it.
2. `find_activity` and `cut` find where anything is sent.
3. `discover` finds carrier and symbol period of that; `Conditioner` takes away what is not the transmission.
4. `extract` finds and fits every transmission (`Fits`); `runs_of` gives its symbols, `flip_times` its flips.
5. `pooled_period` and `talkers_of` estimate what transmissions share; `decide_ends`, `confidence` and `fitness` tell
   how sure it all is; `to_bits` turns symbols into bits.

Names are loaded when they are first used, so that importing this package costs nothing.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dsp.activity import find_activity
    from dsp.condition import Conditioner
    from dsp.decoder import decode
    from dsp.discover import discover
    from dsp.ends import decide_ends
    from dsp.extract import Model, extract
    from dsp.fits import Fits
    from dsp.flips import flip_times
    from dsp.hand import fit_grid
    from dsp.linecode import to_bits
    from dsp.look import looked_at
    from dsp.noise import estimate_noise
    from dsp.period import pooled_period
    from dsp.quality import confidence, fitness
    from dsp.results import Burst, Decode, DecodeSettings
    from dsp.runs import runs_of
    from dsp.segment import cut
    from dsp.source import make_record
    from dsp.talkers import talkers_of

_HOMES = {
    "Burst": "results",
    "Conditioner": "condition",
    "Decode": "results",
    "DecodeSettings": "results",
    "Fits": "fits",
    "Model": "extract",
    "confidence": "quality",
    "cut": "segment",
    "decide_ends": "ends",
    "decode": "decoder",
    "discover": "discover",
    "estimate_noise": "noise",
    "extract": "extract",
    "find_activity": "activity",
    "fit_grid": "hand",
    "fitness": "quality",
    "flip_times": "flips",
    "looked_at": "look",
    "make_record": "source",
    "pooled_period": "period",
    "runs_of": "runs",
    "talkers_of": "talkers",
    "to_bits": "linecode",
}

__all__ = [
    "Burst",
    "Conditioner",
    "Decode",
    "DecodeSettings",
    "Fits",
    "Model",
    "confidence",
    "cut",
    "decide_ends",
    "decode",
    "discover",
    "estimate_noise",
    "extract",
    "find_activity",
    "fit_grid",
    "fitness",
    "flip_times",
    "looked_at",
    "make_record",
    "pooled_period",
    "runs_of",
    "talkers_of",
    "to_bits",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'dsp' has no attribute {name!r}")
    return getattr(import_module(f"dsp.{_HOMES[name]}"), name)


class _Package(ModuleType):
    """A package of which a step that has the name of its module stays the step once that module is loaded."""

    def __setattr__(self, name: str, value: object) -> None:
        # importing a module sets it as an attribute of its package
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
