"""Play the study: ``python -m tests.apart [--jobs N] [--first SEED] [--processes N] [--out FOLDER]``."""

import argparse
import dataclasses
import json
import multiprocessing
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.apart import tables
from tests.apart.trials import trial

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


def main() -> None:
    options = argparse.ArgumentParser(prog="python -m tests.apart", description=__doc__)
    options.add_argument("--jobs", type=int, default=1000)
    options.add_argument("--first", type=int, default=FIRST)
    options.add_argument("--processes", type=int, default=2)
    options.add_argument("--out", type=Path, default=Path("var/apart"))
    chosen = options.parse_args()
    began_s = time.monotonic()
    work = [("shop", chosen.first + i) for i in range(chosen.jobs)]
    for series, per_job in PER_JOB.items():
        work += [(series, chosen.first + i) for i in range(round(per_job * chosen.jobs))]
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(chosen.processes, mp_context=spawn) as pool:
        trials = list(pool.map(trial, *zip(*work, strict=True), chunksize=5))
    chosen.out.mkdir(parents=True, exist_ok=True)
    rows = [dataclasses.asdict(t) for t in trials]
    (chosen.out / "trials.json").write_text(json.dumps(rows), encoding="utf-8")
    shop = [t for t in trials if t.series == "shop"]
    print(f"{len(shop)} jobs of the shop, seeds {chosen.first} to {chosen.first + chosen.jobs - 1}, and "
          f"{len(trials) - len(shop)} of the series, in {time.monotonic() - began_s:.0f} s on "
          f"{chosen.processes} processes\n")  # fmt: skip
    print(tables.shop_text(shop), tables.truth_text(shop), tables.fault_text(shop), sep="\n\n")
    print("", tables.meter_text(trials), tables.series_text(trials), sep="\n\n")
    print("\nTo look at:", *(tables.to_look_at(trials) or ["nothing"]), sep="\n- ")


if __name__ == "__main__":
    main()
