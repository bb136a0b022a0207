"""Sentences that the pages share: verdicts, faults, cautions, stages."""

from collections.abc import Mapping
from typing import NamedTuple

from station.bay.views import SupplyView
from station.common.words import N_, _
from station.core import lip
from station.given import sources
from station.given.stages import Stage
from station.verdict import DECIDED_AT
from web.frame import format as fmt

JOB_STAGES = tuple(stage.value for stage in Stage if stage is not Stage.ABANDONED)
NO_JOB = N_("no job is open")
"""Why the pump of a bay without a job is blocked, as ``station.bay.views`` says it."""
METHODS = (N_("cover removed"), N_("drain plug"), N_("suction"))
"""Ways of emptying a compartment, as ``station.given.job`` names them."""
STAGE_NAMES: Mapping[str, str] = {
    Stage.PLAN: N_("plan"),
    Stage.DRAIN: N_("drain"),
    Stage.DRIP: N_("drip"),
    Stage.RESEAL: N_("reseal"),
    Stage.FILL: N_("fill"),
    Stage.SETTLE: N_("settle"),
    Stage.LEAK_WATCH: N_("leak watch"),
    Stage.CLOSED: N_("closed"),
    Stage.ABANDONED: N_("abandoned"),
}

TIMERS = {
    "cure": N_("Sealant curing"),
    "settle": N_("Fluid settling"),
    "leak watch": N_("Leak watch"),
}
TIMES_UP = {
    "cure": N_("Cure time is over"),
    "settle": N_("Settling time is over"),
    "leak watch": N_("Leak watch is over"),
}

QUANTITIES = {
    "drained": N_("Drained"),
    "metered": N_("Metered"),
    "overflow": N_("Overflow"),
    "filled": N_("Filled"),
}


class Caution(NamedTuple):
    title: str
    text: str


CAUTIONS = (
    Caution(
        N_("Hot fluid."),
        N_("Fresh out of a vehicle it scalds. Let it cool until the housing can be touched."),
    ),
    Caution(
        N_("Raised vehicle."),
        N_("Rated stands on firm, level ground, wheels chocked. Never under a jack alone."),
    ),
    Caution(
        N_("Used oil on skin."), N_("It harms skin over time. Gloves, eye protection, and wash with soap.")
    ),
    Caution(
        N_("A running pump."), N_("Never leave it. Keep a hand on the hose and the hard-wired stop in reach.")
    ),
    Caution(
        N_("The vehicle's service manual"), N_("comes before anything on this page, as do your local rules.")
    ),
)

NOT_FOR_TRADE = N_("Service record of a workshop instrument. Not legal for trade.")


DOUBTS = {
    "late": N_("no fresh reading"),
    "still": N_("its reading does not move"),
    "restless": N_("its reading leaps; leave the pan alone"),
}


def doubts(found: Mapping[str, str]) -> str:
    """What a sensor is suspected of while the pump runs; empty where nothing is."""
    return " ".join(f"{source(name)}: {_(DOUBTS.get(word, word))}." for name, word in found.items())


def source(name: str) -> str:
    return _(sources.name(name))


class Verdict(NamedTuple):
    """tone: its colour. word: one word to read from afar. sign: a shape beside it, so that colour is not all. text: a sentence."""

    tone: str
    word: str
    sign: str
    text: str


UNJUDGED = Verdict("undecided", N_("Undecided"), "?", N_("The figures cannot settle it."))
NO_VERDICT = Verdict("none", N_("No verdict"), "–", N_("Nothing was filled, so there is nothing to judge."))


def said(one: Verdict) -> Verdict:
    """A verdict that is a constant, in the shop's language."""
    return one._replace(word=_(one.word), text=_(one.text))


def verdict(name: str | None, p_short: float | None, p_within: float | None, p_over: float | None) -> Verdict:
    """A verdict with its probabilities in words."""
    if name == "undecided" and p_within is None:
        return said(UNJUDGED)
    if name is None or p_within is None:
        return said(NO_VERDICT)
    rest = _("Probability: within tolerance {p_within}, short {p_short}, over {p_over}.").format(
        p_within=fmt.probability(p_within), p_short=fmt.probability(p_short), p_over=fmt.probability(p_over)
    )
    decided = {
        "full": (_("Full"), "✓", _("The fill is within its tolerance.")),
        "short": (_("Short"), "▼", _("The fill is below its tolerance: more fluid is needed.")),
        "over": (_("Over"), "▲", _("The fill is above its tolerance: fluid has to come out.")),
    }
    if name in decided:
        word, sign, text = decided[name]
        return Verdict(name, word, sign, f"{text} {rest}")
    text = _("The figures do not settle it; a verdict needs {needed}.").format(
        needed=fmt.probability(DECIDED_AT)
    )
    return Verdict("undecided", _("Undecided"), "?", f"{text} {rest}")


def leak_measured(rate_l_h: float | None, u95_l_h: float | None) -> str:
    """What stands behind "no leak above": the figure itself with its doubt, and what the pan cannot see."""
    if rate_l_h is None:
        return ""
    return _("Measured {rate}, of what drips into the pan. Look at the joints as well.").format(
        rate=fmt.leak_rate(rate_l_h, u95_l_h)
    )


PURGED = N_("Purged as far as needed. Let go, then end it with Purge done.")


def proving(held: bool) -> str:
    """What the pump does in a proof at the lip, between two steps."""
    if held:
        return _("Reading the pan. Keep holding: the next small step follows. Let go to end the proof.")
    return _("Press and hold to prove at the lip: small steps, with a look at the pan after each.")


def pump(
    latched: str | None,
    blocked: str | None,
    *,
    pump_on: bool,
    held: bool,
    reached: bool,
    uncounted: bool = False,
    ran_over: bool = False,
    too_little_left: bool = False,
) -> str:
    """What the pump does and, where it does not run, why. reached: it has no more to do. uncounted: since fluid may have gone
    in that the meter did not count. ran_over: at the plug. too_little_left: for the pump, of what is to go."""
    if pump_on:
        return _("Pump is running. Letting go stops it.")
    if reached and uncounted and latched in (None, "target reached") and blocked is None:
        return _("Stopped early. Prove at the lip, or look at the level and top up.")
    if latched == "target reached":
        return _("Stopped: target reached.")
    if latched in (lip.OVER, lip.NOTHING):
        why = _("Stopped: {latched}. Let go.") if held else _("Stopped: {latched}.")
        return why.format(latched=_(latched))
    if latched is not None:
        if held:
            return _("Stopped: {latched}. Let go, then press again.").format(latched=_(latched))
        return _("Stopped: {latched}.").format(latched=_(latched))
    if blocked is not None:
        return _("Pump is blocked: {blocked}.").format(blocked=_(blocked))
    if reached and ran_over:
        return _(
            "Fluid ran over at the plug. Do not top up before it has run off and the level was looked at."
        )
    if reached and too_little_left:
        return _("What is left is less than the pump can give. Top up if the level at the plug asks for it.")
    if reached:
        return _("Target reached. Top up if the level at the plug asks for it.")
    return _("Pump is off. Press and hold to run.")


def container_weighed(supply: SupplyView) -> str:
    """What is known of the container's weight, in one line."""
    if supply.typed_before_kg is None:
        return _("Weigh the container")
    before = _("Container weighed: {mass} kg before").format(mass=fmt.decimal(supply.typed_before_kg, 2))
    if supply.typed_after_kg is None:
        return _("{before}; weigh it again after the fill").format(before=before)
    return _("{before}, {mass} kg after").format(before=before, mass=fmt.decimal(supply.typed_after_kg, 2))
