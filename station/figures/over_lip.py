"""What ran over the lip into the pan, as a witness of the level: when it speaks, and what a pan gains that is no such word."""

import math
from dataclasses import dataclass

from calibration import budget
from station.common.words import N_, _
from station.core import lip
from station.core.state import BayState
from station.figures import faults, weighed
from station.figures.evidence import About, Witness

LIP_LEAST_L = 0.008
"""Less than this in the pan is a hose's drip, and no word about the level."""
LIP_TIMES_U = 3.0
U_LIP_L, U_LIP_REL = 0.008, 0.003
"""Where the level stands once fluid has run over the lip: the bead that the lip holds back, and the slow way of the last
tubes; of the expected fill (common practice, no source)."""
DRY_LEAST_L, DRY_REL, U_DRY_REL = 0.030, 0.04, 0.03
"""So much pushed in a proof at the lip with nothing over it: the level stands below the lip, by what nobody knows; of the
expected fill (common practice, no source)."""
LEAK_TIMES = 2.0
"""Of what ran into the pan, so many times what the leak brought tells nothing of the lip: a joint may have leaked faster
while the pump pressed, or before its sealant took (our model)."""
LEAKS = N_(
    "no more came into the pan than what leaks, which tells nothing of the level: mend the leak, then look at the level"
)
DRIES = N_(
    "what counts as run over may only be solvent in the pan that stopped drying: look at the level at the plug, or prove it at the lip"
)


@dataclass(frozen=True)
class Lip:
    """witness: the lip, or a lip that a proof left dry; None where neither speaks. unsure: why what seems to have come into the
    pan is no word of the level; empty where nothing does. quiet: the pan was watching and saw nothing come."""

    witness: Witness | None
    unsure: str
    quiet: bool


def told(state: BayState, overflow: budget.Budget | None, holds_l: float) -> Lip:
    """What the pan tells of the lip. holds_l: the expected fill, or what came out where that is another volume."""
    over_l, u_over_l = (0.0, 0.0) if overflow is None else (overflow.value, overflow.u)
    proof = state.fill.proof
    proved = proof is not None and proof.proved_s is not None and proof.still
    leaked_l = weighed.leaked_l(state)
    # Drying may end within a minute; what answered the steps of a proof came within seconds of each.
    answered_l = 0.0 if proof is None or not proof.still else lip.over_l(state, proof)
    dried_l = min(weighed.dried_l(state), max(0.0, over_l - answered_l))
    lip_l, least_l = over_l - LEAK_TIMES * leaked_l - dried_l, max(LIP_LEAST_L, LIP_TIMES_U * u_over_l)
    if lip_l > least_l:
        u_lip_l = math.hypot(U_LIP_L, U_LIP_REL * holds_l)
        wrong = faults.lip(lip_l, holds_l, proved)
        return Lip(Witness("lip", About.LEVEL, 0.0, u_lip_l, faults=wrong), "", quiet=False)
    unsure = ""
    if over_l > least_l:
        leak = weighed.leak_watch(state)
        surely_leaks = leak is not None and leak.found
        unsure = _(LEAKS) if surely_leaks and dried_l <= LEAK_TIMES * leaked_l else _(DRIES)
    if proof is not None and not proof.over_kg and proof.read_l - proof.from_l >= DRY_LEAST_L:
        u_dry_l = U_DRY_REL * holds_l
        wrong = faults.dry_lip(holds_l)
        return Lip(
            Witness("dry lip", About.LEVEL, -DRY_REL * holds_l, u_dry_l, faults=wrong), unsure, quiet=False
        )
    return Lip(None, unsure, quiet=overflow is not None and not leaked_l and not unsure)
