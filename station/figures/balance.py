"""Drained against filled against expected: every figure with its budget, from a state alone."""

import math
from dataclasses import dataclass, replace

from calibration import budget
from station.common.digits import local, number, stated
from station.common.words import _
from station.core import amounts, interruption, lip, second_pan
from station.core.expectation import expected_now
from station.core.state import BayState
from station.figures import course, unproved, weighed
from station.figures.evidence import About
from station.figures.metered import metered, proved_here
from station.figures.witnesses import Hearing, hear
from station.filling.expecting import Expecting, proved_l
from station.given.report import InPan, LipProof, PanStep, Part, Report, Told
from station.given.stages import Stage
from station.weighing import drip, steps
from station.weighing.leak import LeakWatch


@dataclass(frozen=True)
class Figures:
    """What a job came to, litres at the reference temperature. None where it was not measured."""

    drained: budget.Budget | None
    metered: budget.Budget | None
    overflow: budget.Budget | None
    filled: budget.Budget | None
    expecting: Expecting
    hearing: Hearing | None


@dataclass(frozen=True)
class StillToCome:
    """What the next half hour would bring, and how long that is worth waiting for; 0 when no longer."""

    volume_l: float
    u95_l: float
    wait_s: float


def drip_ahead(state: BayState) -> StillToCome | None:
    """The drip's forecast as of now, or of the moment the drained figure was taken. None before it can be told."""
    if state.stage is not Stage.DRIP and state.drain.taken is None:
        return None
    each = [one for seen in second_pan.pans(state) if (one := _drip_here(seen)) is not None]
    if not each:
        return None
    kg_per_l = state.spec.drained.density_kg_m3(state.spec.reference_temperature_c) / 1000.0
    u_kg = math.hypot(*(one.u_kg for one in each))
    still_kg = sum(one.still_to_come_kg for one in each)
    return StillToCome(still_kg / kg_per_l, budget.expanded(u_kg) / kg_per_l, max(one.wait_s for one in each))


def _drip_here(state: BayState) -> drip.DripForecast | None:
    """The drip into the pan that the state is about; worth waiting for by its share of what is worth it."""
    spec, pans = state.spec, len(second_pan.pans(state))
    kg_per_l = spec.drained.density_kg_m3(spec.reference_temperature_c) / 1000.0
    at_s = state.t_s if state.drain.taken is None else state.drain.taken.t_s
    worth_kg = 0.1 * spec.tolerance_minus_l * kg_per_l / pans
    return drip.forecast(state.drain.drip, at_s, spec.pan.noise_kg, worth_kg)


def figures(state: BayState) -> Figures:
    """All figures as of this state."""
    counted, overflow = metered(state), weighed.overflow(state)
    filled = budget.filled(counted, overflow) if counted is not None and overflow is not None else counted
    now = expected_now(state)
    drained = weighed.drained(state)
    hearing = hear(state, counted, overflow, filled, drained, now)
    return Figures(drained, counted, overflow, filled, now, hearing)


def _weighs(state: BayState, step: steps.Step) -> bool:
    """Whether a step lies where a figure is weighed: from the drain to its freeze, or in the fill."""
    if step.kind == "flush":
        return True
    drained, before, base, end = (
        weighed.drained_level(state),
        state.drain.before,
        state.fill.base,
        state.fill.end,
    )
    draining = before is not None and before.t_s < step.t_s <= (math.inf if drained is None else drained.t_s)
    return draining or (base is not None and base.t_s < step.t_s <= (math.inf if end is None else end.t_s))


WORTH_ASKING = 0.1
"""A doubt below this share of the tolerance decides nothing, as a drip's is not worth waiting for."""


def what_came(state: BayState) -> tuple[PanStep, ...]:
    """What came and went on the pan, or on either of two, and how much of it counts as fluid."""
    return tuple(step for seen in second_pan.pans(state) for step in _came_here(seen))


def _came_here(state: BayState) -> tuple[PanStep, ...]:
    says = state.says()
    unsaid = [s for s in state.weighing.steps if s.kind in ("gulp", "flush") and s.id not in says]
    kg_per_l = state.spec.drained.density_kg_m3(state.spec.reference_temperature_c) / 1000.0
    least_kg = WORTH_ASKING * min(state.spec.tolerance_minus_l, state.spec.tolerance_plus_l) * kg_per_l
    matters = sum(2.0 * s.doubt_kg for s in unsaid) > least_kg
    return tuple(
        PanStep(
            id=s.id,
            kind=s.kind,
            t_s=s.t_s,
            kg=s.kg,
            counted_kg=steps.counted(s, says.get(s.id))[0],
            says=says.get(s.id),
            asked=s in unsaid and matters,
            may_answer=s.kind in steps.ANSWERABLE and _weighs(state, s),
        )
        for s in state.weighing.steps
    )


def _not_proved(state: BayState) -> tuple[Told, ...]:
    """A notice where the meter's curve does not reach the flow and viscosity of this fill; figures carry the doubt."""
    track = state.meter
    flow_l_min = track.air.steady_l_min if track.air.steady_n > 1 else None
    if not track.pulses or proved_here(state.spec, track.supply_c, flow_l_min):
        return ()
    text = _(
        "The meter was not proved at this flow and viscosity: its nearest K-factor was used, and the metered volume's doubt is wider. Prove it with this fluid at this temperature."
    )
    return (Told("meter_not_proved_here", text, state.t_s),)


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
    return _(
        "{share} of the drained figure's doubt is the used fluid's density. Weigh a known volume of it on the pan: the figure would be good to ± {left} L."
    ).format(share=number(share, ".0%"), left=local(left))


def _proved(state: BayState, f: Figures) -> float | None:
    """What this fill says of its compartment, where the level was proved; None where it was not."""
    if f.filled is None or f.hearing is None:
        return None
    if not any(w.about is About.LEVEL and f.hearing.fusion.sound(w.name) > 0.5 for w in f.hearing.witnesses):
        return None
    return proved_l(state.spec, f.expecting, f.filled.value)


def _value(b: budget.Budget | None) -> float | None:
    return None if b is None else b.value


def _u95(b: budget.Budget | None) -> float | None:
    return None if b is None else b.u95


def report(state: BayState) -> Report:
    """What the job came to so far; see ``station.given.report``."""
    f, ahead, spec = figures(state), drip_ahead(state), state.spec
    notices = tuple(Told(n.kind, n.text, n.t_s) for n in state.telling.notices)
    known = Report(
        drained_l=_value(f.drained),
        drained_u95_l=_u95(f.drained),
        still_to_come_l=None if ahead is None else ahead.volume_l,
        still_to_come_u95_l=None if ahead is None else ahead.u95_l,
        metered_l=_value(f.metered),
        metered_u95_l=_u95(f.metered),
        overflow_l=_value(f.overflow),
        overflow_u95_l=_u95(f.overflow),
        filled_l=_value(f.filled),
        filled_u95_l=_u95(f.filled),
        listed_capacity_l=spec.capacity_l,
        expected_fill_l=f.expecting.value_l,
        expected_fill_u95_l=f.expecting.u95_l,
        expected_parts=tuple(Part(name, u) for name, u in f.expecting.parts),
        proved_fill_l=None if interruption.unproved(state) else _proved(state, f),
        tolerance_minus_l=spec.tolerance_minus_l,
        tolerance_plus_l=spec.tolerance_plus_l,
        reference_temperature_c=spec.reference_temperature_c,
        verdict="undecided",
        narrows=_narrows(state, f),
        wrong_fill=amounts.wrong_fill(state),
        air_l=state.meter.air_l,
        level_seen=amounts.level_seen(state),
        stands_level=state.marked("stands_level") is not None,
        ran_over_at_l=min(
            (at_l for at_l in (state.fill.overflow_at_l, state.other.overflow_at_l) if at_l is not None),
            default=None,
        ),
        steps=what_came(state),
        pump_runs=course.runs(state),
        topped_up=course.topped_up(state),
        leak_watched_s=course.leak_watched_s(state),
        leak_watch_s=state.settings.leak_watch_s,
        stage=state.stage.value,
        notices=notices + _not_proved(state),
        budgets={b.quantity: b for b in (f.drained, f.metered, f.overflow, f.filled) if b is not None},
        lip_proof=_lip_proof(state),
        pans=_each_pan(state),
        unproved=interruption.unproved(state),
    )
    return _with_leak(_with_verdict(known, f.hearing, state), weighed.leak_watch(state))


def _each_pan(state: BayState) -> tuple[InPan, ...]:
    """Each of two pans by itself; nothing where the sum is one pan's."""
    if not second_pan.fitted(state):
        return ()
    each = [
        (seen.weighing.source, weighed.drained_here(seen), weighed.overflow_here(seen))
        for seen in second_pan.pans(state)
    ]
    return tuple(InPan(name, _value(out), _u95(out), _value(over), _u95(over)) for name, out, over in each)


def _with_verdict(known: Report, hearing: Hearing | None, state: BayState) -> Report:
    """What all witnesses say together; a fill of the wrong grade is never called full."""
    judged = None if hearing is None else hearing.fusion.judgement
    verdict = (
        "undecided" if judged is None or (known.wrong_fill and judged.verdict == "full") else judged.verdict
    )
    text = None if hearing is None else hearing.text
    verdict, text, judged = unproved.judged(state, verdict, text, judged)
    known = replace(
        known, verdict=verdict, verdict_text=text, witnesses=() if hearing is None else hearing.said
    )
    if judged is None:
        return known
    return replace(known, p_short=judged.p_short, p_within=judged.p_within, p_over=judged.p_over)


def _with_leak(known: Report, leak: LeakWatch | None) -> Report:
    if leak is None:
        return known
    return replace(
        known,
        leak_l_h=leak.likely_l_h,
        leak_u95_l_h=leak.u95_l_h,
        leak_limit_l_h=leak.limit_l_h,
        leak_text=leak.text,
        leak_found=leak.found,
        leak_unsure=leak.unsure,
    )


def _lip_proof(state: BayState) -> LipProof | None:
    proof = state.fill.proof
    if proof is None:
        return None
    return LipProof(
        proof.proved_s is not None, lip.pushed_l(state, proof), lip.over_l(state, proof), proof.still
    )
