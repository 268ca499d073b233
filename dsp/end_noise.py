"""Noise that symbols have where they are sent, and silence beside them, where the two are not alike.

Clipping holds a strong carrier to its two levels and lets the noise of a silence through: whether one more symbol is sent
is then asked of two Gaussians that differ in mean and in variance (Van Trees 1968, section 2.6: the general Gaussian
problem), and lies nearer to what is sent than half way. Some symbols are shorter than most, where noise happens to meet
slopes of the carrier: those that are sent are a mixture of two variances, found by expectation-maximisation (Dempster,
Laird and Rubin 1977).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.correlate import log_cosh
from dsp.fits import Fits
from dsp.quality import quiet_noise
from dsp.runs import Runs, turned_symbols
from dsp.source import Floats

# standard deviations by which silence must be noisier: chance makes it so once in 30,000 talkers
_CHANCE = 4.0
# noise beside transmissions over that of the floor, whose estimate errs upwards, above which a neighbour is likelier
_NEIGHBOUR = 1.5
# silent symbols below which their median tells nothing
_FEWEST = 8
# symbols' power over the noise across them above which no sign is in doubt (one in 4000 wrong)
_SURE = 12.0
# least energy of a symbol over the mean, that of very few cycles
_LEAST = 0.05
# rounds of expectation-maximisation, after which a share changes by less than its own uncertainty
_ROUNDS = 20


@dataclass(frozen=True)
class EndNoise:
    """Variances per component, in units of the one assumed: ``sent`` along the carrier of symbols that are sent, and
    ``silent`` beside them. Both are 1 where the data do not tell them apart; a ``share`` of those sent has the variance
    ``wide``."""

    sent: float = 1.0
    silent: float = 1.0
    share: float = 0.0
    wide: float = 1.0

    @property
    def alike(self) -> bool:
        """Whether one variance is that of both."""
        return self.sent == self.silent == 1.0

    def over(self, noise: float) -> EndNoise:
        """The same where ``noise`` times the variance is assumed."""
        if self.alike:
            return self
        return EndNoise(self.sent / noise, self.silent / noise, self.share, self.wide / noise)

    def nats(self, along: Floats, energy: Floats, gain: Floats) -> Floats:
        """Log-likelihood ratio of symbols being sent, of correlations ``along`` the carrier, ``energy`` over the mean and
        ``gain``, all of one shape."""
        energy = np.maximum(energy, _LEAST)

        def of(variance: float) -> Floats:
            sent = log_cosh(gain * along / variance) - 0.5 * gain * gain * energy / variance
            if variance == self.silent:
                return np.asarray(sent)
            narrower = 0.5 * along * along / energy * (1.0 / self.silent - 1.0 / variance)
            return np.asarray(sent + narrower + 0.5 * np.log(self.silent / variance))

        if not self.share:
            return of(self.sent)
        return np.asarray(
            np.logaddexp(np.log(self.share) + of(self.wide), np.log1p(-self.share) + of(self.sent))
        )

    def nats_between(self, fits: Fits, edges: Floats) -> Floats:
        """The same of whatever lies between neighbouring ``edges`` (b, k + 1), as `dsp.fits.Fits.nats_between`."""
        if self.alike:
            return fits.nats_between(edges)
        sums = fits.turned.sums_of(edges)
        angle = np.broadcast_to(fits.angles(edges), sums.length.shape)
        y, due, _ = turned_symbols(sums, angle, fits.normal(), fits.period[:, None])
        return self.nats(y.real, due.real, fits.gain[:, None])


ALIKE = EndNoise()


def end_noise(runs: Runs, low: Floats, high: Floats) -> EndNoise:
    """What the symbols of a talker's ``runs`` show of both; silence is what lies between ``low`` and ``high`` (b,).

    The variance of ``runs`` is that of the floor: what is louder beside them is no silence, but another link's.

    Only silence that is noisier counts: what makes symbols differ by more than noise, tails of neighbours and edges that
    fall among few samples, is met by the first silent one as well.
    """
    across = float(np.mean(runs.symbols.imag**2))
    signal = float(np.mean(runs.gains**2))
    free = runs.symbols.size - 2 * len(runs)
    if free < _FEWEST or signal < _SURE * across:
        return ALIKE
    silent, told = quiet_noise(runs, (low, high))
    if told < _FEWEST or silent > _NEIGHBOUR:
        return ALIKE
    energy = np.maximum(runs.templates.real, _LEAST)
    off = (np.abs(runs.symbols.real) - runs.gains * energy) / np.sqrt(energy)
    sent = max(float(np.sum(off * off)) / free, 1e-9)
    # of the logarithms: of squares of Gaussians, and of a median of exponentials
    std = float(np.sqrt(2.0 / free + 1.0 / (np.log(2.0) ** 2 * told)))
    if np.log(silent / sent) < _CHANCE * std:
        return ALIKE
    # what could be silence is short, and clipping leaves none too long
    return _mixed(off[off < 0.0], sent, silent)


def _mixed(off: Floats, sent: float, silent: float) -> EndNoise:
    """Residuals ``off`` (n,) as a mixture of two variances, none larger than that of silence."""
    squares, share, wide = off * off, 0.5, silent
    for _ in range(_ROUNDS):
        narrow = (1.0 - share) / np.sqrt(sent) * np.exp(-0.5 * squares / sent)
        other = share / np.sqrt(wide) * np.exp(-0.5 * squares / wide)
        are_wide = other / np.maximum(narrow + other, 1e-300)
        rest = 1.0 - are_wide
        # one imagined symbol of either kind (Laplace's rule of succession), the wide one as noisy as silence
        many = float(are_wide.sum()) + 1.0
        share = many / (off.size + 2.0)
        wide = min((float(are_wide @ squares) + silent) / many, silent)
        sent = min(max(float(rest @ squares) / max(float(rest.sum()), 1e-9), 1e-6 * silent), silent)
    return EndNoise(sent, silent, share, wide)
