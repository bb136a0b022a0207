"""What lands on the pan and is not fluid: judged by its shape and by what could have come from the axle or the pump.

A step is always taken out of the stream; how much of it counts as fluid is kept beside it, so that the technician's
later answer changes the figures without a second look at the samples.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from station.common.digits import number
from station.common.words import N_, _
from station.given.stages import Stage
from station.weighing.jumps import Jump
from station.weighing.limits import LIMITS

ANSWERABLE = ("object", "gulp", "flush")
"""What the technician may know better. A burst goes with its flush; a pan that was lifted or lightened is no fluid."""

KINDS = (
    N_("object"), N_("object gone"), N_("gulp"), N_("burst"), N_("flush"), N_("splash"), N_("struck"), N_("pan lifted"),
    N_("pan back"),
)  # fmt: skip
"""What a step may be, in the record's words; said by ``_``."""


@dataclass(frozen=True)
class Step:
    """One thing that came or went. kg: signed. share: of it that counts as fluid while nobody has answered.

    u_kg: of taking it out. doubt_kg: standard uncertainty for not knowing what it was.
    """

    id: str
    t_s: float
    kind: str
    kg: float
    u_kg: float
    share: float = 0.0
    doubt_kg: float = 0.0


@dataclass(frozen=True)
class Finding:
    """kind: None where the jump is fluid and nothing is to be taken out."""

    kind: str | None
    text: str = ""
    share: float = 0.0


FLUID = Finding(None)


def counted(step: Step, says: str | None) -> tuple[float, float]:
    """Mass of the step that counts as fluid, and its standard uncertainty, after the technician's answer if any."""
    if says == "fluid":
        return step.kg, 0.0
    if says == "object":
        return 0.0, step.u_kg
    return step.share * step.kg, ((1.0 - step.share) ** 2 * step.u_kg**2 + step.doubt_kg**2) ** 0.5


def _says(step: Step, steps: tuple[Step, ...], answers: Mapping[str, str]) -> str | None:
    """The answer to a step; the bursts of a can share the answer to the flush that they were found to be."""
    if step.id in answers or step.kind != "burst":
        return answers.get(step.id)
    return next((answers.get(s.id) for s in steps if s.kind == "flush" and s.t_s <= step.t_s), None)


def in_words(step: Step) -> str:
    """A line for the record."""
    kind = _(step.kind.replace("_", " "))
    return _("{kind} of {kg} g").format(kind=kind, kg=number(step.kg * 1000.0, "+.0f")) if step.kg else kind


def between(
    steps: tuple[Step, ...], answers: Mapping[str, str], from_s: float, to_s: float
) -> tuple[float, float]:
    """Fluid among the steps after from_s up to to_s, kg, and the standard uncertainty of having taken them out."""
    kg = variance = together_kg = 0.0
    for step in steps:
        if from_s < step.t_s <= to_s:
            fluid_kg, u_kg = counted(step, _says(step, steps, answers))
            kg += fluid_kg
            if step.kind == "gulp":
                together_kg += u_kg  # what was one of them may well have been all of them
            else:
                variance += u_kg**2
    return kg, (variance + together_kg**2) ** 0.5


def sprayed(steps: tuple[Step, ...]) -> bool:
    """Whether the newest gulps are a can that is pressed and let go.

    A pool gives less each time, for what it gave must gather again, which at the rate of a drip takes minutes. A hand
    presses again within seconds, and as long as before.
    """
    if not steps or steps[-1].kind != "gulp":
        return False
    soon = bursts(steps, steps[-1].t_s)
    alike = any(b.kg >= LIMITS.alike * a.kg for a, b in pairwise(soon))
    return alike and sum(s.kg for s in soon) > LIMITS.pool_kg


def bursts(steps: tuple[Step, ...], t_s: float) -> list[Step]:
    """The gulps that came one soon after the other up to t_s, oldest first."""
    found: list[Step] = []
    for step in reversed(steps):
        if step.kind == "gulp" and t_s - step.t_s <= LIMITS.again_s:
            found.insert(0, step)
            t_s = step.t_s
    return found


def gulped(kg: float, within_s: float) -> Finding:
    """What comes at once in the drip, slower than a thing falls and quicker than anything flows.

    All of it counts; the doubt is half of it, so that U95 reaches down to none.
    """
    return Finding(
        "gulp",
        _(
            "{grams} g came within {within_s} s, as when a pool lets go. It is counted as fluid from the vehicle, with a wider uncertainty. If something was put on the pan or sprayed into it, say so on the page."
        ).format(grams=number(kg * 1000.0, ".0f"), within_s=number(within_s, ".1f")),
        1.0,
    )


def _what(kg: float) -> str:
    if kg < 0.15:
        return _("something small, such as a bolt")
    if kg < 1.0:
        return _("something such as a tool or a rag")
    return _("something heavy, such as a cover")


def judge(
    jump: Jump,
    stage: Stage,
    steps: tuple[Step, ...],
    empty_kg: float | None,
    raw_kg: float,
    pump_kg_s: float | None,
) -> Finding:
    """Say what a jump was.

    empty_kg: indicated by the pan before the drain; None if not known. raw_kg: indicated after the jump, with all
    that lies on the pan. pump_kg_s: flow of the meter, None while nothing is pumped.
    """
    if stage is Stage.DRAIN and 0.0 < abs(jump.kg) < LIMITS.splash_kg + LIMITS.splash_s * max(
        0.0, jump.flow_kg_s
    ):
        return Finding("splash", share=1.0)
    if jump.kg == 0.0:
        return _level_as_before(jump, stage)
    off = bool(steps) and steps[-1].kind == "pan_lifted"
    if off and jump.kg > 0:
        return Finding(
            "pan_back",
            _(
                "The pan is back and reads {raw_kg} kg. The figures go on from before it was lifted. What missed the pan meanwhile is not in them, and makes them less certain."
            ).format(raw_kg=number(raw_kg, ".3f")),
        )
    if jump.kg < 0:
        return _gone(jump, steps, empty_kg, raw_kg)
    return _came(jump, stage, pump_kg_s)


def _level_as_before(jump: Jump, stage: Stage) -> Finding:
    if jump.swing_kg > LIMITS.knock_kg:
        return Finding("knock", _("The pan was knocked. Its reading is the same as before."))
    if stage is Stage.DRAIN and jump.hidden_kg > LIMITS.hidden_kg:
        return Finding(
            "struck",
            _(
                "Something hit the pan while the stream ran, and it is not clear whether it stayed in. Nothing was taken off the figure; its uncertainty is wider. Look into the pan once it is empty."
            ),
            1.0,
        )
    return FLUID


def _gone(jump: Jump, steps: tuple[Step, ...], empty_kg: float | None, raw_kg: float) -> Finding:
    grams = jump.kg * 1000.0
    if any(
        s.kind in ("object", "gulp") and abs(s.kg + jump.kg) < LIMITS.same_kg + 3.0 * s.u_kg + 3.0 * jump.u_kg
        for s in steps
    ):
        return Finding(
            "object_gone",
            _("What was on the pan has been taken off again ({grams} g).").format(
                grams=number(-grams, ".0f")
            ),
        )
    if empty_kg is not None and raw_kg < empty_kg - LIMITS.pan_kg:
        return Finding(
            "pan_lifted", _("The pan was lifted off its cells. Put it back; the figures wait until then.")
        )
    return Finding(
        "object_gone",
        _(
            "{grams} g left the pan all at once: something was taken off, or the pan was moved. Not counted."
        ).format(grams=number(-grams, ".0f")),
    )


def _came(jump: Jump, stage: Stage, pump_kg_s: float | None) -> Finding:
    grams = jump.kg * 1000.0
    if pump_kg_s is not None and jump.kg / max(jump.rise_s, 0.1) < 2.0 * pump_kg_s:
        return FLUID  # it runs over at the plug, and no faster than the pump can give
    lasted_s = jump.end_t_s - jump.t_s
    if pump_kg_s is not None and lasted_s > LIMITS.shaken_s and 0.0 < jump.kg < 2.0 * pump_kg_s * lasted_s:
        return Finding(
            "gulp",
            _(
                "{grams} g arrived while the pan was being shaken. Did it run over at the plug, or was something put on the pan? Half is counted, with a wider uncertainty, until you say which on the page."
            ).format(grams=number(grams, ".0f")),
            0.5,
        )
    if jump.rise_s <= LIMITS.sudden_s:
        return Finding(
            "object",
            _(
                "{grams} g landed on the pan all at once: {what}. Not counted as fluid. If it was fluid, say so on the page."
            ).format(grams=number(grams, ".0f"), what=_what(jump.kg)),
        )
    return gulped(jump.kg, jump.rise_s) if stage is Stage.DRIP and jump.rise_s <= LIMITS.gulp_s else FLUID
