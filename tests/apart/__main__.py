"""Play the study: ``python -m tests.apart [--jobs N] [--series-to N] [--first SEED] [--processes N] [--minutes M]
[--out FOLDER]``."""

import argparse
import dataclasses
import json
import math
import multiprocessing
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from tests.apart import tables
from tests.apart.trials import Trial, trial

FIRST = 40_000
"""Lower seeds were looked at while plant and station were made; these were not."""
PER_JOB = {
    "meter, to the target": 0.2,
    "meter, to the lip": 0.2,
    "air": 0.2,
    "temperature": 0.1,
    "density": 0.15,
}
"""Trials of each series for every job of the shop."""


def work_of(first: int, jobs: int, series_to: int) -> list[tuple[str, int]]:
    """Series and seed of every trial, the series spread evenly among the shop's first series_to jobs."""
    work = []
    for i in range(jobs):
        work.append(("shop", first + i))
        for series, per_job in PER_JOB.items():
            before, after = (int(min(n, series_to) * per_job) for n in (i, i + 1))
            work += [(series, first + n) for n in range(before, after)]
    return work


def main() -> None:
    options = argparse.ArgumentParser(prog="python -m tests.apart", description=__doc__)
    options.add_argument("--jobs", type=int, default=1000)
    options.add_argument(
        "--series-to", type=int, help="of so many jobs; as many as there are where none is given"
    )
    options.add_argument("--first", type=int, default=FIRST)
    options.add_argument("--processes", type=int, default=2)
    options.add_argument(
        "--minutes", type=float, default=math.inf, help="end after so long, with what was played"
    )
    options.add_argument("--out", type=Path, default=Path("var/apart"))
    options.add_argument("--read", type=Path, help="play nothing: show the trials.jsonl of an earlier run")
    chosen = options.parse_args()
    if chosen.read is not None:
        show(read(chosen.read))
        return
    began_s = time.monotonic()
    chosen.out.mkdir(parents=True, exist_ok=True)
    series_to = chosen.jobs if chosen.series_to is None else chosen.series_to
    work = work_of(chosen.first, chosen.jobs, series_to)
    trials: list[Trial] = []
    spawn = multiprocessing.get_context("spawn")
    with (
        ProcessPoolExecutor(chosen.processes, mp_context=spawn) as pool,
        (chosen.out / "trials.jsonl").open("w", encoding="utf-8") as kept,
    ):
        for start in range(0, len(work), 40):
            if time.monotonic() - began_s > 60.0 * chosen.minutes:
                break
            for t in pool.map(trial, *zip(*work[start : start + 40], strict=True), chunksize=2):
                trials.append(t)
                kept.write(json.dumps(dataclasses.asdict(t)) + "\n")
            kept.flush()
    print(f"{len(trials)} trials, seeds from {chosen.first} on, in {time.monotonic() - began_s:.0f} s on "
          f"{chosen.processes} processes\n")  # fmt: skip
    show(trials)


def read(path: Path) -> list[Trial]:
    """Trials that an earlier run kept."""
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    found = []
    for row in rows:
        fields: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in row.items()}
        found.append(Trial(**fields))
    return found


def show(trials: list[Trial]) -> None:
    shop = [t for t in trials if t.series == "shop"]
    print(f"{len(shop)} jobs of the shop and {len(trials) - len(shop)} of the series.\n")
    print(
        tables.shop_text(shop),
        tables.truth_text(shop),
        tables.fault_text(shop),
        tables.stands_text(shop),
        sep="\n\n",
    )
    print("", tables.meter_text(trials), tables.series_text(trials), sep="\n\n")
    print("\nTo look at:", *(tables.to_look_at(trials) or ["nothing"]), sep="\n- ")


if __name__ == "__main__":
    main()
