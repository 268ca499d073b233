"""What the decoder is known not to do yet: each test states what should hold, and fails for the reason given.

All but one of the marks are strict: as soon as one of these holds, its test fails until the line here is taken away.
"""

from __future__ import annotations

import pytest

_KNOWN = {
    "test_period_errs_as_it_says_where_flips_fall_between_samples_of_a_band_limited_signal": (
        "the shape of band-limited flips is not modelled: the stated uncertainty of the rate is too small"
    ),
    "test_shift_by_a_part_of_a_sample": (
        "samples are taken as ideal points wherever that fits best, which moves edges by up to a sample"
    ),
}

# rounding of the machine's transforms decides on which side these fall
_ON_THE_EDGE = {"test_shift_by_a_part_of_a_sample"}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        reason = _KNOWN.get(item.name)
        if reason is not None:
            item.add_marker(pytest.mark.xfail(reason=reason, strict=item.name not in _ON_THE_EDGE))
