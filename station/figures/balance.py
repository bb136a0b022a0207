"""Drained against filled against expected: every figure with its budget, from a state alone."""

import math
from dataclasses import dataclass
from typing import Any

from calibration import budget
from calibration.buoyancy import air_density
from calibration.fluid import Fluid
from station.core import amounts
from station.core.state import BayState
from station.filling import metering
from station.given.job import JobSpec
from station.given.stages import Stage
from station.verdict import Judgement, judge
from station.weighing import drip, lines, steps
from station.weighing.leak import LeakWatch, watch

U_SUPPLY_C = 0.5
"""Standard uncertainty of a 1-Wire thermometer in the supply line: ±0.5 °C sensor class and what the line adds."""
U_SUPPLY_UNREAD_C = 8.0
"""Without a thermometer the supply is taken at the reference temperature, and a workshop is not a laboratory."""
K_GIVEN_AT_C = 20.0
U_SLIP_MM2_S = 0.7
"""What a gear meter lets pass uncounted goes as 1/viscosity: so much over ν, a share. Of small meters no source says how
much: an assumption, that a proving at another viscosity replaces."""
U_SLIP_PER_E = 0.00272
"""Oval gears of 50 mm bore changed by this share for each factor e of viscosity, from 0.17 to 12 mPa·s. Thicker fluids
are beyond it, so it only widens the doubt. Source: K. W. Lim, "An experimental study on the characteristics of oval
gear flowmeters", IMEKO FLOMEKO, abstract."""
U_PULSES = 0.6
"""One pulse at either end of a fill, rectangular: √2 · 1/√12, rounded up for the edge counted."""


@dataclass(frozen=True)
class Figures:
    """What a job came to, litres at the reference temperature. None where it was not measured."""

    drained: budget.Budget | None
    metered: budget.Budget | None
    overflow: budget.Budget | None
    filled: budget.Budget | None
    judgement: Judgement | None


@dataclass(frozen=True)
class StillToCome:
    """What the next half hour would bring, and how long that is worth waiting for; 0 when no longer."""

    volume_l: float
    u95_l: float
    wait_s: float


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
) -> budget.Budget:
    line = state.spec.pan
    reference_c = state.spec.reference_temperature_c
    return budget.drained(
        indicated_kg=indicated_kg,
        u_indication_kg=math.hypot(u_kg, line.u_indication_kg),
        u_slope_rel=line.u_rel,
        dof_slope=line.dof_slope,
        u_creep_kg=line.creep_rel * abs(load_kg),
        density_kg_m3=fluid.density_kg_m3(reference_c if temperature_c is None else temperature_c),
        density_reference_kg_m3=fluid.density_kg_m3(reference_c),
        u_density_rel=fluid.u_density_rel,
        air_density_kg_m3=_air_density_kg_m3(state),
        quantity=quantity,
    )


def _drained_level(state: BayState) -> lines.Level | None:
    """The pan at the freeze; at the technician's own mark where what was taken for solvent was fluid."""
    says = state.says()
    if state.drain.taken is not None and any(
        s.kind == "flush" and says.get(s.id) == "fluid" for s in state.weighing.steps
    ):
        return state.drain.marked or lines.fit_level(
            state.weighing.pan.window, state.t_s, state.spec.pan.noise_kg
        )
    return state.drain.taken


def _drained(state: BayState) -> budget.Budget | None:
    before, level = state.drain.before, _drained_level(state)
    if before is None:
        return None
    temperature_c = state.drain.temperature_c
    if level is None:
        temperature_c = state.hearing.temperatures_c.get("fluid_drained_c")
        level = lines.fit_level(state.weighing.pan.window, state.t_s, state.spec.pan.noise_kg)
        if level is None:
            return None
    fluid_kg, u_steps_kg = steps.between(state.weighing.steps, state.says(), before.t_s, level.t_s)
    gained_kg = level.kg - before.kg + fluid_kg
    u_kg = math.hypot(before.u_kg, level.u_kg, u_steps_kg)
    return _weighed(state, "drained", gained_kg, u_kg, gained_kg, state.spec.drained, temperature_c)


def _u_slip_rel(spec: JobSpec, supply_c: float) -> float:
    """What the K-factor, given at 20 °C, may have moved by at the supply's viscosity, where no curve says."""
    if spec.meter.curve is not None:
        return 0.0
    try:
        proved, now = spec.fresh.viscosity_mm2_s(K_GIVEN_AT_C), spec.fresh.viscosity_mm2_s(supply_c)
    except ValueError:
        return 0.0
    if proved is None or now is None:
        return 0.0
    return max(U_SLIP_MM2_S * abs(1.0 / proved - 1.0 / now), U_SLIP_PER_E * abs(math.log(now / proved)))


def _metered(state: BayState) -> budget.Budget | None:
    if state.fill.base is None and state.meter.pulses == 0 and not state.meter.counting:
        return None
    if "meter" not in state.hearing.last_t_s:
        return None
    spec, track = state.spec, state.meter
    supply_c = track.supply_c
    at_c = spec.reference_temperature_c if supply_c is None else supply_c
    return budget.metered(
        volume_reference_l=track.volume_l,
        u_pulses_l=metering.u_pulses_l(track, spec.meter.k_factor_per_l, U_PULSES),
        u_k_rel=math.hypot(spec.meter.u_rel, _u_slip_rel(spec, at_c)),
        dof_k=spec.meter.dof,
        expansion_per_c=spec.fresh.expansion_at_per_c(at_c),
        u_temperature_c=U_SUPPLY_UNREAD_C if supply_c is None else U_SUPPLY_C,
    )


def _overflow(state: BayState) -> budget.Budget | None:
    """Fill that ran back into the pan: what it gained beyond its own drift, never below zero."""
    base = state.fill.base
    if base is None:
        return None
    end = state.fill.end or lines.fit_level(state.weighing.pan.window, state.t_s, state.spec.pan.noise_kg)
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
    return _weighed(state, "overflow", gained_kg, u_kg, gained_kg, state.spec.fresh, supply_c)


def drip_ahead(state: BayState) -> StillToCome | None:
    """The drip's forecast as of now, or of the moment the drained figure was taken. None before it can be told."""
    if state.stage is not Stage.DRIP and state.drain.taken is None:
        return None
    spec = state.spec
    kg_per_l = spec.drained.density_kg_m3(spec.reference_temperature_c) / 1000.0
    at_s = state.t_s if state.drain.taken is None else state.drain.taken.t_s
    ahead = drip.forecast(state.drain.drip, at_s, spec.pan.noise_kg, 0.1 * spec.tolerance_minus_l * kg_per_l)
    if ahead is None:
        return None
    return StillToCome(ahead.still_to_come_kg / kg_per_l, 2.0 * ahead.u_kg / kg_per_l, ahead.wait_s)


def leak_watch(state: BayState) -> LeakWatch | None:
    """What the pan has shown since the plug went in. None until half a minute of it was seen."""
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


def figures(state: BayState) -> Figures:
    """All figures as of this state."""
    spec = state.spec
    metered, overflow = _metered(state), _overflow(state)
    filled = budget.filled(metered, overflow) if metered is not None and overflow is not None else metered
    judgement = None
    if filled is not None:
        judgement = judge(
            filled.value,
            filled.u,
            spec.expected_fill_l,
            spec.u_retained_l,
            spec.tolerance_minus_l,
            spec.tolerance_plus_l,
        )
    return Figures(_drained(state), metered, overflow, filled, judgement)


def _weighs(state: BayState, step: steps.Step) -> bool:
    """Whether a step lies where a figure is weighed: from the drain to its freeze, or in the fill."""
    if step.kind == "flush":
        return True
    drained, before, base, end = _drained_level(state), state.drain.before, state.fill.base, state.fill.end
    draining = before is not None and before.t_s < step.t_s <= (math.inf if drained is None else drained.t_s)
    return draining or (base is not None and base.t_s < step.t_s <= (math.inf if end is None else end.t_s))


def what_came(state: BayState) -> list[dict[str, Any]]:
    """What came and went on the pan, and how much of it counts as fluid.

    asked: nobody knows what it was until the technician says. may_answer: the technician may say, and it matters.
    """
    says = state.says()
    return [
        {
            "id": s.id,
            "kind": s.kind,
            "t_s": s.t_s,
            "kg": s.kg,
            "counted_kg": steps.counted(s, says.get(s.id))[0],
            "says": says.get(s.id),
            "asked": s.kind == "gulp" and s.id not in says,
            "may_answer": s.kind in steps.ANSWERABLE and _weighs(state, s),
        }
        for s in state.weighing.steps
    ]


def report(state: BayState) -> dict[str, Any]:
    """The contract's JSON object for a job. Figures that were not measured are null."""
    f, ahead, spec = figures(state), drip_ahead(state), state.spec

    def value(b: budget.Budget | None) -> float | None:
        return None if b is None else b.value

    def u95(b: budget.Budget | None) -> float | None:
        return None if b is None else b.u95

    judged, leak, wrong = f.judgement, leak_watch(state), amounts.wrong_fill(state)
    return {
        "drained_l": value(f.drained),
        "drained_u95_l": u95(f.drained),
        "still_to_come_l": None if ahead is None else ahead.volume_l,
        "still_to_come_u95_l": None if ahead is None else ahead.u95_l,
        "metered_l": value(f.metered),
        "metered_u95_l": u95(f.metered),
        "overflow_l": value(f.overflow),
        "overflow_u95_l": u95(f.overflow),
        "filled_l": value(f.filled),
        "filled_u95_l": u95(f.filled),
        "listed_capacity_l": spec.capacity_l,
        "expected_fill_l": spec.expected_fill_l,
        "expected_fill_u95_l": 2.0 * spec.u_retained_l,
        "tolerance_minus_l": spec.tolerance_minus_l,
        "tolerance_plus_l": spec.tolerance_plus_l,
        "reference_temperature_c": spec.reference_temperature_c,
        "verdict": "undecided" if judged is None or (wrong and judged.verdict == "full") else judged.verdict,
        "wrong_fill": wrong,
        "air_l": state.meter.air_l,
        "p_short": judged.p_short if judged is not None else None,
        "p_within": judged.p_within if judged is not None else None,
        "p_over": judged.p_over if judged is not None else None,
        "level_seen": state.marked("level_seen") is not None,
        "ran_over_at_l": state.fill.overflow_at_l,
        "leak_l_h": None if leak is None else leak.rate_l_h,
        "leak_u95_l_h": None if leak is None else leak.u95_l_h,
        "leak_limit_l_h": None if leak is None else leak.limit_l_h,
        "leak_text": None if leak is None else leak.text,
        "steps": what_came(state),
        "stage": state.stage.value,
        "notices": [{"kind": n.kind, "text": n.text, "t_s": n.t_s} for n in state.telling.notices],
        "budgets": {
            b.quantity: b.to_dict() for b in (f.drained, f.metered, f.overflow, f.filled) if b is not None
        },
    }
