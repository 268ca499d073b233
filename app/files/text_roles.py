"""Which column of a table is the time, which only counts the samples, and which are channels."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.files.capture_grid import median
from app.files.text_header import Title
from app.files.text_keys import TIME
from app.files.text_preamble import Facts
from app.files.text_records import is_record_number
from app.files.text_units import COUNTS, find_unit
from dsp.results import Notice

_NEUTRAL = re.compile(r"x|x[ _-]?(axis|values?)|abscissa|horizontal|", re.I)
_INDEX = re.compile(
    r"""((sample|point|data|row|record)[\ _]*)? (index|idx|no\.?|nr\.?|number|num|\#|sequence|seq)
    | samples? | points? | i | n""",
    re.I | re.X,
)
_DATE = re.compile(r"(date|datum|fecha|data|dato)([ /_-]*(time|zeit|hora|heure))?|time ?stamp|dag|tag", re.I)
_DAY_S = 86400.0
_FIRST_DAY, _LAST_DAY = 20_000.0, 80_000.0
_MOST_SKEW_STEPS = 1000
# "Index (samples)", "Sample [#]", "Sample (fs = 1 MHz)"
_IN_BRACKETS = re.compile(r"\s*[(\[][^()\[\]]*[)\]]\s*$")


@dataclass(frozen=True)
class Roles:
    """Columns count among the data columns.

    ``time`` holds times in ``time_unit_s``; or ``index`` holds sample numbers; or neither is there.
    ``record`` holds numbers of records.
    """

    time: int | None
    time_unit_s: float
    index: int | None
    channels: tuple[int, ...]
    notices: tuple[Notice, ...] = ()
    record: int | None = None
    finer: tuple[int, float] | None = None
    """A column of the fractions of the seconds in ``time``, and its unit in seconds."""


def assign_roles(
    titles: Sequence[Title], facts: Facts, preview: NDArray[np.float64], rate_known: bool
) -> Roles:
    """Decide by titles first, by the first rows (``preview``, shape (rows, columns)) second."""
    record = next((i for i in range(len(titles)) if is_record_number(titles[i], preview[:, i])), None)
    columns = [i for i in range(len(titles)) if i != record]
    counting = [i for i in columns if _counts_by_one(preview[:, i])]
    rate_known = rate_known or facts.stated_rate_hz is not None
    time = _time_by_title(titles, preview, counting, rate_known)
    notices: list[Notice] = []
    index = None
    split = _split_times(titles, preview)
    if split is not None:
        time = split[0]
    if time is None:
        named = [i for i in counting if _is_index(titles[i])]
        if not named and rate_known:
            named = [i for i in counting if titles[i].unit is None and TIME.fullmatch(titles[i].name)]
        if not named and rate_known:
            # every so many samples were kept
            named = [i for i in columns if titles[i].name and _is_index(titles[i]) and _counts(preview[:, i])]
        index = named[0] if named and len(titles) > 1 else None
        if index is None and len(titles) > 1 and _may_be_times(titles[0]) and _advances_evenly(preview[:, 0]):
            untitled = not any(title.name for title in titles)
            if untitled and rate_known and 0 in counting:
                index = 0
            elif untitled or not rate_known or _is_clearly_time(titles, preview):
                time = 0
    if time is None:
        left = tuple(i for i in columns if i != index)
        # sample numbers may start anew with each record, which its number tells already
        return Roles(None, 1.0, index if record is None else None, left, (), record)
    unit_s, assumed = _time_unit(titles[time], facts)
    if assumed and _DATE.fullmatch(titles[time].name) and _are_days(preview[:, time]):
        unit_s = _DAY_S
        text = f"the numbers in '{titles[time].name}' are taken as days, as spreadsheets count them"
        notices.append(Notice("time-unit-assumed", text))
    elif assumed:
        known = _IN_BRACKETS.search(titles[time].name)
        what = f"the unit in '{titles[time].name}' is not known" if known else "the time column names no unit"
        notices.append(Notice("time-unit-assumed", f"{what}; seconds are assumed"))
    channels = []
    for i in columns:
        if i == time or (split and i == split[1]) or (i in counting and _is_index(titles[i])):
            continue
        if _is_time(titles[i]) and not (_steps(preview[:, i]) != 0).any():
            continue  # a clock that shows whole seconds
        again = _is_neutral(titles[i]) and titles[i].name != "" and titles[i].name == titles[time].name
        if (_is_time(titles[i]) or again) and _advances(preview[:, i]):
            ratio = _time_unit(titles[i], facts)[0] / unit_s
            notices += _skew(preview[:, time], preview[:, i] * ratio, i)
            continue
        channels.append(i)
    finer = None if split is None else split[1:]
    return Roles(time, unit_s, None, tuple(channels), tuple(notices), record, finer)


def _split_times(titles: Sequence[Title], preview: NDArray[np.float64]) -> tuple[int, int, float] | None:
    """Columns of whole seconds and of the fractions of them, with the unit of these, where times are written so."""
    for whole, title in enumerate(titles):
        seconds = preview[:, whole]
        steps = _steps(seconds)
        if not _is_time(title) or (title.unit is not None and title.unit.factor != 1.0):
            continue
        if not np.isfinite(seconds).all() or (seconds != np.rint(seconds)).any() or (steps < 0).any():
            continue
        for part, other in enumerate(titles):
            if other.unit is None or not other.unit.time or other.unit.factor > 1e-3:
                continue
            fractions = preview[:, part] * other.unit.factor
            # of NaN neither holds
            if not (fractions.min() >= 0.0 and fractions.max() < 1.0) or (
                seconds.any() and not fractions.any()
            ):
                continue
            if (np.diff(seconds - seconds[0] + fractions) > 0).all() and (
                np.diff(fractions) < 0
            ).any() | seconds.any():
                return whole, part, other.unit.factor
    return None


def _are_days(column: NDArray[np.float64]) -> bool:
    """Whether the numbers are dates of this age and the last, as days since 1900, some to a day."""
    known = column[np.isfinite(column)]
    within = known.size > 1 and float(known.min()) > _FIRST_DAY and float(known.max()) < _LAST_DAY
    return bool(within and 0.0 < median(_steps(column)) < 0.5)


def _is_time(title: Title) -> bool:
    if title.unit is not None:
        return title.unit.time
    return TIME.fullmatch(title.name) is not None


def _is_clearly_time(titles: Sequence[Title], preview: NDArray[np.float64]) -> bool:
    """Whether the first column, which goes up evenly, is the only one without a title, or one of dates."""
    first, *others = titles
    if not first.name:
        return all(title.name for title in others)
    return _DATE.fullmatch(first.name) is not None and _are_days(preview[:, 0])


def _may_be_times(title: Title) -> bool:
    """Whether nothing says otherwise, as the unit in ``Frequency (Hz)`` does."""
    return title.unit is None and not _IN_BRACKETS.search(title.name)


def _is_neutral(title: Title) -> bool:
    return title.unit is None and _NEUTRAL.fullmatch(title.name) is not None


def _is_index(title: Title) -> bool:
    if _is_neutral(title):
        return True
    counts = title.unit is None or title.unit.symbol in COUNTS
    return counts and _INDEX.fullmatch(_IN_BRACKETS.sub("", title.name)) is not None


def _time_by_title(
    titles: Sequence[Title], preview: NDArray[np.float64], counting: Sequence[int], rate_known: bool
) -> int | None:
    times = [i for i, title in enumerate(titles) if _is_time(title)]
    # a "time" without unit that counts 0, 1, 2 beside a stated rate is a sample number
    times = [i for i in times if not (titles[i].unit is None and i in counting and rate_known)]
    if times:
        advancing = next((i for i in times if _advances(preview[:, i])), None)
        # what is measured may be a time as well
        if advancing is not None or not rate_known:
            return times[0] if advancing is None else advancing
    for i, title in enumerate(titles):
        if (
            title.name
            and _is_neutral(title)
            and _advances(preview[:, i])
            and not (i in counting and rate_known)
        ):
            return i
    return None


def _time_unit(title: Title, facts: Facts) -> tuple[float, bool]:
    """Unit of the time column in seconds, and whether nothing said so."""
    if title.unit is not None and title.unit.time:
        return title.unit.factor, False
    stated = find_unit(facts.time_unit or "")
    if stated is not None and stated.time:
        return stated.factor, False
    return 1.0, True


def _steps(column: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.diff(column[np.isfinite(column)])


def _counts_by_one(column: NDArray[np.float64]) -> bool:
    """Whole numbers that mostly go up by one."""
    steps = _steps(column)
    ones = int(np.count_nonzero(steps == 1))
    return bool(steps.size and float(column[0]).is_integer() and ones >= 0.9 * steps.size)


def _counts(column: NDArray[np.float64]) -> bool:
    """Whole numbers that mostly go up by the same whole number."""
    steps = _steps(column)
    step = median(steps)
    same = int(np.count_nonzero(steps == step))
    return bool(
        step >= 1 and float(column[0]).is_integer() and step.is_integer() and same >= 0.9 * steps.size
    )


def _advances(column: NDArray[np.float64]) -> bool:
    steps = _steps(column)
    back = int(np.count_nonzero(steps < 0))
    return bool((steps > 0).any()) and back <= 0.2 * steps.size


def _advances_evenly(column: NDArray[np.float64]) -> bool:
    """Steps that are mostly the same, or whose sums are, as of times written with few digits."""
    if not _advances(column):
        return False
    lag = max(1, column.size // 8)
    far = column[lag:] - column[:-lag]
    far = far[np.isfinite(far)]
    if not far.size:
        return False
    middle = median(far)
    same = int(np.count_nonzero(np.abs(far - middle) <= 0.1 * middle))
    return bool(middle > 0 and (same >= 0.6 * far.size or _is_rounded_ramp(_steps(column), far - middle)))


def _is_rounded_ramp(steps: NDArray[np.float64], off: NDArray[np.float64]) -> bool:
    """Whether the last digit alone goes up, every so many rows, so that sums of ``steps`` are ``off`` by no more."""
    tick = float(steps.max(initial=0.0))
    within = 1.01 * tick
    digits = np.isclose(steps, 0.0, atol=0.01 * tick) | np.isclose(steps, tick, rtol=0.01)
    return bool(digits.all() and float(np.abs(off).max()) <= within)


def _skew(time: NDArray[np.float64], other: NDArray[np.float64], column: int) -> list[Notice]:
    """A notice where another time column does not tell the same times as the one used."""
    step, own = median(_steps(time)), median(_steps(other))
    if step > 0 and own > 0 and abs(own - step) > 0.02 * step:
        text = (
            f"column {column + 1} tells times {own / step:.3g} times as far apart as the first time column, which is "
            "used for all channels: those beside it are not where they belong; save each with its own times"
        )
        return [Notice("time-skew", text)]
    both = np.isfinite(time) & np.isfinite(other)
    late = median((other - time)[both]) if both.any() else 0.0
    # one that counts from elsewhere, such as a clock, is no channel's own
    if step <= 0 or abs(late) <= 0.01 * step or abs(late) > max(_MOST_SKEW_STEPS, 2 * time.size) * step:
        return []
    text = (
        f"column {column + 1} tells times {late / step:.3g} samples later than the first time column, "
        "which is used for all channels"
    )
    return [Notice("time-skew", text)]
