"""How a job went on, beside its figures: each run of the pump, whether it was topped up, how long the leak watch was.

No figure rests on it. Who stopped the pump, and how long the bay's file wants a leak watch to be, are in no recording: a
replay does not give ``pump_runs`` and ``leak_watch_s`` again.
"""

from station.core.state import BayState
from station.given.pump_run import PumpRun
from station.given.stages import Stage


def topped_up(state: BayState) -> bool:
    """Whether more was asked for once the target was reached."""
    starts = sum(1 for name, _ in state.said.marks if name == "fill_start")
    return starts > 1 or state.pump.hold.top_up_l > 0.0


def runs(state: BayState) -> tuple[PumpRun, ...]:
    """One for each run that fed the fill, in their order; volumes in litres metered since the fill began."""
    stops = list(state.pump.stops)
    run = state.pump.hold.run
    if (
        run is not None and run.stop is not None
    ):  # stopped, and still dripping from the hose when the job ended
        stops.append(run.stop)
    return tuple(PumpRun(s.t_s, s.cut_off_l, s.final_l, s.target_l, s.why) for s in stops)


def leak_watched_s(state: BayState) -> float | None:
    """How long the leak watch was; None where the plug was not marked as in."""
    begun_s = state.marked("plug_in")
    if begun_s is None:
        return None
    over_s = state.stage_t_s if state.stage is Stage.CLOSED else state.t_s
    return max(0.0, over_s - begun_s)
