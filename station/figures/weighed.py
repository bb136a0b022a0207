"""What the pan weighed: drained fluid and what ran over at the plug, each with its budget, from a state alone."""

import math
from collections.abc import Callable

from calibration import budget
from calibration.buoyancy import air_density
from calibration.fluid import Fluid
from station.core import second_pan
from station.core.state import BayState
from station.weighing import drip, lines, steps
from station.weighing.leak import LeakWatch, watch
from station.weighing.limits import LIMITS as WEIGHING

CELL_WARMS_C = 3.0
"""Standard uncertainty of how far a load cell warms under hot oil between two weighings (common practice, no source)."""
CELL_OFF_C, SPAN_REL_PER_C = 5.0, 2.0e-5
"""How far it may be from the temperature it was calibrated at, and what a kelvin does to its slope (from memory: 0.02 % per
10 K)."""


def _air_density_kg_m3(state: BayState) -> float:
    """Air in the workshop. A reading outside the formula's range falls back to 20 °C: it moves oil by 2e-6."""
    air = state.spec.air
    temperature_c = state.hearing.temperatures_c.get("air_c", 20.0)
    try:
        return float(air_density(temperature_c, air.pressure_hpa * 100.0, air.relative_humidity))
    except ValueError:
        return float(air_density(20.0, air.pressure_hpa * 100.0, air.relative_humidity))


def _weighed(
    state: BayState,
    quantity: str,
    indicated_kg: float,
    u_kg: float,
    load_kg: float,
    fluid: Fluid,
    temperature_c: float | None,
    lasted_s: float,
) -> budget.Budget:
    line = state.spec.pan
    reference_c = state.spec.reference_temperature_c
    return budget.drained(
        indicated_kg=indicated_kg,
        u_indication_kg=math.hypot(u_kg, line.u_indication_kg),
        u_slope_rel=line.u_now_rel,
        dof_slope=line.dof_slope,
        u_creep_kg=line.creep_rel * abs(load_kg),
        u_linearity_kg=line.u_linearity_kg,
        u_cell_temperature_kg=math.hypot(
            line.u_kg_per_c * CELL_WARMS_C, SPAN_REL_PER_C * CELL_OFF_C * load_kg
        ),
        u_wander_kg=WEIGHING.u_cell_kg_s * lasted_s,
        density_kg_m3=fluid.density_kg_m3(reference_c if temperature_c is None else temperature_c),
        density_reference_kg_m3=fluid.density_kg_m3(reference_c),
        u_density_rel=fluid.u_density_rel,
        air_density_kg_m3=_air_density_kg_m3(state),
        quantity=quantity,
    )


def _now(state: BayState) -> lines.Level | None:
    return state.weighing.pan.level_at(state.t_s, state.spec.pan.noise_kg)


def drained_level(state: BayState) -> lines.Level | None:
    """The pan at the freeze; at the technician's own mark where what was taken for solvent was fluid."""
    says = state.says()
    if state.drain.taken is not None and any(
        s.kind == "flush" and says.get(s.id) == "fluid" for s in state.weighing.steps
    ):
        return state.drain.marked or _now(state)
    return state.drain.taken


def _u_since_kg(state: BayState) -> float:
    """Half of what has dripped between a freeze that nobody confirmed and the technician's own mark."""
    drain, says = state.drain, state.says()
    unsaid = any(s.kind == "flush" and s.id not in says for s in state.weighing.steps)
    if not unsaid or drain.taken is None or drain.drip is None:
        return 0.0
    until_s = state.t_s if drain.marked is None else drain.marked.t_s
    return 0.5 * drip.gained_kg(drain.drip, drain.taken.t_s, until_s, state.spec.pan.noise_kg)


def _in_all(state: BayState, of_one: Callable[[BayState], budget.Budget | None]) -> budget.Budget | None:
    """The sum over a bay's pans of what is known of each; None where nothing is."""
    each = [found for seen in second_pan.pans(state) if (found := of_one(seen)) is not None]
    if len(each) < 2:
        return each[0] if each else None
    return budget.together(*each)


def drained(state: BayState) -> budget.Budget | None:
    """What came out, into whichever pan. None where nothing was weighed, or where what came into one is not known."""
    if any(seen.drain.unknown for seen in second_pan.pans(state)):
        return None
    return _in_all(state, drained_here)


def overflow(state: BayState) -> budget.Budget | None:
    """Fill that ran over, into whichever pan."""
    return _in_all(state, overflow_here)


def drained_here(state: BayState) -> budget.Budget | None:
    """What came into the pan that the state is about."""
    before, level = state.drain.before, drained_level(state)
    if before is None or state.drain.unknown:
        return None
    temperature_c = state.drain.temperature_c
    if level is None:
        temperature_c = state.hearing.temperatures_c.get("fluid_drained_c")
        level = _now(state)
        if level is None:
            return None
    fluid_kg, u_steps_kg = steps.between(state.weighing.steps, state.says(), before.t_s, level.t_s)
    gained_kg = level.kg - before.kg + fluid_kg
    u_kg = math.hypot(before.u_kg, level.u_kg, u_steps_kg, _u_since_kg(state))
    lasted_s = level.t_s - before.t_s
    return _weighed(state, "drained", gained_kg, u_kg, gained_kg, state.spec.drained, temperature_c, lasted_s)


def overflow_here(state: BayState) -> budget.Budget | None:
    """Fill that ran back into the pan that the state is about: what it gained beyond its own drift, never below zero."""
    base = state.fill.base
    if base is None:
        return None
    end = state.fill.end or _now(state)
    if end is None:
        return None
    fluid_kg, u_steps_kg = steps.between(state.weighing.steps, state.says(), base.t_s, end.t_s)
    gained_kg = end.kg - base.kg + fluid_kg - state.weighing.drift.gained_kg(base.t_s, end.t_s)
    u_drift_kg = state.weighing.drift.u_gained_kg(base.t_s, end.t_s)
    load_kg = base.kg - (state.drain.before.kg if state.drain.before is not None else 0.0)
    u_creep_kg = 0.3 * state.spec.pan.creep_rel * abs(load_kg)
    u_kg = math.hypot(base.u_kg, end.u_kg, u_drift_kg, u_creep_kg, u_steps_kg)
    gained_kg = max(0.0, gained_kg)  # nothing runs from the pan back into the axle
    supply_c = state.meter.supply_c
    # its zero's wander is in the drift's doubt already
    return _weighed(state, "overflow", gained_kg, u_kg, gained_kg, state.spec.fresh, supply_c, 0.0)


def dried_l(state: BayState) -> float:
    """How much of the overflow is only what the pans would have lost by themselves, had they gone on losing it as before the
    fill: litres at the reference temperature. 0.0 where nothing dries."""
    return sum(map(_dried_here_l, second_pan.pans(state)))


def _dried_here_l(state: BayState) -> float:
    base, end = state.fill.base, state.fill.end or _now(state)
    if base is None or end is None:
        return 0.0
    kg_per_l = state.spec.fresh.density_kg_m3(state.spec.reference_temperature_c) / 1000.0
    return max(0.0, -state.weighing.drift.gained_kg(base.t_s, end.t_s)) / kg_per_l


def leak_watch(state: BayState) -> LeakWatch | None:
    """What the pans have shown since the plug went in. None until half a minute of it was seen."""
    each = [seen for seen in map(_leak_here, second_pan.pans(state)) if seen is not None]
    if len(each) < 2:
        return each[0] if each else None
    return LeakWatch(
        sum(one.rate_l_h for one in each),
        math.hypot(*(one.u_l_h for one in each)),
        sum(one.unseen_l_h for one in each),
    )


def _leak_here(state: BayState) -> LeakWatch | None:
    if state.weighing.leak is None or state.weighing.leak.slope.n < 6:
        return None
    slope, middle_s = (
        state.weighing.leak.slope,
        0.5 * (state.weighing.leak.t0_s + state.weighing.leak.block_t_s),
    )
    u_slope_kg_s = state.spec.pan.noise_kg / math.sqrt(slope.stt)
    density = state.spec.fresh.density_kg_m3(state.spec.reference_temperature_c)
    drift = state.weighing.drift
    return watch(slope.kg_s, u_slope_kg_s, drift.rate_kg_s(middle_s), drift.u_rate_kg_s(middle_s), density)


def leaked_l(state: BayState) -> float:
    """What a leak that the watch found or left open has brought into the pan while the fill was weighed, at the most, if it ran
    as fast all along: litres at the reference temperature. 0.0 where there is none."""
    leak, base = leak_watch(state), state.fill.base
    if leak is None or not (leak.found or leak.unsure) or base is None:
        return 0.0
    until_s = state.t_s if state.fill.end is None else state.fill.end.t_s
    return leak.rate_l_h * (until_s - base.t_s) / 3600.0
