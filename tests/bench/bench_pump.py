"""Measured distributions of the pump's stops: how late, and how far off the target.

Run from the repository's root: `python tests/bench/bench_pump.py`. Real guard processes and real kills for the times;
simulated pumps, warm and thin to cold and thick, on a virtual clock for the volumes. The counts are small enough for a
minute; `python -m tests.soak` has the long forms.
"""

from __future__ import annotations

import logging
import sys
import tempfile
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

from tests.soak.proofs import Seen

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.soak.fills import RANGES_C
from tests.soak.proofs import HEAD, by_fill_lines, p6, p7, p8, p12
from tests.soak.relay import LAYERS, p1, p2, p3, p5

BINS_ML = (-20, -15, -10, -7.5, -5, -2.5, 0, 2.5, 5, 7.5, 10, 15, 20)


def histogram(errors_ml: list[float]) -> None:
    """One bar per bin."""
    for low, high in pairwise(BINS_ML):
        n = sum(low <= e < high for e in errors_ml)
        print(f"  {low:+6.1f} to {high:+6.1f} mL  {n:5d}  {'#' * round(60 * n / max(1, len(errors_ml)))}")


def main() -> int:
    logging.disable(logging.CRITICAL)
    failed = 0
    print(HEAD)
    with tempfile.TemporaryDirectory() as folder:
        proofs: list[tuple[Callable[[Path, int], Seen], int]] = [(p1, 60), (p2, 24), (p5, 18)]
        for k, (proof, trials) in enumerate(proofs):
            here = Path(folder) / str(k)
            here.mkdir()
            seen = proof(here, trials)
            failed += len(seen.failed)
            print(seen.line())
        for layer in LAYERS:
            here = Path(folder) / layer.replace(" ", "_")
            here.mkdir()
            seen = p3(here, 6, layer)
            failed += len(seen.failed)
            print(seen.line())
    for simple in (p6, p7, p8):
        seen = simple(range(60))
        failed += len(seen.failed)
        print(seen.line())
    seen, by_fill = p12(range(40), fills=8)
    print(seen.line())
    print("\nThe stop's error, fill by fill, of 40 pumps; goal: within ±10 mL in 99 % after five fills.")
    print(
        "Fluids: "
        + ", ".join(f"{name} at {low:.0f} to {high:.0f} °C" for name, (low, high) in RANGES_C.items()),
        "\n",
    )
    print("\n".join(by_fill_lines(by_fill)))
    after = [e for errors in by_fill[5:] for e in errors]
    print(f"\nAfter five fills ({len(after)} stops):")
    histogram(after)
    within = 1.0 - len(seen.failed) / seen.trials
    print(f"within ±10 mL: {100 * within:.1f} % (goal 99 %)")
    return 1 if failed or within < 0.99 else 0


if __name__ == "__main__":
    sys.exit(main())
