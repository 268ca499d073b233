"""How far the decoder is from what theory allows: ``python tests/benchmarks/accuracy.py [SECTION...]``.

Every figure is printed beside its bound with its 95 % interval (Clopper-Pearson for proportions) and a verdict:
``within`` and ``BEYOND`` when the whole interval is, ``open`` when more trials are needed to tell:
``--trials 20``. Captures are made by ``dsp.synth`` and decoded blind.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import accuracy_confidence as certainty  # noqa: E402
import accuracy_estimates as estimates  # noqa: E402
import accuracy_refusal as refusal  # noqa: E402
import accuracy_symbols as symbols  # noqa: E402

SECTIONS = {
    "bits": symbols.bits,
    "differential": symbols.differential,
    "carriers": symbols.carriers,
    "lone": symbols.lone,
    "short": symbols.short,
    "ends": symbols.ends,
    "lengths": symbols.lengths,
    "carrier": estimates.carrier,
    "rate": estimates.rate,
    "flips": estimates.flips,
    "confidence": certainty.confidence,
    "energy": symbols.energy,
    "adversity": refusal.adversity,
    "silence": refusal.silence,
    "quiet": refusal.quiet,
    "hidden": refusal.hidden,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "sections", nargs="*", metavar="SECTION", help=f"of {', '.join(SECTIONS)}; default all"
    )
    parser.add_argument(
        "--trials", type=int, default=3, help="captures a point (lone bursts: ten or twelve times that)"
    )
    parser.add_argument(
        "--errors",
        type=int,
        default=0,
        help="go on until so many wrong symbols were met (bits, differential)",
    )
    parser.add_argument(
        "--draw",
        type=int,
        default=8000,
        help="number of the first random draw (adversity); others are new ones",
    )
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    if unknown := set(options.sections) - set(SECTIONS):
        parser.error(f"no such section: {', '.join(sorted(unknown))}")
    broken = []
    for name in options.sections or SECTIONS:
        began = time.perf_counter()
        try:
            SECTIONS[name](options)
        except Exception:
            # one case that breaks the decoder must not hide the figures of the others
            traceback.print_exc(file=sys.stdout)
            broken.append(name)
        print(f"  ({name}: {time.perf_counter() - began:.0f} s)", flush=True)
    if broken:
        sys.exit(f"broken off: {', '.join(broken)}")


if __name__ == "__main__":
    main()
