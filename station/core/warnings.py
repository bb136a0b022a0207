"""Checks behind those rows of ``station.core.interlock_table`` that only warn: each reads a state and says what it found."""

from collections.abc import Sequence

from calibration.budget import expanded
from station.common.digits import local, number, off_by, stated
from station.common.words import _
from station.core import container, second_pan
from station.core.amounts import delivered_l, purge_needed_l, target_l
from station.core.state import BayState
from station.filling.drum import short_by_l
from station.filling.limits import LIMITS as FILLING
from station.given.job import JobSpec
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


def pan_small(state: BayState) -> str | None:
    """Asked once the pan stands there, before the drain is opened."""
    pans = second_pan.pans(state)
    if state.marked("pan_placed") is None or not all(seen.weighing.pan.window for seen in pans):
        return None
    holds_kg = [seen.weighing.pan.median_kg + seen.weighing.pan.offset_kg for seen in pans]
    rims_l = [seen.settings.pan_room_l for seen in pans]
    return too_much(state.spec, rims_l, holds_kg)


def too_much(spec: JobSpec, rims_l: Sequence[float], holds_kg: Sequence[float]) -> str | None:
    """Whether more is expected to come out than the bay's pans take. rims_l: to their rims; holds_kg: what each bears now, as
    indicated; the first pan first."""
    kg_per_l = spec.drained.density_kg_m3(spec.reference_temperature_c) / 1000.0
    lines = [line for line in (spec.pan, spec.pan_b) if line is not None]
    room_l = sum(
        max(0.0, line.room_l(rim_l, kg, kg_per_l))
        for line, rim_l, kg in zip(lines, rims_l, holds_kg, strict=True)
    )
    if spec.expected_fill_l <= room_l:
        return None
    return _("{expected_l} L are expected to come out; the pan takes {room_l} L more.").format(
        expected_l=number(spec.expected_fill_l, ".1f"), room_l=number(room_l, ".1f")
    )
