"""Checks behind those rows of ``station.core.interlock_table`` that only warn: each reads a state and says what it found."""

from calibration.budget import expanded
from station.common.digits import local, number, off_by, stated
from station.common.words import _
from station.core import container
from station.core.amounts import delivered_l, purge_needed_l, target_l
from station.core.state import BayState
from station.filling.drum import short_by_l
from station.filling.limits import LIMITS as FILLING
from station.given.stages import NEEDS_FLUID


def air(state: BayState) -> str | None:
    track = state.meter
    if not track.air_l > 0:
        return None
    told = stated(track.air_l, expanded(track.u_air_l), 3)
    return _("About {value} mL of what was metered was air, give or take {u95} mL.").format(
        value=local(told.value), u95=local(told.u95)
    )


def flow_unlike(state: BayState) -> str | None:
    """The pump's own record tells what its meter alone cannot: a fill that is off by less than a kink or a burst."""
    watch, bounds = state.meter.air, state.pump.usual.bounds()
    can = state.pump_can_l_min()
    if (
        bounds is None
        or not can
        or not state.pump.hold.running
        or state.pump.hold.fine
        or watch.steady_n < FILLING.steady_blocks
    ):
        return None
    share = watch.steady_l_min / can
    if bounds[0] <= share <= bounds[1]:
        return None
    return _(
        "{steady_l_min} L/min, {share} than this pump gave with this fluid in {stops} earlier fills."
    ).format(
        steady_l_min=number(watch.steady_l_min, ".2f"),
        share=off_by(share / state.pump.usual.mean - 1.0),
        stops=state.pump.usual.stops,
    )


def container_grew(state: BayState) -> str | None:
    both = container.weighed(state) if state.meter.pulses else None
    if both is None or not both.grew_kg():
        return None
    return _("{before_kg} kg before the fill, {after_kg} kg since.").format(
        before_kg=number(both.before_kg, ".2f"), after_kg=number(both.after_kg, ".2f")
    )


def drum_low(state: BayState) -> str | None:
    if state.supply.drum is None or state.stage not in NEEDS_FLUID:
        return None
    drum = state.supply.drum.now(state.meter.total_l)
    needed_l = max(0.0, target_l(state) - delivered_l(state)) + purge_needed_l(state)
    missing_l = short_by_l(drum, needed_l)
    if missing_l <= 0:
        return None
    return _("{container} holds about {left_l} L; this job needs {needed_l} L more.").format(
        container=drum.container, left_l=number(drum.left_l, ".1f"), needed_l=number(needed_l, ".1f")
    )
