"""The container weighed by hand: what a shop scale showed before the fill and after it, as the technician typed it."""

import math
from dataclasses import dataclass

from station.common.digits import number
from station.common.evolve import evolve
from station.common.words import _
from station.core.amounts import delivered_l
from station.core.state import BayState
from station.errors import InputError
from station.given.evidence import TypedWeighings
from station.given.stages import FINISHED

SOURCE = "container_typed"
"""In the stream. A recording that anyone can write has these weighings in its JOB.toml, as [container]."""
BEFORE, AFTER = "before", "after"
MOST_KG = 2000.0
U_KG = (0.001, 10.0)
"""What a standard uncertainty of one weighing may be."""
U_SCALE_KG = 0.02
"""Standard uncertainty of a scale under the container, of which nothing is stated (common practice, no source)."""
GREW_TIMES_U = 4.0
UNLIKE_TIMES, UNLIKE_KG = 3.0, 5.0
"""So many times what was metered, and so much beyond, is no fill any more: another unit, or another container."""


@dataclass(frozen=True)
class _Said:
    which: str
    kg: float
    u_kg: float


def ask(state: BayState, which: str, kg: float, u_kg: float) -> tuple[str, str]:
    """What to feed in for a weighing; u_kg: its standard uncertainty. Raises InputError where it makes no sense."""
    if which not in (BEFORE, AFTER):
        raise InputError(
            _("{which!r} is no weighing of the container; expected before or after.").format(which=which)
        )
    if state.fill.container_before_kg is not None:
        raise InputError(
            _("A scale stands under the container and weighs it already; nothing is to be typed.")
        )
    if not 0.0 < kg <= MOST_KG:
        raise InputError(
            _("{kg} kg for the container; expected above zero and at most {most_kg} kg.").format(
                kg=number(kg, "g"), most_kg=number(MOST_KG, "g")
            )
        )
    if not U_KG[0] <= u_kg <= U_KG[1]:
        raise InputError(
            _(
                "The scale's division comes to ± {u_kg} kg; expected {least_kg} to {most_kg} kg. Check number and unit."
            ).format(u_kg=number(u_kg, "g"), least_kg=number(U_KG[0], "g"), most_kg=number(U_KG[1], "g"))
        )
    if which == AFTER:
        _need_sense(state, kg)
    return SOURCE, f"{which} {kg!r} {u_kg!r}"


def _need_sense(state: BayState, after_kg: float) -> None:
    before = state.said.container
    if before is None:
        raise InputError(
            _(
                "First enter what the scale showed before the fill; the second weighing means nothing without it."
            )
        )
    if not state.meter.pulses:
        raise InputError(_("Nothing has been pumped yet: weigh the container again after the fill."))
    drawn_kg = before.before_kg - after_kg
    if drawn_kg < 0:
        raise InputError(
            _(
                "{after_kg} kg after the fill is heavier than {before_kg} kg before it; expected what was drawn to be missing. Were the two swapped, or is it another unit?"
            ).format(after_kg=number(after_kg, "g"), before_kg=number(before.before_kg, "g"))
        )
    metered_kg = (
        delivered_l(state) * state.spec.fresh.density_kg_m3(state.spec.reference_temperature_c) / 1000.0
    )
    if drawn_kg > UNLIKE_TIMES * metered_kg + UNLIKE_KG:
        raise InputError(
            _(
                "{drawn_kg} kg less than before, and the meter counted {metered_kg} kg: is it the same container, and the same unit?"
            ).format(drawn_kg=number(drawn_kg, ".1f"), metered_kg=number(metered_kg, ".1f"))
        )


def take(state: BayState, text: str) -> BayState:
    """Take in what was typed; what makes no sense is left out."""
    said = _read(text)
    if said is None or state.stage in FINISHED:
        return state
    typed = state.said.container
    if said.which == BEFORE:
        # the second weighing of another first one says nothing
        typed = TypedWeighings(said.kg, None, said.u_kg)
    elif typed is not None and said.kg <= typed.before_kg:
        typed = TypedWeighings(typed.before_kg, said.kg, max(typed.u_kg, said.u_kg))
    return evolve(state, said=evolve(state.said, container=typed))


def _read(text: str) -> _Said | None:
    which, _, numbers = text.partition(" ")
    try:
        kg, u_kg = (float(number) for number in numbers.split())
    except ValueError:
        return None
    known = which in (BEFORE, AFTER) and 0.0 < kg <= MOST_KG and U_KG[0] <= u_kg <= U_KG[1]
    return _Said(which, kg, u_kg) if known else None


def other(state: BayState) -> BayState:
    """Another container at the pump: what was typed is of one that no longer gives the fluid."""
    return state if state.said.container is None else evolve(state, said=evolve(state.said, container=None))


@dataclass(frozen=True)
class Weighed:
    """The container before and after the fill, as typed or by a scale under it; u_kg: of one weighing."""

    before_kg: float
    after_kg: float
    u_kg: float

    def grew_kg(self) -> float:
        """By how much more it weighs after the fill than the doubt of both weighings explains; 0.0 where it does not. A
        pump only takes: it is another container then, or something stands on the scale."""
        return max(0.0, self.after_kg - self.before_kg - GREW_TIMES_U * math.sqrt(2.0) * self.u_kg)


def weighed(state: BayState) -> Weighed | None:
    """Both weighings, as typed here, in the job's file, or by a scale under it; None without both."""
    typed, fill = state.said.container, state.fill
    here = (None if typed is None else typed.whole()) or state.spec.container
    if here is not None:
        return Weighed(here.before_kg, here.after_kg, here.u_kg)
    if fill.container_before_kg is None or fill.container_after_kg is None:
        return None
    return Weighed(fill.container_before_kg, fill.container_after_kg, U_SCALE_KG)


def in_words(typed: TypedWeighings | None) -> str:
    """For the record."""
    return _("another container: what was typed no longer counts") if typed is None else typed.in_words()
