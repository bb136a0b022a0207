"""What the technician ticks and marks, in trade order. The wording defers to the vehicle's service manual."""

from dataclasses import dataclass

from station.common.words import N_, _
from station.core import amounts, lip, take_back
from station.core.state import BayState
from station.errors import InputError
from station.given.said import Mark
from station.given.stages import DRAINING, Stage


@dataclass(frozen=True)
class Item:
    """caution: it keeps somebody from being hurt. mark: what a tick sets in the recording; nothing waits for such a tick."""

    key: str
    text: str
    caution: bool = False
    mark: Mark | None = None


@dataclass(frozen=True)
class Next:
    """A mark that makes sense now. why: what it still waits for; None when it can be set."""

    mark: Mark
    label: str
    why: str | None = None


STAND = Item(
    "stands_level",
    N_(
        "Spirit level laid on the housing, along and across: level. Then what runs over at the plug is proof, even against the meter. The job goes on without."
    ),
    mark=Mark.STANDS_LEVEL,
)
HOSE = Item(
    "hose_full",
    N_(
        "Hose full: it ran into a can until no bubbles came. Then meter and container vouch for each other. The job goes on without."
    ),
    mark=Mark.HOSE_FULL,
)
STAND_IN = frozenset({Stage.PLAN, Stage.RESEAL, Stage.FILL, Stage.SETTLE})
"""Stages in which hands are at the housing and the plug is not in."""
HOSE_IN = frozenset({Stage.RESEAL, Stage.FILL})

ITEMS: dict[Stage, tuple[Item, ...]] = {
    Stage.PLAN: (
        Item(
            "supported",
            N_("Vehicle level on rated stands, wheels chocked. Never rely on a jack alone."),
            True,
        ),
        Item("fill_plug", N_("Fill plug loosened: make sure that it comes out before you drain anything.")),
        Item("hot", N_("Fluid cool enough to touch the housing. Gloves and eye protection on."), True),
        Item("grade", N_("Fresh fluid's grade checked against the vehicle's service manual.")),
        Item("pan", N_("Pan on its cells under the drain, nothing leaning on it.")),
    ),
    Stage.DRAIN: (Item("clear", N_("Face and arms clear of the stream. No naked flame."), True),),
    Stage.DRIP: (),
    Stage.RESEAL: (
        Item(
            "done_first",
            N_("Drained figure taken. You may use solvent and rags now, with good ventilation."),
            True,
        ),
        Item("surfaces", N_("Both sealing faces clean and dry. Magnet inspected and wiped.")),
        Item("torque", N_("Bolts or drain plug tightened to the torque in the manual.")),
    ),
    Stage.FILL: (
        Item("hose", N_("Hose seated in the fill hole. Keep a hand on it while the pump runs."), True),
        Item("pan_there", N_("Pan still under the plug to catch what runs over.")),
    ),
    Stage.SETTLE: (Item("level", N_("Level at the plug checked with the vehicle level.")),),
    Stage.LEAK_WATCH: (Item("dry", N_("Housing wiped dry. Leave the pan alone.")),),
}


def items(state: BayState) -> tuple[Item, ...]:
    """Checklist of the present stage."""
    chosen = ITEMS.get(state.stage, ())
    if state.stage is Stage.RESEAL and state.spec.method == "suction":
        chosen = tuple(item for item in chosen if item.key == "done_first")
    chosen = (*chosen, HOSE) if state.stage in HOSE_IN else chosen
    return (*chosen, STAND) if state.stage in STAND_IN else chosen


def named(state: BayState, key: str) -> Item:
    """Raises InputError for an item that is not on the present stage's list."""
    found = next((item for item in items(state) if item.key == key), None)
    if found is None:
        raise InputError(_("{key!r} is not on the list of this stage.").format(key=key))
    return found


def is_done(state: BayState, item: Item, ticked: frozenset[str]) -> bool:
    """Whether an item is ticked. ticked: keys of those that set no mark."""
    return item.key in ticked if item.mark is None else state.marked(item.mark) is not None


def mark_of(state: BayState, mark: Mark, done: bool) -> Mark | None:
    """What a tick that is a mark sets, or its removal; None where it stands so already. Raises InputError where it is too
    late to remove it."""
    if (state.marked(mark) is not None) == done:
        return None
    if done:
        return mark
    if take_back.may_be(state) != mark:
        raise InputError(
            _(
                "The job went on after this tick, so that it stays in the recording. Make it true now, or say in a note what was wrong."
            )
        )
    return Mark.TAKE_BACK


def timer(state: BayState) -> tuple[str, float, float] | None:
    """The timer that runs now: what for, seconds left, seconds in all."""
    s = state.settings
    sealed = state.marked("reseal_done")
    if state.stage is Stage.RESEAL and sealed is not None and state.spec.cures:
        return "cure", max(0.0, s.cure_s - (state.t_s - sealed)), s.cure_s
    for stage, of_s in ((Stage.SETTLE, s.settle_s), (Stage.LEAK_WATCH, s.leak_watch_s)):
        if state.stage is stage:
            return stage.value, max(0.0, of_s - (state.t_s - state.stage_t_s)), of_s
    return None


TARGET_NEAR_L = 0.02
"""The pump stops so near its target at the worst; a proof begins from there."""


def _proof(state: BayState) -> list[Next]:
    """The proof at the lip, where the shop has it and none is under way."""
    if state.settings.lip_proof == "never" or lip.proving(state) is not None:
        return []
    to_go = amounts.may_go_l(state) > TARGET_NEAR_L
    early = state.stage is Stage.FILL and to_go and state.fill.overflow_at_l is None
    why = _("first: fill to the target") if early or state.pump.hold.running else None
    return [Next(Mark.LIP_PROOF, _("Prove at the lip"), why)]


def _unproved(state: BayState) -> str | None:
    """Why the plug waits in a shop that proves each fill at the lip; a proof that was tried and ended is in the record."""
    proof = state.fill.proof
    if state.settings.lip_proof != "always" or (
        proof is not None and proof.steps and proof.ended is not None
    ):
        return None
    return _("first: prove at the lip, as this shop does with each fill")


def next_marks(state: BayState, done: frozenset[str]) -> list[Next]:
    """What can be marked now, in order, and last the way back from the last mark. done: keys of ticked items."""
    slip = take_back.may_be(state)
    back = (
        []
        if slip is None
        else [Next(Mark.TAKE_BACK, _("Take back: {mark}").format(mark=_(take_back.NAMES[slip])))]
    )
    return [*_onward(state, done), *back]


def _onward(state: BayState, done: frozenset[str]) -> list[Next]:
    stage = state.stage
    if stage is Stage.PLAN:
        missing = [item for item in ITEMS[Stage.PLAN] if item.key not in done]
        why = _("first: {item}").format(item=_(missing[0].text)) if missing else None
        if state.marked("pan_placed") is None:
            return [
                Next(Mark.PAN_PLACED, _("Pan placed")),
                Next(Mark.DRAIN_OPEN, _("Drain opened"), why or _("first: Pan placed")),
            ]
        return [Next(Mark.DRAIN_OPEN, _("Drain opened"), why)]
    if stage in DRAINING:
        return [Next(Mark.DRAIN_DONE, _("Drain done, take the figure"))]
    if stage is Stage.RESEAL:
        if state.marked("reseal_done") is None:
            return [Next(Mark.FLUSH, _("Solvent from here on")), Next(Mark.RESEAL_DONE, _("Resealed"))]
        running = timer(state)
        left = running is not None and running[1] > 0
        label = _("Sealant not cured: fill all the same") if left else _("Start the fill")
        return [Next(Mark.FILL_START, label)]
    if stage is Stage.FILL:
        return [
            Next(Mark.LEVEL_SEEN, _("Level seen at the plug")),
            *_proof(state),
            Next(Mark.FILL_DONE, _("Fill done")),
        ]
    if stage is Stage.SETTLE:
        return [
            Next(Mark.LEVEL_SEEN, _("Level seen at the plug")),
            *_proof(state),
            Next(Mark.FILL_START, _("Top up")),
            Next(Mark.PLUG_IN, _("Fill plug in"), _unproved(state)),
        ]
    if stage is Stage.LEAK_WATCH:
        again = Next(Mark.FILL_START, _("Plug out again: top up"))
        return [Next(Mark.CLOSE, _("Close the job")), again]
    return []
