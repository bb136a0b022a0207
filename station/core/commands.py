"""What reaches the pump's control from outside: hands on a button, the page, the technician's marks, the relay."""

import math
from collections.abc import Callable

from hardware.sample import Sample
from station.common.evolve import evolve
from station.common.words import N_
from station.core import container, lip
from station.core.amounts import delivered_l, planned_l, poured_l
from station.core.interlock_table import TABLE
from station.core.limits import LIMITS
from station.core.state import BayState, latch, unwarned, with_hold, with_stray
from station.core.turn import Purge, Stray
from station.filling import metering
from station.filling.drum import Drum
from station.given.said import SetAside
from station.given.stages import BEFORE_FILL

LEVEL_SEEN = N_("level seen at the plug")
STOPPED = N_("stopped at the page")


def hear(state: BayState, sample: Sample) -> BayState:
    """Take in a word from outside; one that is none of ours changes nothing."""
    listen = _LISTENS.get(sample.source)
    return state if listen is None else listen(state, sample)


def _held(state: BayState, sample: Sample) -> BayState:
    hold = state.pump.hold
    held = {name: t for name, t in hold.held_t_s.items() if name != sample.source}
    if sample.value:
        held[sample.source] = state.t_s
    return with_hold(state, evolve(hold, held_t_s=held))


def _stopped(state: BayState, sample: Sample) -> BayState:
    return latch(state, STOPPED) if sample.value else state


def _stop_button(state: BayState, sample: Sample) -> BayState:
    return with_hold(state, evolve(state.pump.hold, stop_open=bool(sample.value)))


def _top_up(state: BayState, sample: Sample) -> BayState:
    if state.fill.base is None:
        return state
    state = lip.end(state, lip.OTHERWISE)
    hold = state.pump.hold
    base_l = max(hold.top_up_l, state.meter.volume_l - planned_l(state))
    return with_hold(state, evolve(hold, top_up_l=base_l + float(sample.value)))


def _drum(state: BayState, sample: Sample) -> BayState:
    drum, before = Drum.from_text(str(sample.value)), state.supply.drum
    if before is not None and before.container != drum.container:
        state = container.other(state)
    if before is not None and before.fluid != drum.fluid:  # the reason was given for what came before it
        overrides = {kind: why for kind, why in state.said.overrides.items() if kind != SetAside.WRONG_GRADE}
        state = evolve(state, said=evolve(state.said, overrides=overrides))
    supply = evolve(
        state.supply,
        drum=evolve(drum, total_l=state.meter.total_l),
        drum_from_l=state.meter.volume_l,
        poured_l=poured_l(state),
        earlier=state.supply.earlier if before is None else (*state.supply.earlier, before),
    )
    return unwarned(evolve(state, supply=supply), "drum_low")


def _override(state: BayState, sample: Sample) -> BayState:
    kind, _, reason = str(sample.value).partition(":")
    if kind not in TABLE or not TABLE[kind].reason or not reason.strip():
        return state
    overrides = {**state.said.overrides, kind: reason.strip()}
    return evolve(state, said=evolve(state.said, overrides=overrides))


def _marked(state: BayState, mark: str) -> BayState:
    if mark == "level_seen":
        state = latch(state, LEVEL_SEEN)
    if mark == "fill_start":
        state = unwarned(state, "over_target", "drum_low")
        if state.supply.purge is not None:
            state = _purge(state, 0.0)
    return state


def _switched(state: BayState, on: bool) -> BayState:
    """The pump's relay as read back. Off: from here on nothing should flow."""
    stray, total_l = state.pump.stray, state.meter.total_l
    if stray is not None and stray.on == on:
        return state
    if on:
        return with_stray(state, Stray(state.t_s, total_l, 0.0, on=True))
    flow = metering.flow_l_min(state.meter, state.spec.meter.k_factor_per_l)
    allowed_l = max(
        LIMITS.stray_first_l,
        flow / 60.0 * LIMITS.stray_first_times * state.pump.overrun.seconds(state.meter.kv_mm2_s),
    )
    if (
        state.hearing.typical_s.get("meter", 0.0) > LIMITS.sparse_meter_s
    ):  # its next count still holds what came before the stop
        allowed_l = math.inf
    if stray is None:  # it was off before anybody listened
        return with_stray(state, Stray(state.t_s, total_l, allowed_l, base_l=total_l))
    return with_stray(state, Stray(state.t_s, total_l, allowed_l))


def _purge(state: BayState, needed_l: float) -> BayState:
    """Begin a purge of so many litres, or end the one under way with 0."""
    if state.supply.purge is not None:
        purged_l = state.supply.purged_l + delivered_l(state)
        state = evolve(state, supply=evolve(state.supply, purge=None, purged_l=purged_l))
    if needed_l > 0 and state.stage in BEFORE_FILL:
        state = evolve(state, supply=evolve(state.supply, purge=Purge(state.meter.total_l, needed_l)))
    return state


_LISTENS: dict[str, Callable[[BayState, Sample], BayState]] = {
    "pendant": _held,
    "hold": _held,
    "stop": _stopped,
    "stop_open": _stop_button,
    "top_up": _top_up,
    "mark": lambda state, sample: _marked(state, str(sample.value)),
    "pump": lambda state, sample: _switched(state, bool(sample.value)),
    "purge": lambda state, sample: _purge(state, float(sample.value)),
    "drum": _drum,
    "override": _override,
}
