"""What the pump is to deliver and has delivered, and what of another fluid came or may come with it. Litres at the
reference temperature."""

from station.common.digits import number
from station.common.words import _
from station.core.limits import LIMITS
from station.core.state import BayState
from station.filling.drum import Drum
from station.filling.hose import same_grade
from station.filling.limits import LIMITS as FILLING


def target_l(state: BayState) -> float:
    """Volume at which the pump is to have stopped, at the reference temperature: of the purge, or of the fill."""
    if state.supply.purge is not None:
        return state.supply.purge.needed_l
    return planned_l(state) + state.pump.hold.top_up_l


def planned_l(state: BayState) -> float:
    """The expected fill: as planned, and from the fill's start on as drip and temperature have made it."""
    return state.spec.expected_fill_l if state.fill.expected_l is None else state.fill.expected_l


def delivered_l(state: BayState) -> float:
    """What came so far of that."""
    if state.supply.purge is not None:
        return state.meter.total_l - state.supply.purge.from_l
    return state.meter.volume_l


def level_seen(state: BayState) -> bool:
    """Whether the level was seen at the plug, and not before much of the fill went in: that would say nothing of its end."""
    early_l, seen_l = LIMITS.seen_early_rel * planned_l(state), state.fill.seen_l
    if state.marked("level_seen") is None:
        return False
    return seen_l is None or state.meter.volume_l - seen_l <= early_l


def may_go_l(state: BayState) -> float:
    """What the pump may still be asked for: what is to go, less what may have gone in uncounted."""
    return target_l(state) - delivered_l(state) - state.pump.hold.unsure_l


def hose_held_l(state: BayState) -> float:
    """What of another fluid the hose held when the job was opened."""
    return 0.0 if state.spec.hose is None else state.spec.hose.volume_l


def hose_foreign_l(state: BayState) -> float:
    """What the hose still holds of another fluid. Depends on the job's plan and the meter alone."""
    return max(0.0, hose_held_l(state) - state.meter.total_l)


def purge_needed_l(state: BayState) -> float:
    """What a purge begun now should push out; 0 where none is needed."""
    foreign_l = hose_foreign_l(state)
    return FILLING.purge_volumes * foreign_l if foreign_l >= FILLING.crumb_l else 0.0


def wrong_fill(state: BayState) -> str | None:
    """Why this fill is not to be called full whatever its volume; None when its grade is right."""
    hose = state.spec.hose
    needs, has = state.spec.labels.get("grade", ""), state.spec.fresh.grade or ""
    if needs and has and not same_grade(needs, has):
        return _("the compartment takes {needs}, the container holds {has}").format(needs=needs, has=has)
    grade = "" if hose is None else hose.grade
    held_l = hose_held_l(state)
    into_l = min(state.meter.volume_l, max(0.0, held_l - (state.meter.total_l - state.meter.volume_l)))
    if grade and not same_grade(grade, needs or has) and into_l > 2 * FILLING.crumb_l:
        return _("{into_ml} mL of {grade} from the hose went in with it").format(
            into_ml=number(into_l * 1000, ".0f"), grade=grade
        )
    for drum, volume_l in _into_l(state):
        if (
            drum.grade
            and (needs or has)
            and not same_grade(drum.grade, needs or has)
            and volume_l > 2 * FILLING.crumb_l
        ):
            return _("{into_ml} mL of {grade} from {container} went in with it").format(
                into_ml=number(volume_l * 1000, ".0f"), grade=drum.grade, container=drum.container
            )
    return None


def turns(state: BayState) -> list[tuple[Drum, float, float]]:
    """Each container that was at the pump, in order, with what the meter stood at when it came and when it went."""
    drums = [drum for drum in (*state.supply.earlier, state.supply.drum) if drum is not None]
    gone_l = [*(drum.total_l for drum in drums[1:]), state.meter.total_l]
    return [(drum, drum.total_l, to_l) for drum, to_l in zip(drums, gone_l, strict=False)]


def _into_l(state: BayState) -> list[tuple[Drum, float]]:
    """What went into the compartment out of each container; the last that was drawn still stands in the hose."""
    last_l = state.meter.total_l - state.settings.hose_l
    first_l = last_l - state.meter.volume_l
    return [(drum, min(to_l, last_l) - max(from_l, first_l)) for drum, from_l, to_l in turns(state)]


def poured_l(state: BayState) -> dict[str, float]:
    """Container → what the fill took out of it so far, litres."""
    poured = dict(state.supply.poured_l)
    volume_l = state.meter.volume_l - state.supply.drum_from_l
    if state.supply.drum is not None and volume_l > 0:
        poured[state.supply.drum.container] = poured.get(state.supply.drum.container, 0.0) + volume_l
    return poured
