"""The proofs of pump and record in full length: ``python -m tests.soak [--share 0.1] [P1 P12 ...]``. Prints one table.

--share scales every number of trials; 1 is what the goals ask for, and takes about half an hour on two cores.
"""

import argparse
import logging
import os
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from itertools import chain
from pathlib import Path

from tests.soak import edges, lasting, proofs, record, relay, service
from tests.soak.proofs import HEAD, Seen, merged

FULL = {
    "P1": 1000, "P2": 500, "P3": 100, "P4": 1000, "P5": 300, "P6": 1000, "P7": 500, "P7 clean": 10_000, "P8": 1000,
    "P9": 300, "P10": 10_000, "P10 room": 2000, "P11": 10, "P12": 1000, "service": 30, "D1": 1000,
    "D2": 2000, "D4": 200, "D5": 60, "D6": 10_000, "D7": 100, "D8": 1, "D9": 3600,
    "T1": 50, "W1": 100_000, "W5": 10_000, "W7": 60, "L1": 3600, "L2": 1, "L3": 12,
}  # fmt: skip
CHUNK = 20


def spread(pool: ProcessPoolExecutor, proof: Callable[[range], Seen], trials: int) -> Seen:
    """A proof over seeds 0 to trials, on all cores."""
    chunks = [range(a, min(a + CHUNK, trials)) for a in range(0, trials, CHUNK)]
    return merged(pool.map(proof, chunks))


def learned(seeds: range) -> tuple[Seen, list[list[float]]]:
    return proofs.p12(seeds)


def on_a_relay(proof: Callable[..., Seen], *arguments: object) -> Seen:
    with tempfile.TemporaryDirectory() as folder:
        return proof(Path(folder), *arguments)


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="tests.soak", description="The proofs of pump and record in full length."
    )
    parser.add_argument("--share", type=float, default=1.0, help="of the trials that the goals ask for")
    parser.add_argument("goals", nargs="*", metavar="GOAL", help=f"some of {', '.join(FULL)}; all by default")
    options = parser.parse_args()
    unknown = set(options.goals) - set(FULL)
    if unknown or not 0 < options.share <= 1:
        parser.error(f"unknown {unknown or ''}, or --share {options.share}; see --help")
    logging.disable(logging.CRITICAL)  # guards are killed by the hundred
    n = {goal: max(1, round(options.share * trials)) for goal, trials in FULL.items()}
    wanted = options.goals or list(FULL)
    found: list[Seen] = []
    more: list[str] = []
    began_s = time.monotonic()
    print(HEAD, flush=True)

    def take(seen: Seen) -> None:
        found.append(seen)
        print(seen.line(), flush=True)

    killed: dict[str, Callable[..., Seen]] = {"P1": relay.p1, "P2": relay.p2}
    for goal, proof in killed.items():
        if goal in wanted:
            take(on_a_relay(proof, n[goal]))
    if "P3" in wanted:
        for layer in relay.LAYERS:
            take(on_a_relay(relay.p3, n["P3"], layer))
    crashed: dict[str, Callable[..., Seen]] = {"P4": relay.p4, "P5": relay.p5, "service": service.service}
    for goal, proof in crashed.items():
        if goal in wanted:
            take(on_a_relay(proof, n[goal]))
    of_record = {goal: n[goal] for goal in wanted if goal[0] in "DT"}
    of_edges = {goal: n[goal] for goal in wanted if goal.startswith("W")}
    of_days = {goal: n[goal] for goal in wanted if goal.startswith("L")}
    long = (record.proofs(on_a_relay, of_record), edges.proofs(of_edges, more), lasting.proofs(of_days, more))
    for seen in chain(*long):
        take(seen)
    simple = {"P6": proofs.p6, "P7": proofs.p7, "P7 clean": proofs.p7_clean, "P8": proofs.p8, "P9": proofs.p9}
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for goal, run in {**simple, "P10": proofs.p10, "P10 room": proofs.p10_room}.items():
            if goal in wanted:
                take(spread(pool, run, n[goal]))
        if "P11" in wanted:
            more += [
                "",
                "P11, worst time until off or told:",
                "",
                *proofs.p11_lines(proofs.p11(range(n["P11"]))),
            ]
        if "P12" in wanted:
            chunks = [range(a, min(a + CHUNK, n["P12"])) for a in range(0, n["P12"], CHUNK)]
            parts = list(pool.map(learned, chunks))
            take(merged(seen for seen, _ in parts))
            by_fill = [[e for _, part in parts for e in part[k]] for k in range(len(parts[0][1]))]
            more += ["", "P12, the stop's error fill by fill:", "", *proofs.by_fill_lines(by_fill)]
    print("\n".join(more))
    allowed = {seen.goal: 0.01 * seen.trials if seen.goal.startswith("P12") else 0.0 for seen in found}
    bad = [seen for seen in found if len(seen.failed) > allowed[seen.goal]]
    print(f"\n{time.monotonic() - began_s:.0f} s on {os.cpu_count()} cores, share {options.share:g}.")
    for seen in bad:
        print(f"\n{seen.goal} failed:", *seen.failed[:20], sep="\n  ")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
