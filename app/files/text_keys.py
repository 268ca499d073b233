"""Words of the trade by which a preamble names what it states."""

from __future__ import annotations

import re

from app.files.text_units import split_label

_PATTERNS = {
    name: re.compile(pattern, re.I | re.X)
    for name, pattern in {
        "interval": r"""((x|h|t|time|horizontal|horiz|hor|sample|sampling|delta)\ )*
            (interval|increment|incr|inc)
            | ((x|h|t|time|horizontal|horiz|hor|sample|sampling)\ )+(period|step|spacing|resolution)
            | d[tx] | (delta|Δ)\ ?([tx]|time) | ts | x(incr?|delta) | interval\ between\ samples
            | (time|seconds|secs?|s)\ ?(per|/)\ ?(sample|point)""",
        "rate": r"""(samples?|sampling|acquisition|data|scan)\ ?(rate|frequency|freq|clock)
            | rate | fs | f\ s | sr | sps | (samples|points)\ ?(per|/)\ ?(s|sec|second)""",
        "start": r"""((x|h|t|time|horizontal|horiz|hor)\ )*(start|origin|zero|org)(\ time)?
            | [tx]\ ?(0|zero|start|origin)
            | (time\ of\ )?first\ (sample|point)(\ time)?""",
        "count": r"""(number|num|no|nr|count)\ (of\ )?(samples|points) | (sample|point)\ count
            | record\ length | samples | points""",
        "time unit": r"(horizontal|horiz|hor|x|time)(\ axis)?\ units?",
        "value unit": r"(vertical|vert|y|channel|value)(\ axis)?\ units?",
        "channel": r"source | ((channel|signal|trace)(\ name)?)",
    }.items()
}


def meaning(key: str) -> str | None:
    """Which of the facts sought ``key`` names, such as "interval"; a unit in brackets does not matter."""
    label, _ = split_label(key)
    words = re.sub(r"(?<=[a-z])(?=[A-Z])|[_.:\-]+", " ", label)
    words = " ".join(words.split())
    return next((name for name, pattern in _PATTERNS.items() if pattern.fullmatch(words)), None)
