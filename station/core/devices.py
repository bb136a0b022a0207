"""A device's own word about itself: what keeps the pump off until it is mended, and what is only told."""

from collections.abc import Mapping

from station.common.evolve import evolve
from station.common.words import N_, _
from station.core.limits import LIMITS
from station.core.state import BayState, note
from station.given.sources import name

OK, TIMING, MISSED = "ok", N_("timing"), "missed"
TOLD_ONLY = ("container",)
"""Devices that no pump hangs on: without them a job lacks a witness, and goes on."""

_REMEDY = {
    N_("unplugged"): N_("Check its cable and connector."),
    N_("saturated"): N_(
        "The load is beyond the converter's range. Take load off the pan, or check the cell's wiring."
    ),
    N_("stuck"): N_("Its data line never changes. Check the wiring and the supply."),
    N_("misaligned"): N_(
        "Bits were lost on its clock line and the chip was restarted. Check the cable length and the supply."
    ),
    TIMING: N_(
        "The computer is too busy to read the converter in time, so there is no weight. Stop whatever else is running on it; if it comes back, restart the station."
    ),
    N_("bouncing"): N_(
        "Edges come too close together for pulses: the contact bounces or the cable picks up noise; the count is too high. Check shield and filter."
    ),
    N_("bad"): N_(
        "Its reading makes no sense. Check the sensor and its pull-up; on a serial line check the baud rate and the pattern, and whether the scale is overloaded."
    ),
    N_("lost"): N_("The pump guard has stopped. The pump is off; restart the station."),
    N_("failed"): N_(
        "It does not answer. Check its wiring; for the ledger, check the free space on the disk."
    ),
    N_("late"): N_("The guard missed a heartbeat from the station and switched the pump off."),
    N_("tripped"): N_("The second cut-off has opened. Find the cause, then clear it on the page."),
}
_PUMP_REMEDY = {
    N_("stuck"): N_(
        "Its pin does not follow the command. Press the hard-wired stop, check the relay and its wiring, then clear it on the page."
    ),
    N_("bad"): N_(
        "The guard got a message it does not know and has locked the pump. Clear it on the page; if it comes back, restart the station."
    ),
}


def take(state: BayState, source: str, word: str) -> BayState:
    """Take in a device's word about itself. One that is not known stops the pump too."""
    if word == TIMING:  # mended by the driver within half a second, as a rule
        return _with_timing(state, {source: state.t_s, **state.hearing.timing_since_s})
    if source in state.hearing.timing_since_s:
        since_s = state.hearing.timing_since_s
        state = _with_timing(state, {s: t for s, t in since_s.items() if s != source})
    if word == MISSED:
        state, word = _missed(state, source), OK
    if source == "pump" and word == "late" and not (state.pump.on or state.pump.hold.running):
        word = OK  # a beat missed while the pump is off harms nobody; in a run the guard says off first, then late
    return _becomes(state, source, word)


def overdue(state: BayState) -> BayState:
    """Tell of a device whose timing has been wrong for so long that nothing mends it by itself."""
    for source, since_s in state.hearing.timing_since_s.items():
        if state.t_s - since_s > LIMITS.timing_s:
            state = _becomes(state, source, TIMING)
    return state


def _becomes(state: BayState, source: str, word: str) -> BayState:
    if state.hearing.faults.get(source, OK) == word:
        return state
    faults = {name: fault for name, fault in state.hearing.faults.items() if name != source}
    if word == OK:
        return note(
            _with_faults(state, faults), "sensor", _("{sensor}: working again.").format(sensor=name(source))
        )
    faults[source] = word
    remedies = _REMEDY | _PUMP_REMEDY if source == "pump" else _REMEDY
    remedy = remedies.get(word, N_("Check it before going on."))
    return note(
        _with_faults(state, faults),
        f"{source}_{word}",
        f"{name(source)}: {_(word)}. {_(remedy)}",
        stops=source not in TOLD_ONLY,
    )


def _missed(state: BayState, source: str) -> BayState:
    """An edge that was put back is told once in a job: the figure holds, and the wire wants a look."""
    kind = f"{source}_{MISSED}"
    if any(n.kind == kind for n in state.telling.notices):
        return state
    return note(
        state,
        kind,
        _(
            "{sensor}: an edge was not reported and was put back by what came before and after it. The count is right as long as no more than one is missed at a time. Check shield and connector when the job is done."
        ).format(sensor=name(source)),
    )


def _with_timing(state: BayState, since_s: Mapping[str, float]) -> BayState:
    return evolve(state, hearing=evolve(state.hearing, timing_since_s=since_s))


def _with_faults(state: BayState, faults: dict[str, str]) -> BayState:
    return evolve(state, hearing=evolve(state.hearing, faults=faults))
