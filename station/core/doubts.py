"""What a sensor may be suspected of while the pump runs, before it is sure enough to stop anything.

An interlock waits until a fault is certain, or every hiccup would stop a fill. A doubt is only shown, as soon as the
next reading is overdue or off the line; it goes when the sensor is well again.
"""

from station.core import second_pan
from station.core.limits import LIMITS
from station.core.state import BayState
from station.weighing.counts import chance


def doubts(state: BayState) -> dict[str, str]:
    """Source → ``late`` (no fresh reading), ``still`` (counts nothing, or always the same) or ``restless`` (off the line). Empty with the pump off."""
    if not state.pump.on:
        return {}
    found = {
        source: "late"
        for source, typical_s in state.hearing.typical_s.items()
        if state.t_s - state.hearing.last_t_s[source]
        > max(LIMITS.doubt_late_s, LIMITS.doubt_late_times * typical_s)
    }
    for seen in second_pan.pans(state):
        source, word = seen.weighing.source, _of_pan(seen)
        if word is not None:
            found.setdefault(source, word)
    if "meter" not in found and _still(state):
        found["meter"] = "still"
    return found


def _of_pan(state: BayState) -> str | None:
    counts = state.weighing.counts
    if chance(counts.same_n, counts.unrest, state.spec.pan.noise_counts) <= LIMITS.doubt_by_chance:
        return "still"
    return "restless" if len(state.weighing.pan.episode) > 1 else None


def _still(state: BayState) -> bool:
    run, meter = state.pump.hold.run, state.meter
    can = state.pump_can_l_min(state.pump.hold.fine)
    if run is None or not can or meter.last_pulse_t_s - run.t_s < LIMITS.started_s:
        return False
    pulse_s = 60.0 / (can * state.spec.meter.k_factor_per_l)
    return state.t_s - meter.last_pulse_t_s > max(LIMITS.doubt_late_s, LIMITS.doubt_pulses * pulse_s)
