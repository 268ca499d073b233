"""The symbol grid fitted to flips that were set by hand.

Edges lie at ``t0 + k T``. Of each mark the whole number ``k`` is unknown, a few marks may be wild, some flips may be
missing, and the scatter of the marks is mostly unknown too. `dsp.hand_search` finds the numbers; with them, period
and phase are fitted by weighted least squares over the marks on the grid (JCGM 100:2008, H.3). The uncertainties
average over what the residuals leave open of the scatter, large sizes of it being a little likelier beforehand than
small ones (`dsp.hand_search.sizes_nats`): nearly Student's t (JCGM 100:2008, G.3; JCGM 101:2008, 6.4.9), but that no
mark of a grid scatters by more than a quarter of a symbol.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.errors import BadInputError
from dsp.hand_search import (
    WIDEST,
    Marks,
    Modes,
    Prior,
    find_modes,
    open_prior,
    sizes_nats,
    sizes_of,
    tame,
    told_nats,
)
from dsp.results import Refusal
from dsp.source import Floats

SURE = 0.95
"""Below this probability the period of a grid is ambiguous."""
_CHANCE = math.log(
    20.0
)  # evidence needed; flips at random reach it at most once in twenty times, in fact rarely
_AT_ONCE = 64  # marks from which a period is sought; more of them only sharpen it
_HELD = 1.5  # marks on a grid, each counted by its belonging, between one and two
_PRIOR_STDS = 5.0
_ROUNDS = 6
_LISTED, _LISTED_MOST = 0.01, 6
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class GridFit:
    """A symbol grid: edge ``k`` lies at ``origin_s + k period_s``; edge 0 is that of the first mark on the grid.

    ``covariance_s2`` is that between origin and period; intervals are those of 95 %. ``marks_std_s`` is the standard
    uncertainty of one mark, as given (root mean square) or as found. Of each mark given, ``numbers`` has the nearest
    edge and ``residuals_s`` the distance from it; ``outliers`` are the indices of those off the grid.
    ``residual_rms_s`` is over the marks on it, ``freedom`` their number less two. ``probability`` is that of this
    period against all others, ``alternatives_bd`` are the rates not ruled out, most likely first. ``nats`` is the
    evidence of all periods together against flips at random.
    """

    rate_bd: float
    rate_std_bd: float
    rate_interval_bd: tuple[float, float]
    period_s: float
    period_std_s: float
    origin_s: float
    origin_std_s: float
    origin_interval_s: tuple[float, float]
    covariance_s2: float
    marks_std_s: float
    residual_rms_s: float
    freedom: int
    numbers: tuple[int, ...]
    residuals_s: tuple[float, ...]
    outliers: tuple[int, ...]
    probability: float
    alternatives_bd: tuple[float, ...]
    nats: float

    @property
    def is_ambiguous(self) -> bool:
        """Another period is too likely for bits to be made."""
        return self.probability < SURE

    def edge_s(self, number: int) -> float:
        """Time of an edge."""
        return self.origin_s + number * self.period_s

    def edge_std_s(self, number: int) -> float:
        """Standard uncertainty of an edge's time (JCGM 100:2008, 5.2.2)."""
        variance = self.origin_std_s**2 + 2 * number * self.covariance_s2 + (number * self.period_std_s) ** 2
        return math.sqrt(max(variance, 0.0))


@dataclass(frozen=True, eq=False)
class _Line:
    """Least squares at each size of the scatter: ``means`` (j, 2) of origin and period, ``covariances`` (j, 2, 2),
    ``shares`` (j,) the probability of that size, ``scatter_s`` the root mean square of them. ``belongs`` (n,) is the
    probability that a mark is on the grid."""

    means: Floats
    covariances: Floats
    shares: Floats
    belongs: Floats
    scatter_s: float

    def together(self) -> tuple[Floats, Floats]:
        """Mean (2,) and covariance (2, 2) over all sizes."""
        mean = self.shares @ self.means
        around = self.means - mean
        covariance = np.tensordot(self.shares, self.covariances, 1) + (self.shares * around.T) @ around
        return mean, covariance

    def interval(self, which: int) -> tuple[float, float]:
        """95 % interval of origin (0) or period (1)."""
        means, stds = self.means[:, which], np.sqrt(self.covariances[:, which, which])
        middle, most = float(self.shares @ means), float(stds.max())
        # fine about the middle and wide at the same time, as the sizes differ by powers of ten
        from scipy.special import ndtr

        steps = np.concatenate(([0.0], np.geomspace(1e-6, 6.0, 1200))) * most
        places = middle + np.concatenate((-steps[:0:-1], steps))
        below = ndtr((places[:, None] - means) / np.maximum(stds, 1e-300)) @ self.shares
        low, high = np.interp((0.025, 0.975), below, places)
        return float(low), float(high)


def fit_grid(
    times_s: ArrayLike,
    *,
    std_s: ArrayLike | None = None,
    rate_bd: float | None = None,
    rate_std_bd: float | None = None,
    search_bd: tuple[float, float] | None = None,
) -> GridFit | Refusal:
    """Fit a symbol grid to flips, or say why there is none.

    Parameters
    ----------
    times_s : (n,) times of flips in seconds, in any order; some may be missing, a few wrong.
    std_s : standard uncertainty of each, one number or (n,); None: found from the residuals.
    rate_bd, rate_std_bd : a symbol rate known from elsewhere with its standard uncertainty. It becomes part of the
        result.
    search_bd : the lowest and the highest rate to be tried, where they are known; part of the result in no other way.

    Returns
    -------
    A `GridFit`, perhaps ambiguous, or a refusal: ``too-few-flips``, or ``no-common-period`` where flips at random
    would do as well; at a known rate, where they would do better by a factor of twenty.

    Raises
    ------
    BadInputError : times that are not finite, a standard uncertainty or rate that is not above zero, a rate without
        its standard uncertainty or the reverse.
    """
    from scipy.special import logsumexp

    times, stds = _checked(times_s, std_s)
    known = _known(rate_bd, rate_std_bd, search_bd)
    kept, first, inverse = np.unique(times, return_index=True, return_inverse=True)
    least = 2 if known is not None and known.rate is not None else 3
    if kept.size < least:
        return Refusal(
            "too-few-flips", f"a symbol grid needs at least {least} flips at different times, not {kept.size}"
        )
    middle = float(kept.mean())
    marks = Marks(kept - middle, None if stds is None else stds[first], middle)
    prior = known or open_prior(marks)
    low, high = prior.low, prior.high
    if prior.rate is None and kept.size > _AT_ONCE:
        seed = _seed(marks, prior)
        if isinstance(seed, Refusal):
            return seed
        reach = max(6 * seed.rate_std_bd, 1.0 / marks.span)
        low, high = max(low, seed.rate_bd - reach), seed.rate_bd + reach
    modes = find_modes(marks, prior, low, high) if high > low else None
    # flips set by hand are truth, and where the rate is known as well, a grid is there unless they speak against it: to
    # ask for evidence would leave only flips that happen to lie much nearer to a grid than their scatter
    needed = _CHANCE if prior.rate is None else -_CHANCE
    if modes is None or not logsumexp(modes.nats) > needed:
        return Refusal(
            "no-common-period",
            f"the {kept.size} flips share no symbol period that flips at random would not show as well",
        )
    return _result(times, inverse, marks, modes, prior)


def _checked(times_s: ArrayLike, std_s: ArrayLike | None) -> tuple[Floats, Floats | None]:
    times = np.asarray(times_s, np.float64)
    if times.ndim != 1 or not np.isfinite(times).all():
        raise BadInputError("flips must be a row of finite times")
    if std_s is None:
        return times, None
    stds = np.asarray(std_s, np.float64)
    if stds.shape not in ((), times.shape) or not (np.isfinite(stds) & (stds > 0)).all():
        raise BadInputError("standard uncertainties of flips must be finite and above zero, one or one each")
    return times, np.broadcast_to(stds, times.shape)


def _known(rate: float | None, std: float | None, search: tuple[float, float] | None) -> Prior | None:
    if (rate is None) != (std is None):
        raise BadInputError("a symbol rate known beforehand needs its standard uncertainty, and the reverse")
    for value in (rate, std, *(search or ())):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise BadInputError("symbol rates and their uncertainties must be finite and above zero")
    if search is not None and not search[1] > search[0]:
        raise BadInputError("the highest rate to be tried must be above the lowest")
    if rate is not None and std is not None:
        low, high = max(rate - _PRIOR_STDS * std, 0.1 * rate), rate + _PRIOR_STDS * std
        return Prior(*(search or (low, high)), rate, std)
    return None if search is None else Prior(*search)


def _seed(marks: Marks, prior: Prior) -> GridFit | Refusal:
    """The grid of the marks that stand closest together."""
    starts = np.arange(marks.times.size - _AT_ONCE + 1)
    at = int(np.argmin(marks.times[starts + _AT_ONCE - 1] - marks.times[starts]))
    part = slice(at, at + _AT_ONCE)
    stds = None if marks.stds is None else marks.stds[part]
    times = marks.times[part]
    return fit_grid(times, std_s=stds, search_bd=None if prior.high <= prior.low else (prior.low, prior.high))


def _result(times: Floats, inverse: NDArray[np.intp], marks: Marks, modes: Modes, prior: Prior) -> GridFit:
    from scipy.special import logsumexp

    on, numbers, line = _fitted(marks, modes, prior)
    mean, covariance = line.together()
    origin, period = float(mean[0]), float(mean[1])
    period_std = math.sqrt(float(covariance[1, 1]))
    origin_low, origin_high = line.interval(0)
    period_low, period_high = line.interval(1)
    places = (times - marks.middle_s - origin) / period
    nearest = np.rint(places)
    residuals = (places - nearest) * period
    inside = on[inverse]
    share = np.exp(modes.nats - logsumexp(modes.nats))
    return GridFit(
        rate_bd=1.0 / period,
        rate_std_bd=period_std / period**2,
        # an interval that reaches down to no period at all leaves the rate open above
        rate_interval_bd=(1.0 / period_high, 1.0 / period_low if period_low > 0 else math.inf),
        period_s=period,
        period_std_s=period_std,
        origin_s=origin + marks.middle_s,
        origin_std_s=math.sqrt(float(covariance[0, 0])),
        origin_interval_s=(origin_low + marks.middle_s, origin_high + marks.middle_s),
        covariance_s2=float(covariance[0, 1]),
        marks_std_s=line.scatter_s,
        residual_rms_s=float(np.sqrt(np.mean(residuals[inside] ** 2))),
        freedom=int(on.sum()) - 2,
        numbers=tuple(int(k) for k in nearest),
        residuals_s=tuple(residuals.tolist()),
        outliers=tuple(np.flatnonzero(~inside).tolist()),
        probability=float(share[0]),
        alternatives_bd=_alternatives(1.0 / period, 1.0 / modes.periods[1:], share[1:], numbers[on]),
        nats=float(logsumexp(modes.nats)),
    )


def _alternatives(rate: float, rates: Floats, shares: Floats, numbers: Floats) -> tuple[float, ...]:
    """Rates of the other grids; of flips at one distance only, every whole multiple of the rate is one of them."""
    listed = rates[shares >= _LISTED].tolist()
    if np.unique(np.diff(numbers)).size == 1:
        listed += [
            m * rate for m in (2.0, 3.0) if not np.any(np.abs(np.array(listed) / (m * rate) - 1) < 0.05)
        ]
    return tuple(listed[:_LISTED_MOST])


def _fitted(marks: Marks, modes: Modes, prior: Prior) -> tuple[Mask, Floats, _Line]:
    """The marks on the most likely grid (n,), their numbers (n,), counted from the first on it, and the fit."""
    period, origin = float(modes.periods[0]), float(modes.origins[0])
    numbers = modes.numbers[0]
    for _ in range(2):
        numbers = np.rint((marks.times - origin) / period)
        line = _line(marks, numbers, origin, period, prior)
        origin, period = (float(value) for value in line.together()[0])
    on: Mask = line.belongs > 0.5
    first = float(numbers[int(np.argmax(on))])
    return on, numbers - first, _line(marks, numbers - first, origin + first * period, period, prior)


def _line(marks: Marks, numbers: Floats, origin: float, period: float, prior: Prior) -> _Line:
    """The fit at each size of the scatter, each mark weighed by its belonging to the grid."""
    from scipy.special import logsumexp

    t = marks.times
    if marks.stds is None:
        sizes = sizes_of(marks, prior)
        sizes = sizes[sizes <= max(WIDEST * period, sizes[0])]
        stds, supposed = sizes[:, None] * np.ones(t.size), sizes_nats(sizes)
    else:
        stds, supposed = marks.stds[None, :], np.zeros(1)
    columns = np.stack([np.ones(t.size), numbers], axis=1)
    # a rate known beforehand is one more observation of the period
    known_s, precise = (period, 0.0) if prior.rate is None else (1 / prior.rate, prior.rate**4 / prior.std**2)
    extra = np.array([[0.0, 0.0], [0.0, precise]])
    means = np.tile([origin, period], (stds.shape[0], 1))
    for _ in range(_ROUNDS):
        weights = tame((t - means @ columns.T) / period, stds / period)
        normal = _normal(weights / stds**2, columns) + extra
        aim = (weights / stds**2 * t) @ columns + precise * np.array([0.0, known_s])
        means = np.linalg.solve(normal, aim[:, :, None])[:, :, 0]
    left = t - means @ columns.T
    weights = tame(left / period, stds / period)
    # second derivative of the likelihood, that of the weights included
    bent = (
        _normal(weights / stds**2 - weights * (1 - weights) * (left / stds) ** 2 / stds**2, columns) + extra
    )
    # where a mark hardly belongs to the grid it vanishes, or leaves a phase less certain than any within a symbol
    size = np.linalg.det(bent)
    sound = (bent[:, 0, 0] > 0) & (size > 0) & (bent[:, 1, 1] < size * period**2 / 12.0)
    bent = np.where(sound[:, None, None], bent, normal)
    told = told_nats(left / period, stds / period) - 0.5 * np.log(np.linalg.det(bent))
    told = told + supposed - 0.5 * precise * (means[:, 1] - known_s) ** 2
    # a size at which no two marks belong to the grid tells of none
    held = weights.sum(axis=1) > _HELD
    told = np.where(held | ~held.any(), told, -np.inf)
    shares = np.exp(told - logsumexp(told))
    return _Line(
        means=means,
        covariances=np.linalg.inv(bent),
        shares=shares,
        belongs=shares @ weights,
        scatter_s=math.sqrt(float(shares @ np.mean(stds**2, axis=1))),
    )


def _normal(weights: Floats, columns: Floats) -> Floats:
    """Normal matrices (j, 2, 2) for weights (j, n) and columns (n, 2)."""
    out: Floats = np.einsum("jn,na,nb->jab", weights, columns, columns)
    return out


def marks_nats(times_s: ArrayLike, *, origin_s: float, period_s: float, std_s: float) -> float:
    """Log-likelihood of flips (n,) on a given grid against flips at random, with their standard uncertainty.

    Raises
    ------
    BadInputError : as `fit_grid`; or a period that is not above zero.
    """
    times, _ = _checked(times_s, std_s)
    if not (math.isfinite(period_s) and period_s > 0):
        raise BadInputError("the symbol period must be finite and above zero")
    places = (times - origin_s) / period_s
    width = np.full(1, std_s / period_s)
    return float(told_nats(places - np.rint(places), width))
