"""Proof at the lip: after the target, small steps with a look at the pan after each, until fluid runs over.

What the pan has read depends on the recording's own sources (pan, meter, marks), so that a replayed recording finds the
same proof; when the next step may begin, and what ends it, ``station.core.control`` decides while somebody holds.
"""

import math

from station.common.digits import number
from station.common.evolve import evolve
from station.common.words import N_, _
from station.core.amounts import planned_l
from station.core.limits import LIMITS
from station.core.state import BayState, LipProof, note, with_hold
from station.given.stages import PUMPED, Stage
from station.weighing.pan import PanTrack

STEP = N_("lip step")
OVER = N_("first fluid over the lip")
NOTHING = N_("nothing ran over the lip")
LET_GO, UNHEARD = N_("let go"), N_("hold not heard")
"""Whoever held released it; nothing more came from what was held: a line that was cut, a page that was closed."""
UNREAD = N_("the pan does not come to rest")
UNMETERED = N_("the meter counted next to nothing")
OTHERWISE = N_("the job went on")
_FOR_GOOD = (OVER, NOTHING)
"""After these a proof that is asked for again has the whole amount anew; else what is left of it."""


def begin(state: BayState) -> BayState:
    """Begin a proof, once the fill has begun and while the plug is out."""
    fill = state.fill
    if fill.base is None or fill.end is not None or state.stage not in PUMPED:
        return state
    before, from_l = fill.proof, state.meter.volume_l
    if before is not None and before.ended is not None and before.ended not in _FOR_GOOD:
        from_l = before.from_l
    proof = LipProof(state.t_s, from_l, things=_things(state))
    return _with(state, proof)


def proving(state: BayState) -> LipProof | None:
    """The proof under way; None where there is none."""
    proof = state.fill.proof
    return proof if proof is not None and proof.ended is None and state.stage is Stage.FILL else None


def pushed_l(state: BayState, proof: LipProof) -> float:
    """What the meter has counted since the proof began."""
    return state.meter.volume_l - proof.from_l


def over_l(state: BayState, proof: LipProof) -> float:
    """What the proof has seen run over the lip so far."""
    return proof.over_kg / _kg_per_l(state)


def _kg_per_l(state: BayState) -> float:
    return state.spec.fresh.density_kg_m3(state.spec.reference_temperature_c) / 1000.0


# --- what the pan says ---------------------------------------------------------------------------------------


def read(state: BayState) -> BayState:
    """Read the pan after a step, once it stands; to be asked at each of its readings."""
    proof = state.fill.proof
    if proof is None or state.fill.end is not None or state.stage not in PUMPED:
        return state
    tracks, quiet_s = _tracks(state), state.t_s - max(state.meter.last_pulse_t_s, proof.begun_s)
    pushed = proof.read_kg is not None and state.meter.volume_l - proof.read_l > LIMITS.lip_unread_l
    fresh = not pushed and state.t_s - proof.read_s < LIMITS.lip_read_s
    if fresh or quiet_s < LIMITS.lip_read_s or state.weighing.pan.readings or not tracks:
        return state
    if any(track.episode for track in tracks):
        return state
    level_kg = sum(track.median_kg for track in tracks)
    rate_kg_s = max(0.0, sum(track.flow_kg_s for track in tracks))
    gained_kg = level_kg - proof.read_kg if proof.read_kg is not None and pushed else 0.0
    dribbles = (gained_kg >= LIMITS.lip_answer_kg or not pushed) and rate_kg_s > LIMITS.lip_calm_kg_s
    if dribbles and quiet_s < LIMITS.lip_dribbles_s:
        return state
    things = _things(state)
    now = evolve(
        proof,
        read_s=state.t_s,
        read_kg=level_kg,
        read_l=state.meter.volume_l,
        drip_kg_s=rate_kg_s,
        longest_l=max(proof.longest_l, state.meter.volume_l - proof.step_l) if proof.steps else 0.0,
        things=things,
        still=proof.still and things == proof.things,
    )
    if not pushed:  # what comes while nothing is pushed is no answer to anything
        return _with(state, now)
    drip_kg_s = rate_kg_s if dribbles else min(rate_kg_s, proof.drip_kg_s)
    return _answered(state, now, gained_kg - drip_kg_s * (state.t_s - proof.read_s))


def _tracks(state: BayState) -> tuple[PanTrack, ...]:
    """Of every pan that was read: it may run over into either."""
    return tuple(w.pan for w in (state.weighing, state.other.weighing) if w.pan.window)


def _things(state: BayState) -> int:
    return len(state.weighing.steps) + len(state.other.weighing.steps)


def _answered(state: BayState, proof: LipProof, came_kg: float) -> BayState:
    """Count what came with a step; more than the pump has pushed came from somewhere else."""
    if came_kg < LIMITS.lip_answer_kg:
        return _with(state, proof)
    pushed_kg = (pushed_l(state, proof) + LIMITS.lip_margin_l) * _kg_per_l(state)
    if proof.over_kg + came_kg > pushed_kg:
        return _with(state, evolve(proof, still=False))
    proof = evolve(proof, over_kg=proof.over_kg + came_kg, answers=proof.answers + 1)
    came_l = over_l(state, proof)
    over = came_l >= (LIMITS.lip_over_l if proof.answers >= LIMITS.lip_answers else LIMITS.lip_plenty_l)
    if not over or proof.proved_s is not None:
        return _with(state, proof)
    state = _with(state, evolve(proof, proved_s=state.t_s))
    return note(
        state,
        "lip_proved",
        _(
            "First fluid over the lip: {came_ml} mL ran into the pan after {pushed_ml} mL in small steps. The level stands at the plug. Let it drip out before you put the plug in."
        ).format(
            came_ml=number(came_l * 1000, ".0f"), pushed_ml=number(pushed_l(state, proof) * 1000, ".0f")
        ),
    )


# --- what control asks ---------------------------------------------------------------------------------------


def why_over(state: BayState, proof: LipProof) -> str | None:
    """Why the proof is over; None while a step may follow. To be asked with the pump off."""
    if proof.proved_s is not None:
        return OVER
    if not _read(state, proof):
        waited_s = state.t_s - max(proof.stopped_s, proof.begun_s, proof.read_s)
        return UNREAD if waited_s > LIMITS.lip_unread_s else None
    if proof.steps and proof.read_l - proof.step_l < LIMITS.lip_counted * LIMITS.lip_sure_step_l:
        return UNMETERED
    most_l, next_l = state.settings.lip_proof_most_l, _next_l(proof)
    spent = most_l - pushed_l(state, proof) < max(next_l, proof.longest_l)
    return (
        NOTHING
        if spent or proof.steps >= math.ceil(most_l / LIMITS.lip_step_l) + LIMITS.lip_steps_more
        else None
    )


def due(state: BayState, proof: LipProof) -> bool:
    """Whether the next step may begin: the one before has been read."""
    return _read(state, proof) and state.pump.hold.run is None


def _read(state: BayState, proof: LipProof) -> bool:
    if proof.read_kg is None or state.t_s - proof.stopped_s < LIMITS.lip_read_s:
        return False
    if any(track.episode for track in _tracks(state)):
        return False
    return state.meter.volume_l - proof.read_l <= LIMITS.lip_unread_l


def _next_l(proof: LipProof) -> float:
    return LIMITS.lip_sure_step_l if proof.answers else LIMITS.lip_step_l


def next_step(state: BayState, proof: LipProof) -> BayState:
    """Move the target by the next step."""
    volume_l = state.meter.volume_l
    hold = evolve(state.pump.hold, top_up_l=volume_l - planned_l(state) + _next_l(proof))
    return _with(with_hold(state, hold), evolve(proof, steps=proof.steps + 1, step_l=volume_l))


def stepped(state: BayState, proof: LipProof) -> BayState:
    """A step's pump has been stopped."""
    return _with(state, evolve(proof, stopped_s=state.t_s))


def end(state: BayState, why: str) -> BayState:
    """End the proof under way, if there is one, and say so where the pump ran in it without success."""
    proof = state.fill.proof
    if proof is None or proof.ended is not None:
        return state
    state = _with(state, evolve(proof, ended=why))
    if not proof.steps:
        return state
    # What was pushed was meant to be: it is the new target, or the next hold would push on.
    hold = evolve(state.pump.hold, top_up_l=state.meter.volume_l - planned_l(state))
    state = with_hold(state, hold)
    if why == OVER or proof.proved_s is not None:
        return state
    pushed_ml = pushed_l(state, proof) * 1000.0
    if why == NOTHING:
        return note(
            state,
            "lip_not_reached",
            _(
                "{pushed_ml} mL went in after the target in small steps, and the pan saw no {over_ml} mL run over the lip. Look at the level at the plug: is the vehicle level, the drain shut, the capacity and its unit right? Then prove again, or drain and weigh."
            ).format(pushed_ml=number(pushed_ml, ".0f"), over_ml=number(LIMITS.lip_over_l * 1000, ".0f")),
        )
    return note(
        state,
        "lip_proof_ended",
        _(
            "The proof at the lip ended after {pushed_ml} mL, before the pan had weighed fluid over the lip: {why}. Prove again to use what is left of the amount."
        ).format(pushed_ml=number(pushed_ml, ".0f"), why=_(why)),
    )


def _with(state: BayState, proof: LipProof) -> BayState:
    return evolve(state, fill=evolve(state.fill, proof=proof))
