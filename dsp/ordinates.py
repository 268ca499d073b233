"""How many independent ordinates the average of neighbouring spectral bins is worth.

A bin of a windowed spectrum of Gaussian noise is a complex Gaussian variable; two of them have the covariance

    C_jk = integral S(f) W(f - f_j) W(f - f_k) df

with the density ``S`` and the window's transform ``W`` (Percival and Walden 1993, section 6.3). Their squares have the
covariance ``|C_jk|^2``, and an average whose squared mean is ``n`` times its variance is distributed nearly as one of
``n`` independent exponential ordinates (Welch 1967). Over a flat floor bins two apart are next to independent. Of a band
that is narrower than a bin is wide all bins around show the same few values, and their average scatters as one of them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.source import Floats

Ints = NDArray[np.int64]

# bins to either side in which a Hann window gathers all that matters: beyond lie 1e-8 of it (Harris 1978)
_HALF = 12
# steps in a bin at which the density is taken, so that the main lobe, four bins wide, is sampled well
_STEPS = 8
# share of the highest density that is as good as none: far over what the sums below are rounded by
_NOTHING = 1e-10


def reach_of(bins: int) -> Ints:
    """Bins (bins,) to either side that are averaged, fewer next to the ends, of spectra with so many."""
    first, last = 2, bins - 2
    at = np.arange(bins)
    most = np.minimum(4 if bins > 100 else 2, np.minimum(at - first, last - at))
    return np.maximum(most, 0)


def equal_ordinates(bins: int) -> Floats:
    """Independent ordinates (bins,) of averages over `reach_of` bins of a flat floor: power correlation 4/9, 1/36."""
    wide = 2 * reach_of(bins) + 1
    return np.asarray(wide**2 / (wide + 2.0 * (wide - 1) * 4.0 / 9.0 + 2.0 * np.maximum(wide - 2, 0) / 36.0))


def coloured_ordinates(bins: int, floor_hz: Floats, floor: Floats) -> Floats:
    """The same of a floor (n,) at ``floor_hz`` (n,), from zero to half the sample rate."""
    from scipy.signal import fftconvolve

    length = 2 * (bins - 1)
    hz = np.linspace(0.0, floor_hz[-1], length // 2 * _STEPS + 1)
    density = np.exp(np.interp(hz, floor_hz, np.log(np.maximum(floor / floor.max(), _NOTHING))))
    density = np.pad(density, _HALF * _STEPS, mode="reflect")
    reach = reach_of(bins)
    middle = np.clip(np.arange(bins), 2, bins - 2)
    x = np.arange(-_HALF * _STEPS, _HALF * _STEPS + 1) / _STEPS
    variance, scatter = np.zeros(bins), np.zeros(bins)
    widest = int(reach.max())
    for apart in range(2 * widest + 1):
        kernel = _hann(x) * _hann(x - apart)
        both = fftconvolve(density, kernel[::-1], mode="valid")[::_STEPS]
        # pairs that lie so far apart within what is averaged, one by one: floors range too far for running sums
        for first in range(-widest, widest + 1 - apart):
            within = (first >= -reach) & (first + apart <= reach)
            pair = both[np.where(within, middle + first, middle)]
            if apart == 0:
                variance += np.where(within, pair, 0.0)
            scatter += np.where(within, (1.0 if apart == 0 else 2.0) * pair**2, 0.0)
    # never less, which rounding knows nothing of far down the skirts
    return np.asarray(np.maximum(variance**2 / scatter, 1.0))


def _hann(x: Floats) -> Floats:
    """Transform of a Hann window, in bins from its middle (Harris 1978)."""
    return np.asarray(np.sinc(x) + 0.5 * np.sinc(x - 1.0) + 0.5 * np.sinc(x + 1.0))
