"""One job of the study, played and compared with its truth: a flat row.

Verdicts are not judged here: plant and station of these jobs share their assumptions. tests/apart does that.
"""

import copy
from typing import Any

from station.figures import balance
from station.rehearsing.rehearse import Bay, Rehearsal, rehearse
from station.weighing.limits import LIMITS as WEIGHING
from tests.study.jobs import study_job

FORECAST_S = 180.0
QUIET = ("knock",)
"""Notices that say that nothing happened to the figures."""


class Watcher:
    """Takes the drip's forecast three minutes after the true end of bulk flow, and what the axle then really brings."""

    def __init__(self) -> None:
        self.bulk_ended_s: float | None = None
        self.told_l: float | None = None
        self.told_u95_l: float | None = None
        self.came_l: float | None = None

    def __call__(self, bay: Bay) -> None:
        plant = bay.plant
        if self.bulk_ended_s is None:
            self.bulk_ended_s = plant.time_s if plant.bulk_l == 0.0 else None
            return
        if self.told_l is not None or plant.time_s - self.bulk_ended_s < FORECAST_S:
            return
        told = balance.drip_ahead(bay.state)
        if told is None or bay.state.stage != "drip":
            return
        self.told_l, self.told_u95_l = told.volume_l, told.u95_l
        ahead = copy.deepcopy(plant)
        reference_c = bay.spec.reference_temperature_c
        before_l = ahead.drained_l(reference_c)
        for _ in range(round(WEIGHING.horizon_s / 0.5)):
            ahead.advance(0.5, False)
        self.came_l = ahead.drained_l(reference_c) - before_l


def play(seed: int) -> dict[str, Any]:
    """Everything the tables need to know about one job."""
    job = study_job(seed)
    watcher = Watcher()
    done = rehearse(job.scenario, seed, look=watcher)
    report, truth = done.report().to_dict(), done.truth
    kinds = [n["kind"] for n in report["notices"]]
    return {
        "seed": seed,
        "undisturbed": job.undisturbed,
        "method": job.scenario.spec.method,
        "frozen_s": None if done.state.drain.taken is None else done.state.drain.taken.t_s,
        "kinds": kinds,
        "texts": [n["text"] for n in report["notices"]],
        "happened": [(m.kind, round(t_s, 1), m.kg) for t_s, m in done.happened],
        **{f"{f}_{k}": v for f in ("drained", "filled", "overflow") for k, v in _figure(report, truth, f)},
        "told_l": watcher.told_l,
        "told_u95_l": watcher.told_u95_l,
        "came_l": watcher.came_l,
        "still_to_come_l": report["still_to_come_l"],
        **_bolts(done, watcher.bulk_ended_s),
        "leak_l_h": next((m.l_h for m in job.scenario.mishaps if m.kind == "leak"), 0.0),
        "leak_told_l_h": report["leak_l_h"],
        "leak_u95_l_h": report["leak_u95_l_h"],
        "leak_limit_l_h": report["leak_limit_l_h"],
        "leak_found": report["leak_found"],
        "leak_unsure": report["leak_unsure"],
        "steps": report["steps"],
    }


def _figure(report: dict[str, Any], truth: Any, name: str) -> list[tuple[str, Any]]:
    return [("l", report[f"{name}_l"]), ("u95_l", report[f"{name}_u95_l"]), ("true_l", truth[f"{name}_l"])]


def _bolts(done: Rehearsal, bulk_ended_s: float | None) -> dict[str, list[bool]]:
    """For each bolt that fell while it drained or dripped: whether a step of its weight was found at its time."""
    frozen = done.state.drain.taken
    bolts: dict[str, list[bool]] = {"bolts_bulk": [], "bolts_drip": []}
    for t_s, m in done.happened:
        if m.kind != "drop" or frozen is None or t_s > frozen.t_s - 2.0:
            continue
        # Two that fall within seconds of each other are one step of both.
        both_kg = sum(o.kg for o_s, o in done.happened if o.kind == "drop" and abs(o_s - t_s) < 4.0)
        near = [s for s in done.state.weighing.steps if abs(s.t_s - t_s) < 4.0]
        found = any(abs(s.kg - kg) < 0.3 * kg for s in near for kg in {m.kg, both_kg})
        bolts["bolts_bulk" if bulk_ended_s is None or t_s < bulk_ended_s else "bolts_drip"].append(found)
    return bolts
