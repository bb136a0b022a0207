"""Play the study: ``python -m tests.study [--jobs N] [--first SEED] [--processes N] [--out FOLDER]``."""

import argparse
import json
import multiprocessing
import os
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.study import compare, plots, table
from tests.study.run import play

FIRST = 12000
"""Lower seeds were looked at while the estimator was made; these were not."""


def main() -> None:
    options = argparse.ArgumentParser(prog="python -m tests.study", description=__doc__)
    options.add_argument("--jobs", type=int, default=1000)
    options.add_argument(
        "--first", type=int, default=FIRST, help="the first seed; jobs take the seeds from there on"
    )
    options.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    options.add_argument("--out", type=Path, default=Path("var/study"))
    chosen = options.parse_args()
    began_s = time.monotonic()
    seeds = range(chosen.first, chosen.first + chosen.jobs)
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(chosen.processes, mp_context=spawn) as pool:  # says so where a process is killed
        rows = list(pool.map(play, seeds, chunksize=5))
    took_s = time.monotonic() - began_s
    chosen.out.mkdir(parents=True, exist_ok=True)
    (chosen.out / "rows.json").write_text(json.dumps(rows), encoding="utf-8")  # first: an hour's work
    written = plots.write(rows, chosen.out)
    print(f"{len(rows)} jobs, seeds {chosen.first} to {chosen.first + chosen.jobs - 1}, in {took_s:.0f} s on "
          f"{chosen.processes} processes\n")  # fmt: skip
    print(table.text(rows))
    print("\nTo look at:", *(table.unsaid(rows) or ["nothing"]), sep="\n- ")
    print("\nTwo estimators on the same streams:\n")
    print(compare.text(compare.study(200)))
    print("\nPictures:", *(str(path) for path in written))


if __name__ == "__main__":
    main()
