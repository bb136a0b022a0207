"""Who spoke of this fill, what each said, and what they say together: from a state to a verdict in words."""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from calibration import budget
from calibration.budget import expanded
from station.common.digits import number, off_by
from station.common.sentences import listed
from station.common.words import N_, _
from station.core import amounts, container
from station.core.state import BayState
from station.figures import faults, over_lip
from station.figures.evidence import About, Fusion, Witness, fuse
from station.filling.expecting import Expecting
from station.given.limits import LIMITS as GIVEN
from station.given.listing import other_units
from station.given.report import Spoke
from station.given.said import Mark
from station.verdict import judge

U_LEVEL_SEEN_REL = 0.010
"""A finger's or an eye's level at the plug: two millimetres on the housing's surface (common practice, no source)."""
U_PUMP_LINE_REL, U_PUMP_LEARNED_REL = 0.15, 0.05
"""Of running time × flow: by the pump's line as typed, and by the flow that it was seen to have."""
WORTH_A_WORD_REL = 0.03
"""A volume this far from what the lip proves is told, though the expected fill's own doubt may allow it."""
CONTRADICTED = 0.5
"""A witness less likely sound than this is doubted: the others contradict it, or its own record does."""

STAND, HOSE = "stand", "hose"
"""What others share, among the witnesses: the vehicle's stand, and the hose."""
SETTLES = {
    "meter": N_("Prove the meter, or weigh the container before and after."),
    "lip": N_("Let a little more run over the lip and let the pan weigh it."),
    "dry lip": N_("Look at the level at the plug, with the vehicle level, and look the capacity up."),
    "level": N_("Stand the vehicle level, wait, and look at the plug again."),
    "container": N_("Weigh the container again with nothing else on it."),
    "pump": N_("Look at strainer and hose; prove the meter."),
    "drained": N_("Look the capacity up in the vehicle's service manual."),
    "expected": N_("Look the capacity and its unit up in the vehicle's service manual."),
    "history": N_("Prove the meter: its fills whose level was proved say so."),
    STAND: N_(
        "Lay a spirit level on the housing, along and across; raise what is low, wait, and look at the plug again."
    ),
    HOSE: N_(
        "Let a little run over the lip, or look at the level. Before a fill, let the hose run into a can until no bubbles come."
    ),
}
SEEN = {
    STAND: N_("stands level: a spirit level says so"),
    HOSE: N_("was full: no bubbles came at its end"),
}
UNSEEN = {STAND: N_("nobody laid a spirit level on the housing"), HOSE: N_("nobody saw the hose full")}
LOOKED = {STAND: Mark.STANDS_LEVEL, HOSE: Mark.HOSE_FULL}
"""The mark that says that somebody looked."""
CALLED = {
    "meter": N_("meter"),
    "lip": N_("lip"),
    "dry lip": N_("dry lip"),
    "level": N_("level"),
    "container": N_("container"),
    "drained": N_("drained"),
}
"""What a sentence calls a witness."""


@dataclass(frozen=True)
class Hearing:
    """witnesses: all that spoke. fusion: what they say together. text: that as a sentence. said: one row each."""

    witnesses: tuple[Witness, ...]
    fusion: Fusion
    text: str
    said: tuple[Spoke, ...]


def _drained(came_l: float, u_came_l: float) -> Witness:
    """What came out says what should go in: what stays behind is missing from both."""
    value_l = (1.0 + GIVEN.arrives_low_rel) * came_l
    u_l = math.hypot(u_came_l, GIVEN.arrival_rel * came_l)
    return Witness("drained", About.EXPECTED, value_l, u_l, faults=faults.drained(came_l))


def _container(state: BayState, overflow_l: float, u_overflow_l: float) -> Witness | None:
    spec, both = state.spec, container.weighed(state)
    if both is None or both.grew_kg():
        return None
    kg_per_l = spec.fresh.density_kg_m3(spec.reference_temperature_c) / 1000.0
    drawn_l = (both.before_kg - both.after_kg) / kg_per_l * LIFT - state.supply.purged_l
    u_l = math.hypot(math.sqrt(2.0) * both.u_kg / kg_per_l, spec.fresh.u_density_rel * drawn_l, u_overflow_l)
    value_l = drawn_l - overflow_l
    return Witness("container", About.FILLED, value_l, u_l, faults=faults.container(max(0.0, value_l)))


LIFT = 1.0 + 1.2 / 870.0 - 1.2 / 8000.0
"""Air buoyancy of an oil against steel weights: 0.12 %, at 1.2 kg/m³ of air (OIML D 28)."""


def _pump(state: BayState, overflow_l: float) -> Witness | None:
    pump, track, usual = state.spec.pump, state.meter, state.pump.usual
    if pump is None or pump.fine_share > 0 or track.pumped_s <= 0:
        return None
    flow_l_min = pump.flow_at_l_min(track.kv_mm2_s)
    if flow_l_min is None:
        return None
    learned = usual.stops >= GIVEN.usual_stops
    pumped_l = track.pumped_s / 60.0 * flow_l_min * track.factor * (usual.mean if learned else 1.0)
    u_rel = math.hypot(U_PUMP_LEARNED_REL, math.sqrt(usual.variance)) if learned else U_PUMP_LINE_REL
    return Witness(
        "pump", About.FILLED, pumped_l - overflow_l, u_rel * pumped_l, faults=faults.pump(pumped_l)
    )


def hear(
    state: BayState,
    metered: budget.Budget | None,
    overflow: budget.Budget | None,
    filled: budget.Budget | None,
    drained: budget.Budget | None,
    now: Expecting,
) -> Hearing | None:
    """All witnesses of a fill. None where neither the level nor a filled volume is told of."""
    spec, e_l = state.spec, now.value_l
    over_l = 0.0 if overflow is None else overflow.value
    u_over_l = 0.0 if overflow is None else overflow.u
    fills, holds_l, units = spec.learned_from, e_l, other_units(spec.capacity_text, spec.capacity_l)
    # What lies within its own doubt of nothing says nothing of how much goes in.
    came_l = None if drained is None or drained.value <= drained.u95 else drained.value
    doubts = faults.expected(e_l, fills, came_l, units)
    found = [Witness("expected", About.EXPECTED, e_l, now.u_l, faults=doubts)]
    if drained is not None and came_l is not None:
        found.append(_drained(came_l, drained.u))
        if faults.p_other(e_l, fills, came_l, units) > CONTRADICTED:
            holds_l = came_l
    if metered is not None and filled is not None:
        seen = state.meter.air_l > 0 or state.pump.hold.miscounts > 0
        wrong = faults.meter(metered.value, spec.meter_record, seen)
        found.append(Witness("meter", About.FILLED, filled.value, filled.u, filled.dof, wrong))
    lip = over_lip.told(state, overflow, holds_l)
    found += [] if lip.witness is None else [lip.witness]
    if amounts.level_seen(state):
        u_seen_l = U_LEVEL_SEEN_REL * holds_l
        found.append(Witness("level", About.LEVEL, 0.0, u_seen_l, faults=faults.level(holds_l, u_seen_l)))
    others = (_container(state, over_l, u_over_l), _pump(state, over_l))
    found += [witness for witness in others if witness is not None]
    unseen = {name for name, mark in LOOKED.items() if state.marked(mark) is None}
    shared = _shared(state, found, holds_l, unseen)
    # The pump's running time bears others out; by itself it is no figure of a fill.
    told = {witness.about for witness in found if witness.name != "pump"}
    if told <= {About.EXPECTED}:
        return None
    # What stands above the lip runs out at the plug: a pan that was watching and saw nothing doubts it.
    above = faults.OVER_UNSEEN if lip.quiet else 1.0
    fusion = fuse([*found, *shared], spec.tolerance_minus_l, spec.tolerance_plus_l, above, unseen)
    spoke = tuple(found)
    rows = tuple(_row(state, witness, fusion, now) for witness in spoke)
    rows += _looked_at(fusion, unseen) + _history(state, filled)
    said = "; ".join(filter(None, (in_words(spoke, fusion, e_l, lip.quiet, unseen), lip.unsure)))
    return Hearing(spoke, fusion, said, rows)


def _row(state: BayState, witness: Witness, fusion: Fusion, now: Expecting) -> Spoke:
    """One witness for the report. says_l: the filled volume by its word alone, while it is sound."""
    spec, level = state.spec, witness.about is About.LEVEL
    says_l = now.value_l + witness.value_l if level else witness.value_l
    word = ""
    if witness.about is About.FILLED:
        tolerances = (spec.tolerance_minus_l, spec.tolerance_plus_l)
        word = judge(witness.value_l, witness.u_l, now.value_l, now.u_l, *tolerances).verdict
    elif level:
        word = "full"
    u95_l = expanded(witness.u_l, witness.dof)
    return Spoke(witness.name, says_l, u95_l, word, fusion.sound(witness.name), _(SETTLES[witness.name]))


def _shared(
    state: BayState, spoke: Sequence[Witness], holds_l: float, unseen: Collection[str]
) -> list[Witness]:
    """What those who spoke share. The stand, where something tells of the level. The hose, where nothing does and several tell
    of what went in: by the meter alone its own fault of air says as much, and beside the lip an empty hose hides nothing."""
    told = [witness.about for witness in spoke if witness.name != "pump"]
    if About.LEVEL in told:
        stand = faults.not_level(holds_l, STAND not in unseen)
        return [Witness(STAND, About.STAND, 0.0, 0.0, faults=stand)]
    hose = faults.hose(state.spec.meter_record, state.supply.purged_l, HOSE not in unseen)
    if hose and told.count(About.FILLED) > 1:
        return [Witness(HOSE, About.HOSE, 0.0, 0.0, faults=hose)]
    return []


def _looked_at(fusion: Fusion, unseen: Collection[str]) -> tuple[Spoke, ...]:
    """Stand and hose, where others share them: they say nothing of a volume by themselves."""
    words = {
        name: _(UNSEEN[name] if name in unseen else SEEN[name]) for name in LOOKED if name in fusion.classes
    }
    return tuple(
        Spoke(name, None, None, word, fusion.sound(name), _(SETTLES[name])) for name, word in words.items()
    )


def _history(state: BayState, filled: budget.Budget | None) -> tuple[Spoke, ...]:
    """The meter's fills that were borne out, as a witness of its own; in the fusion they speak through the meter."""
    record = state.spec.meter_record
    if filled is None or not record.fills:
        return ()
    says_l = filled.value / (1.0 + record.offset_rel)
    p_off = faults.p_meter_off(record)
    word = _("{fills} fills proved by lip or next drain came to {offset} than they should").format(
        fills=record.fills, offset=off_by(record.offset_rel)
    )
    u95_l = expanded(record.u_offset_rel * abs(says_l))
    return (Spoke("history", says_l, u95_l, word, 1.0 - p_off, _(SETTLES["history"])),)


def _called(names: list[str]) -> str:
    """ "meter, lip and container"."""
    return listed([_(CALLED[name]) for name in names])


def _volumes(spoke: Mapping[str, Witness], names: Sequence[str]) -> str:
    """ "2.80 L by the meter and 2.79 L by the container"."""
    by = _("{volume_l} L by the {witness}")
    return listed(
        [by.format(volume_l=number(spoke[one].value_l, ".2f"), witness=_(CALLED[one])) for one in names]
    )


def _apart(spoke: Mapping[str, Witness], names: Sequence[str], expected_l: float, than: bool = False) -> str:
    """How far volumes lie from the expected fill."""
    if than:
        more = _("the {witness} says {percent} % more than expected")
        less = _("the {witness} says {percent} % less than expected")
    else:
        more, less = _("the {witness} says {percent} % more"), _("the {witness} says {percent} % less")
    told = []
    for one in names:
        percent = (spoke[one].value_l / expected_l - 1.0) * 100.0
        said = more if percent > 0 else less
        told.append(said.format(witness=_(CALLED[one]), percent=number(abs(percent), ".0f")))
    return listed(told)


def in_words(
    witnesses: Sequence[Witness], fusion: Fusion, expected_l: float, quiet: bool, unseen: Collection[str]
) -> str:
    """The verdict in one sentence, with those who carry it, those who contradict it, and what would settle it.

    quiet: the pan was watching and saw nothing run out at the plug. unseen: of stand and hose, what nobody looked at.
    """
    said = _in_words(witnesses, fusion, expected_l, quiet, STAND not in unseen)
    rests_on = [_(UNSEEN[name]) for name in LOOKED if name in unseen and name in fusion.classes]
    if fusion.judgement.verdict == "undecided" and HOSE not in fusion.classes:
        return said
    return "; ".join([said, *rests_on])


def _in_words(
    witnesses: Sequence[Witness], fusion: Fusion, expected_l: float, quiet: bool, checked: bool
) -> str:
    spoke = {w.name: w for w in witnesses if w.about is not About.EXPECTED and w.name != "pump"}
    sound = [name for name in spoke if fusion.sound(name) >= CONTRADICTED]
    doubted = [name for name in spoke if name not in sound]
    level = [name for name in ("lip", "level") if name in spoke]
    verdict = fusion.judgement.verdict
    volumes = [name for name in spoke if spoke[name].about is About.FILLED]
    against = [
        name
        for name in volumes
        if name in doubted or abs(spoke[name].value_l / expected_l - 1.0) > WORTH_A_WORD_REL
    ]
    if verdict == "full" and level and fusion.sound("expected") < CONTRADICTED:
        at = _("full at the lip") if "lip" in sound else _("full at the plug")
        return _(
            "{full}; the capacity says {expected_l} L and is not this compartment's: look it up, and its unit"
        ).format(
            full=", ".join(part for part in (at, _volumes(spoke, volumes)) if part),
            expected_l=number(expected_l, ".2f"),
        )
    if verdict == "full" and level and against:
        proved = _("full at the plug; {apart}: prove it")
        if "lip" in sound:
            proved = _("full at the lip; {apart}: prove it")
        return proved.format(apart=_apart(spoke, against, expected_l))
    if verdict != "undecided":
        if len(sound) > 1:
            return _("{verdict}: {witnesses} agree").format(verdict=_(verdict), witnesses=_called(sound))
        alone = _("{verdict} by the {witness} alone, whose record makes a fault improbable")
        if not sound:
            alone = _("{verdict}: {witness} may well be off, but not by so much")
        return alone.format(verdict=_(verdict), witness=_called(sound or list(spoke)))
    over_unseen = quiet and fusion.judgement.p_over > CONTRADICTED
    if not level and volumes and ("dry lip" in spoke or over_unseen):
        return _(
            "{volumes}, and nothing ran over the lip: look at the level, the vehicle's stand and the capacity"
        ).format(volumes=_volumes(spoke, volumes))
    if not level:
        told = _("{volumes}: let a little run over the lip, or look")
        if len(volumes) == 1:
            told = _("{volumes} alone: let a little run over the lip, or look")
        return told.format(volumes=_volumes(spoke, volumes))
    seen = _("fluid ran over the lip") if "lip" in spoke else _("the level was seen at the plug")
    todo = _("weigh the container, or let a little run over the lip")
    if not checked:
        todo = _("lay a spirit level on the housing, along and across, and tick it")
    if not volumes:
        return _("{seen}, and nothing else speaks of the volume: {todo}").format(seen=seen, todo=todo)
    if all(abs(spoke[one].value_l / expected_l - 1.0) <= WORTH_A_WORD_REL for one in volumes):
        near = _(
            "{seen}, with {volumes} where {expected_l} L are expected; that is not sure enough together: {todo}"
        )
        told, expected = _volumes(spoke, volumes), number(expected_l, ".2f")
        return near.format(seen=seen, volumes=told, expected_l=expected, todo=todo)
    look = _("Stand the vehicle level and look again")
    if not checked:
        look = _("Lay a spirit level on the housing, along and across, and look again")
    wrong = _(
        "{seen}, but {apart}: the listing, the vehicle's stand or the meter is wrong. {look}, look the capacity up, prove the meter"
    )
    return wrong.format(seen=seen, look=look, apart=_apart(spoke, volumes, expected_l, than=True))
