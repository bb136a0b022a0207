"""Hold to run, stop in time: decides from the state alone whether the pump may turn."""

from dataclasses import replace

from hardware.sample import Sample
from station import metering
from station.notice import Notice
from station.state import BayState, Hold

TOP_UP_L = 0.05
_NEEDED = ("pan", "meter", "fluid_supply_c")


def target_l(state: BayState) -> float:
    """Metered volume at which the pump is to have stopped, at the reference temperature."""
    return state.spec.expected_fill_l + state.hold.top_up_l


def overrun_forecast_l(state: BayState) -> float:
    """What will still flow after the stop command, from the present flow."""
    flow = metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l)
    return flow / 60.0 * state.settings.overrun_s * state.meter.factor


def blocked(state: BayState) -> str | None:
    """The first reason that keeps the pump off whoever holds the button; None when it may run."""
    if state.stage != "fill":
        return "the pump runs in the fill stage only"
    for source in _NEEDED:
        if source not in state.heard:
            return f"{source} has not been read yet"
        if source in state.silent:
            return f"{source} is silent"
    for source, fault in state.faults.items():
        if fault != "ok":
            return f"{source} is {fault}"
    return None


def _held(hold: Hold, t_s: float, lapses_s: float) -> bool:
    return any(t_s - held <= lapses_s for held in hold.held_t_s.values())


def control(state: BayState, sample: Sample) -> BayState:
    """The hold's next state. The page's and the pendant's hold are heartbeats: silence lets go."""
    hold, t_s = state.hold, state.t_s
    source, value = sample.source, sample.value
    if source in ("pendant", "hold"):
        held = {name: t for name, t in hold.held_t_s.items() if name != source}
        if value:
            held[source] = t_s
        hold = replace(hold, held_t_s=held)
    elif source == "top_up" and state.fill_base is not None:
        hold = replace(hold, top_up_l=max(hold.top_up_l, state.meter.volume_l - state.spec.expected_fill_l))
        hold = replace(hold, top_up_l=hold.top_up_l + float(value))
    elif source == "stop_open" and value and hold.latched is None:
        hold = replace(hold, latched="the stop button is pressed")
    elif source == "mark" and value == "level_seen":
        hold = replace(hold, latched="level seen at the plug")

    held_now = _held(hold, t_s, state.settings.hold_lapses_s)
    if not held_now:
        # Letting go clears the latch, except that a target reached stays reached until a top-up moves it.
        hold = replace(hold, latched=None, running_since_t_s=None) if hold.latched or hold.running else hold
        return replace(state, hold=hold) if hold is not state.hold else state

    if hold.latched is None:
        state, hold = _latch(replace(state, hold=hold), hold)
    if hold.latched is not None:
        hold = replace(hold, running_since_t_s=None) if hold.running else hold
    elif not hold.running:
        hold = replace(hold, running_since_t_s=t_s)
    return replace(state, hold=hold) if hold is not state.hold else state


def _latch(state: BayState, hold: Hold) -> tuple[BayState, Hold]:
    """Why the pump must not run now, if there is a reason; told once in a notice where it is a fault."""
    reason = blocked(state)
    if reason is not None:
        return state, replace(hold, latched=reason)
    if state.meter.volume_l + overrun_forecast_l(state) >= target_l(state):
        return state, replace(hold, latched="target reached")
    since = hold.running_since_t_s
    if since is not None and state.t_s - max(since, state.meter.last_pulse_t_s) > state.settings.no_flow_s:
        notice = Notice(
            "no_flow",
            f"No flow for {state.settings.no_flow_s:g} s with the pump on: it was stopped. Check the drum, the "
            "suction strainer and the hose for a kink or an air lock.",
            state.t_s,
            stops=True,
        )
        return replace(state, notices=(*state.notices, notice)), replace(hold, latched="no flow")
    return state, hold
