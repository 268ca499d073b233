"""What one look at the samples concludes."""

from __future__ import annotations

from dataclasses import dataclass

from dsp.results import Alternative, Refusal, Signalling


@dataclass(frozen=True)
class Verdict:
    """A kind of signalling with its probability, what else it may be, the evidence, and why there are no bits."""

    kind: str
    probability: float
    others: tuple[tuple[str, float], ...]
    reasons: tuple[str, ...]
    refusal: Refusal

    def signalling(self) -> Signalling:
        """The same as a result; ``others`` share what the kind itself leaves in their proportion."""
        sure = min(max(self.probability, 0.0), 0.99)
        total = sum(weight for _, weight in self.others)
        room = min(1.0 - sure, total) / total if total > 0.0 else 0.0
        others = sorted(self.others, key=lambda other: -other[1])
        return Signalling(
            self.kind,
            round(sure, 3),
            tuple(Alternative(kind, round(weight * room, 3)) for kind, weight in others),
            self.reasons,
        )


def weigh(value: float, even: float, width: float) -> float:
    """Probability from a figure that speaks for (above) or against (below) at ``even``: a logistic curve."""
    from math import exp

    return 1.0 / (1.0 + exp(-min(max((value - even) / width, -30.0), 30.0)))
