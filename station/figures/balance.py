"""Drained against filled against expected: every figure with its budget, from a state alone."""

import math
from dataclasses import dataclass
from typing import Any

from calibration import budget
from calibration.buoyancy import air_density
from calibration.fluid import Fluid
from station.common.digits import stated
from station.core import amounts, interruption, lip
from station.core.expectation import expected_now
from station.core.state import BayState
from station.figures import unproved
from station.figures.course import course
from station.figures.evidence import About
from station.figures.metered import metered, proved_here
from station.figures.witnesses import Hearing, hear
from station.filling.expecting import Expecting, proved_l
from station.given.stages import Stage
from station.verdict import Judgement
from station.weighing import drip, lines, rest, steps
from station.weighing.leak import LeakWatch, watch

CELL_WARMS_C = 3.0
"""Standard uncertainty of how far a load cell warms under hot oil between two weighings (common practice, no source)."""
CELL_OFF_C, SPAN_REL_PER_C = 5.0, 2.0e-5
"""How far it may be from the temperature it was calibrated at, and what a kelvin does to its slope (from memory: 0.02 % per
10 K)."""


@dataclass(frozen=True)
class Figures:
    """What a job came to, litres at the reference temperature. None where it was not measured."""

    drained: budget.Budget | None
    metered: budget.Budget | None
    overflow: budget.Budget | None
    filled: budget.Budget | None
    expecting: Expecting
    hearing: Hearing | None

    @property
    def judgement(self) -> Judgement | None:
        """What all witnesses say together; None before any spoke."""
        return None if self.hearing is None else self.hearing.fusion.judgement


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
        u_wander_kg=rest.U_CELL_KG_S * lasted_s,
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


def _u_since_kg(state: BayState) -> float:
    """Half of what has dripped between a freeze that nobody confirmed and the technician's own mark."""
    drain, says = state.drain, state.says()
    unsaid = any(s.kind == "flush" and s.id not in says for s in state.weighing.steps)
    if not unsaid or drain.taken is None or drain.drip is None:
        return 0.0
    until_s = state.t_s if drain.marked is None else drain.marked.t_s
    return 0.5 * drip.gained_kg(drain.drip, drain.taken.t_s, until_s, state.spec.pan.noise_kg)


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
    u_kg = math.hypot(before.u_kg, level.u_kg, u_steps_kg, _u_since_kg(state))
    lasted_s = level.t_s - before.t_s
    return _weighed(state, "drained", gained_kg, u_kg, gained_kg, state.spec.drained, temperature_c, lasted_s)


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
    # its zero's wander is in the drift's doubt already
    return _weighed(state, "overflow", gained_kg, u_kg, gained_kg, state.spec.fresh, supply_c, 0.0)


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
    return StillToCome(
        ahead.still_to_come_kg / kg_per_l, budget.expanded(ahead.u_kg) / kg_per_l, ahead.wait_s
    )


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
    counted, overflow = metered(state), _overflow(state)
    filled = budget.filled(counted, overflow) if counted is not None and overflow is not None else counted
    now = expected_now(state)
    drained = _drained(state)
    hearing = hear(state, counted, overflow, filled, drained, now)
    return Figures(drained, counted, overflow, filled, now, hearing)


def _weighs(state: BayState, step: steps.Step) -> bool:
    """Whether a step lies where a figure is weighed: from the drain to its freeze, or in the fill."""
    if step.kind == "flush":
        return True
    drained, before, base, end = _drained_level(state), state.drain.before, state.fill.base, state.fill.end
    draining = before is not None and before.t_s < step.t_s <= (math.inf if drained is None else drained.t_s)
    return draining or (base is not None and base.t_s < step.t_s <= (math.inf if end is None else end.t_s))


WORTH_ASKING = 0.1
"""A doubt below this share of the tolerance decides nothing, as a drip's is not worth waiting for."""


def what_came(state: BayState) -> list[dict[str, Any]]:
    """What came and went on the pan, and how much of it counts as fluid.

    asked: nobody knows what it was until the technician says, and the figure depends on it. may_answer: the technician may
    say.
    """
    says = state.says()
    unsaid = [s for s in state.weighing.steps if s.kind in ("gulp", "flush") and s.id not in says]
    kg_per_l = state.spec.drained.density_kg_m3(state.spec.reference_temperature_c) / 1000.0
    least_kg = WORTH_ASKING * min(state.spec.tolerance_minus_l, state.spec.tolerance_plus_l) * kg_per_l
    matters = sum(2.0 * s.doubt_kg for s in unsaid) > least_kg
    return [
        {
            "id": s.id,
            "kind": s.kind,
            "t_s": s.t_s,
            "kg": s.kg,
            "counted_kg": steps.counted(s, says.get(s.id))[0],
            "says": says.get(s.id),
            "asked": s in unsaid and matters,
            "may_answer": s.kind in steps.ANSWERABLE and _weighs(state, s),
        }
        for s in state.weighing.steps
    ]


def _not_proved(state: BayState) -> list[dict[str, Any]]:
    """A notice where the meter's curve does not reach the flow and viscosity of this fill; figures carry the doubt."""
    track = state.meter
    flow_l_min = track.air.steady_l_min if track.air.steady_n > 1 else None
    if not track.pulses or proved_here(state.spec, track.supply_c, flow_l_min):
        return []
    text = (
        "The meter was not proved at this flow and viscosity: its nearest K-factor was used, and the metered volume's "
        "doubt is wider. Prove it with this fluid at this temperature."
    )
    return [{"kind": "meter_not_proved_here", "text": text, "t_s": state.t_s}]


NARROWS_SHARE = 0.5
"""A term with more of a variance than this is where the next measurement pays."""


def _narrows(state: BayState, f: Figures) -> str | None:
    """Where a measured density would shrink a U95 most; None where none would."""
    if f.drained is None or state.spec.drained.density_origin == "measured":
        return None
    share = next((term.share for term in f.drained.terms if term.name == "fluid density"), 0.0)
    if share < NARROWS_SHARE:
        return None
    left = stated(f.drained.value, f.drained.u95 * math.sqrt(1.0 - share)).u95
    return (
        f"{share:.0%} of the drained figure's doubt is the used fluid's density. Weigh a known volume of it on the pan: "
        f"the figure would be good to ± {left} L."
    )


def _proved(state: BayState, f: Figures) -> float | None:
    """What this fill says of its compartment, where the level was proved; None where it was not."""
    if f.filled is None or f.hearing is None:
        return None
    if not any(w.about is About.LEVEL and f.hearing.fusion.sound(w.name) > 0.5 for w in f.hearing.witnesses):
        return None
    return proved_l(state.spec, f.expecting, f.filled.value)


def report(state: BayState) -> dict[str, Any]:
    """The contract's JSON object for a job. Figures that were not measured are null."""
    f, ahead, spec = figures(state), drip_ahead(state), state.spec

    def value(b: budget.Budget | None) -> float | None:
        return None if b is None else b.value

    def u95(b: budget.Budget | None) -> float | None:
        return None if b is None else b.u95

    judged, leak, wrong = f.judgement, leak_watch(state), amounts.wrong_fill(state)
    verdict = "undecided" if judged is None or (wrong and judged.verdict == "full") else judged.verdict
    said = None if f.hearing is None else f.hearing.text
    verdict, said, judged = unproved.judged(state, verdict, said, judged)
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
        "expected_fill_l": f.expecting.value_l,
        "expected_fill_u95_l": f.expecting.u95_l,
        "expected_parts": [{"name": name, "u": u} for name, u in f.expecting.parts],
        "proved_fill_l": None if interruption.unproved(state) else _proved(state, f),
        "tolerance_minus_l": spec.tolerance_minus_l,
        "tolerance_plus_l": spec.tolerance_plus_l,
        "reference_temperature_c": spec.reference_temperature_c,
        "verdict": verdict,
        "verdict_text": said,
        "narrows": _narrows(state, f),
        "witnesses": [] if f.hearing is None else list(f.hearing.said),
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
        "leak_found": None if leak is None else leak.found,
        "steps": what_came(state),
        **course(state),
        "stage": state.stage.value,
        "notices": [{"kind": n.kind, "text": n.text, "t_s": n.t_s} for n in state.telling.notices]
        + _not_proved(state),
        "budgets": {
            b.quantity: b.to_dict() for b in (f.drained, f.metered, f.overflow, f.filled) if b is not None
        },
        **_lip_proof(state),
        **({"unproved": True} if interruption.unproved(state) else {}),
    }


def _lip_proof(state: BayState) -> dict[str, Any]:
    """What a proof at the lip came to, where there was one. over_l: what its readings of the pan saw run over."""
    proof = state.fill.proof
    if proof is None:
        return {}
    return {
        "lip_proof": {
            "proved": proof.proved_s is not None,
            "pushed_l": lip.pushed_l(state, proof),
            "over_l": lip.over_l(state, proof),
            "still": proof.still,
        }
    }
