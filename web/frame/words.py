"""Sentences that the pages share: verdicts, faults, cautions, stages."""

from collections.abc import Mapping
from typing import NamedTuple

from station.bay.views import SupplyView
from station.core import lip
from station.given import sources
from station.given.stages import Stage
from station.verdict import DECIDED_AT
from web.frame import format as fmt

JOB_STAGES = tuple(stage.value for stage in Stage if stage is not Stage.ABANDONED)

TIMERS = {
    "cure": "Sealant curing",
    "settle": "Fluid settling",
    "leak watch": "Leak watch",
}

QUANTITIES = {"drained": "Drained", "metered": "Metered", "overflow": "Overflow", "filled": "Filled"}


class Caution(NamedTuple):
    title: str
    text: str


CAUTIONS = (
    Caution("Hot fluid.", "Fresh out of a vehicle it scalds. Let it cool until the housing can be touched."),
    Caution(
        "Raised vehicle.", "Rated stands on firm, level ground, wheels chocked. Never under a jack alone."
    ),
    Caution("Used oil on skin.", "It harms skin over time. Gloves, eye protection, and wash with soap."),
    Caution("A running pump.", "Never leave it. Keep a hand on the hose and the hard-wired stop in reach."),
    Caution("The vehicle's service manual", "comes before anything on this page, as do your local rules."),
)

NOT_FOR_TRADE = "Service record of a workshop instrument. Not legal for trade."


DOUBTS = {
    "late": "no fresh reading",
    "still": "its reading does not move",
    "restless": "its reading leaps; leave the pan alone",
}


def doubts(found: Mapping[str, str]) -> str:
    """What a sensor is suspected of while the pump runs; empty where nothing is."""
    return " ".join(f"{source(name)}: {DOUBTS.get(word, word)}." for name, word in found.items())


def source(name: str) -> str:
    return sources.name(name)


class Verdict(NamedTuple):
    """word: one word to read from afar. sign: a shape beside it, so that colour is not all. text: a sentence."""

    word: str
    sign: str
    text: str


UNJUDGED = Verdict("Undecided", "?", "The figures cannot settle it.")
NO_VERDICT = Verdict("No verdict", "–", "Nothing was filled, so there is nothing to judge.")


def verdict(name: str | None, p_short: float | None, p_within: float | None, p_over: float | None) -> Verdict:
    """A verdict with its probabilities in words."""
    if name == "undecided" and p_within is None:
        return UNJUDGED
    if name is None or p_within is None:
        return NO_VERDICT
    rest = (
        f"Probability: within tolerance {fmt.probability(p_within)}, short {fmt.probability(p_short)}, "
        f"over {fmt.probability(p_over)}."
    )
    decided = {
        "full": ("Full", "✓", "The fill is within its tolerance."),
        "short": ("Short", "▼", "The fill is below its tolerance: more fluid is needed."),
        "over": ("Over", "▲", "The fill is above its tolerance: fluid has to come out."),
    }
    if name in decided:
        word, sign, text = decided[name]
        return Verdict(word, sign, f"{text} {rest}")
    text = f"The figures do not settle it; a verdict needs {fmt.probability(DECIDED_AT)}."
    return Verdict("Undecided", "?", f"{text} {rest}")


def leak_measured(rate_l_h: float | None, u95_l_h: float | None) -> str:
    """What stands behind "no leak above": the figure itself with its doubt, and what the pan cannot see."""
    if rate_l_h is None:
        return ""
    return f"Measured {fmt.leak_rate(rate_l_h, u95_l_h)}, of what drips into the pan. Look at the joints as well."


PURGED = "Purged as far as needed. Let go, then end it with Purge done."


def proving(held: bool) -> str:
    """What the pump does in a proof at the lip, between two steps."""
    if held:
        return "Reading the pan. Keep holding: the next small step follows. Let go to end the proof."
    return "Press and hold to prove at the lip: small steps, with a look at the pan after each."


def pump(latched: str | None, blocked: str | None, *, pump_on: bool, held: bool, reached: bool) -> str:
    """What the pump does and, where it does not run, why. reached: nothing is left to go."""
    if pump_on:
        return "Pump is running. Let go to stop."
    if latched == "target reached":
        return "Stopped: target reached."
    if latched in (lip.OVER, lip.NOTHING):
        return f"Stopped: {latched}.{' Let go.' if held else ''}"
    if latched is not None:
        if held:
            return f"Stopped: {latched}. Let go, then press again."
        return f"Stopped: {latched}."
    if blocked is not None:
        return f"Pump is blocked: {blocked}."
    if reached:
        return "Target reached. Top up if the level at the plug asks for it."
    return "Pump is off. Press and hold to run."


def container_weighed(supply: SupplyView) -> str:
    """What is known of the container's weight, in one line."""
    if supply.typed_before_kg is None:
        return "Weigh the container"
    before = f"Container weighed: {fmt.decimal(supply.typed_before_kg, 2)} kg before"
    if supply.typed_after_kg is None:
        return f"{before}; weigh it again after the fill"
    return f"{before}, {fmt.decimal(supply.typed_after_kg, 2)} kg after"
