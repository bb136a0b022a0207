"""What comes next in a calibration of the pan: which load, where, and how far each part has come. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from station.calibrating.calibrating import PanStep, Reading
from station.common import words
from station.common.words import N_, _
from station.errors import InputError
from web.frame import format as fmt
from web.frame.amounts import mass_kg

DEFAULT_LOADS = ("0.5 kg", "1 kg", "2 kg", "3 kg", "4 kg", "5 kg")
MOST_LOADS = 12
REPEATS = 4
CORNERS = (N_("middle"), N_("front left"), N_("front right"), N_("rear right"), N_("rear left"))
CREEP_MIN = (0, 10, 20, 30)
"""A creep record has to cover half an hour (``calibration.procedures.creep``)."""
SAME_KG = 1e-6
WARMS = 4

NAMES = {
    PanStep.UP: N_("Loading"),
    PanStep.DOWN: N_("Unloading"),
    PanStep.REPEAT: N_("Repeatability"),
    PanStep.CORNER: N_("Corner load"),
    PanStep.CREEP: N_("Creep"),
    PanStep.EMPTY_AFTER: N_("Return to zero"),
    PanStep.WARM: N_("Temperature"),
}
WHY = {
    PanStep.UP: N_("Gives the line from counts to mass. A certificate needs it."),
    PanStep.DOWN: N_("Finds the hysteresis: the same loads, taken off again."),
    PanStep.REPEAT: N_("Finds the scatter of one load that is put on again and again."),
    PanStep.CORNER: N_("Finds what it matters where on the pan a load lies."),
    PanStep.CREEP: N_("Finds how the figure wanders under a load that stays on for half an hour."),
    PanStep.EMPTY_AFTER: N_("Finds whether the empty pan comes back to where it was after that half hour."),
    PanStep.WARM: N_("Finds how the empty pan's figure follows the shop's temperature."),
}


@dataclass(frozen=True)
class Load:
    """A known mass, as it was typed and in kilograms."""

    text: str
    kg: float


EMPTY = Load("0 kg", 0.0)


@dataclass(frozen=True)
class Part:
    """One part of the calibration. wanted: readings that it takes. needed: no certificate without it."""

    step: PanStep
    name: str
    why: str
    taken: int
    wanted: int
    needed: bool
    now: bool

    @property
    def done(self) -> bool:
        return self.taken >= self.wanted


@dataclass(frozen=True)
class Ask:
    """The next reading. say: what to put on the pan. then: what to do about it, "" where nothing is to be added."""

    step: PanStep
    load: Load
    place: str
    say: str
    then: str


def place_of(text: str) -> str:
    """Where a load lies, as the record has it, from what was typed or shown."""
    return next((place for place in CORNERS if text == _(place)), text)


def _between() -> str:
    """What stands between two loads: no comma where one stands before decimals."""
    return ";" if words.spoken().decimal == "," else ","


def default_loads() -> str:
    return f"{_between()} ".join(fmt.typed(load) for load in DEFAULT_LOADS)


def parse_loads(text: str) -> tuple[Load, ...]:
    """``"500 g, 1 kg, 2 kg"`` → loads, light to heavy. Raises InputError naming what is wrong."""
    loads = []
    for part in filter(None, (part.strip() for part in text.split(_between()))):
        loads.append(Load(part, mass_kg(_("Loads"), part)))
    loads.sort(key=lambda load: load.kg)
    if not 2 <= len(loads) <= MOST_LOADS:
        raise InputError(
            _("Loads: {n} were given; expected 2 to {most}, separated by {mark}.").format(
                n=len(loads), most=MOST_LOADS, mark=_between()
            )
        )
    if not loads[0].kg > SAME_KG:
        raise InputError(_("Loads: the empty pan is read in any case; name loads above zero only."))
    for a, b in pairwise(loads):
        if b.kg - a.kg < SAME_KG:
            raise InputError(
                _("Loads: {one} and {other} are the same; name each load once.").format(
                    one=a.text, other=b.text
                )
            )
    return tuple(loads)


def _nearest(loads: Sequence[Load], kg: float) -> Load:
    return min(loads, key=lambda load: abs(load.kg - kg))


def sequence(loads: Sequence[Load]) -> dict[PanStep, list[tuple[Load, str]]]:
    """What each part reads, in order: load and place."""
    heaviest = loads[-1]
    return {
        PanStep.UP: [(EMPTY, ""), *((load, "") for load in loads)],
        PanStep.DOWN: [*((load, "") for load in reversed(loads[:-1])), (EMPTY, "")],
        PanStep.REPEAT: [(_nearest(loads, heaviest.kg / 2), "")] * REPEATS,
        # OIML R 76-1:2006, 3.6.2: about a third of the maximum (from memory).
        PanStep.CORNER: [(_nearest(loads, heaviest.kg / 3), place) for place in CORNERS],
        PanStep.CREEP: [(heaviest, "")] * len(CREEP_MIN),
        PanStep.EMPTY_AFTER: [(EMPTY, "")],
        PanStep.WARM: [(EMPTY, "")] * WARMS,
    }


def _left(wanted: Sequence[tuple[Load, str]], taken: Sequence[Reading]) -> list[tuple[Load, str]]:
    """What of a part has not been read: a struck reading is asked for again, wherever it stood."""
    rest = list(wanted)
    for reading in taken:
        for item in rest:
            if abs(item[0].kg - reading.load_kg) < SAME_KG and item[1] == reading.place:
                rest.remove(item)
                break
    return rest


def parts(
    loads: Sequence[Load], readings: Sequence[Reading], chosen: str | None
) -> tuple[list[Part], Ask | None]:
    """How far each part is, and the next reading: of the chosen part while it lacks any, else of the next one.

    No next one where every part is done.
    """
    wanted = sequence(loads)
    mine = {step: [r for r in readings if r.step == step] for step in wanted}
    left = {step: _left(wanted[step], mine[step]) for step in wanted}
    order = list(wanted)
    first = next((i for i, step in enumerate(order) if step == chosen), 0)
    order = order[first:] + order[:first]
    now = next((step for step in order if left[step]), None)
    shown = [
        Part(
            step,
            _(NAMES[step]),
            _(WHY[step]),
            len(all_) - len(left[step]),
            len(all_),
            step is PanStep.UP,
            step == now,
        )
        for step, all_ in wanted.items()
    ]
    if now is None:
        return shown, None
    load, place = left[now][0]
    return shown, Ask(now, load, place, _say(load, place), _then(now, load, mine[now]))


def _say(load: Load, place: str) -> str:
    if load is EMPTY:
        return _("Empty the pan")
    say = {"": _("Have {load} on the pan"), "middle": _("Have {load} on the pan in the middle")}.get(
        place, _("Have {load} on the pan at the {place} corner")
    )
    return say.format(load=load.text, place=_(place))


def _then(step: PanStep, load: Load, taken: Sequence[Reading]) -> str:
    if step is PanStep.REPEAT:
        return _("Take the load off before each reading and put it on again.")
    if step is PanStep.CORNER:
        return _("The same load each time; lay it down gently.")
    if step is PanStep.CREEP:
        if not taken:
            minutes = ", ".join(str(minute) for minute in CREEP_MIN)
            return _(
                "Leave it on and read at {minutes} minutes; the first one as soon as the pan is calm."
            ).format(minutes=minutes)
        return _("Leave it on. The next reading is due {n} minutes after the first.").format(
            n=CREEP_MIN[min(len(taken), 3)]
        )
    if step is PanStep.EMPTY_AFTER:
        return _("Right after the half hour under load.")
    if step is PanStep.WARM:
        return _("As the shop warms or cools, over five degrees at least; come back between jobs.")
    if step is PanStep.DOWN and load is not EMPTY:
        return _("Take loads off; never press on the pan meanwhile.")
    return ""


def minutes_under_load(readings: Sequence[Reading], now_t_s: float) -> str:
    """How long the creep's load has been on, for the page; "" before its first reading."""
    first = next((r.t_s for r in readings if r.step is PanStep.CREEP), None)
    return "" if first is None else _("{n} min").format(n=fmt.decimal(max(0.0, now_t_s - first) / 60, 0))
