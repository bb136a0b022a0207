"""How a job went on, beside its figures: each run of the pump, whether it was topped up, how long the leak watch was.

No figure rests on it. Who stopped the pump, and how long the bay's file wants a leak watch to be, are in no recording: a
replay does not give ``pump_runs`` and ``leak_watch_s`` again.
"""

from dataclasses import asdict
from typing import Any

from station.core.state import BayState
from station.given.pump_run import PumpRun
from station.given.stages import Stage


def course(state: BayState) -> dict[str, Any]:
    """The part of a job's report that says how it went.

    pump_runs: one for each run that fed the fill, in their order; volumes in litres metered since the fill began.
    leak_watched_s: None where the plug was not marked as in. leak_watch_s: how long the bay's file wants the watch.
    """
    return {
        "pump_runs": _runs(state),
        "topped_up": sum(1 for name, _ in state.said.marks if name == "fill_start") > 1
        or state.pump.hold.top_up_l > 0.0,
        "leak_watched_s": _watched_s(state),
        "leak_watch_s": state.settings.leak_watch_s,
    }


def _runs(state: BayState) -> list[dict[str, Any]]:
    stops = list(state.pump.stops)
    run = state.pump.hold.run
    if (
        run is not None and run.stop is not None
    ):  # stopped, and still dripping from the hose when the job ended
        stops.append(run.stop)
    return [asdict(PumpRun(s.t_s, s.cut_off_l, s.final_l, s.target_l, s.why)) for s in stops]


def _watched_s(state: BayState) -> float | None:
    begun_s = state.marked("plug_in")
    if begun_s is None:
        return None
    over_s = state.stage_t_s if state.stage is Stage.CLOSED else state.t_s
    return max(0.0, over_s - begun_s)
