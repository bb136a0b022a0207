"""The whole pipeline against real time: every sample of a job stepped, with the figures drawn up twice a second.

Baseline: the job's own duration. Goal: at least 200 × on one core, all sensors at full rate.
"""

import time
from dataclasses import replace

from calibration import budget
from station.core.state import BayState
from station.core.step import step
from station.figures import balance
from station.rehearsing.rehearse import rehearse
from station.rehearsing.scenario import Technician, read_scenario

SEEDS = (1, 2, 3)


def main() -> None:
    budget.preload()
    scenario = replace(read_scenario(None), technician=Technician(patience_s=600.0, cure_s=300.0))
    for seed in SEEDS:
        samples = rehearse(scenario, seed).samples
        lasted_s = samples[-1].t_s - samples[0].t_s
        state, due_s, drawn = BayState(scenario.spec), samples[0].t_s, 0
        started = time.perf_counter()
        for sample in samples:
            state, _ = step(state, sample)
            if sample.t_s >= due_s:
                balance.report(state)
                due_s, drawn = due_s + 0.5, drawn + 1
        took_s = time.perf_counter() - started
        print(
            f"seed {seed}: {len(samples)} samples and {drawn} reports of {lasted_s:.0f} s in {took_s:.2f} s: "
            f"{lasted_s / took_s:.0f} x real time (goal 200 x)"
        )


if __name__ == "__main__":
    main()
