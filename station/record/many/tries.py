"""When a notice is tried again, who waits for it meanwhile, and how it goes out: the same at a bay and at the roll-up. Pure but for
the protocol that both boxes keep.

A bay's notices go to a receiver one after the other, and neither CloudEvents nor Standard Webhooks promises more. While a
receiver is away nothing overtakes. A notice that it answers and will not take stands aside after some minutes, with tries of its
own: the others go on, and what overtook it is told by ``sequence``.
"""

from dataclasses import dataclass
from typing import Protocol

from station.common.words import N_
from station.given.receivers import Receiver

PAUSES_S = (5, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 86_400)
"""After the first try that failed, after the second …: three days in all (Standard Webhooks 1.0, deliverability and reliability:
the example of a schedule)."""
KEPT_DAYS = 400
"""What was recorded earlier gives no notice any more."""
LATE = N_("no answer in time")
AWAY = N_("cannot be reached")
GONE = "410"
ALL_OF_IT = (AWAY, GONE, "429", "503")
"""Answers that say nothing of the notice, but that its receiver takes none at present (RFC 9110, RFC 6585)."""
HELD = 2
"""So many pauses the others wait for one that was refused; no longer once one stands aside."""


@dataclass(frozen=True)
class Claimed:
    """A notice that is being sent. tries: with this one. aside: whether it stood aside, and others went on."""

    shop: str
    bay: str
    id: str
    body: str
    tries: int
    aside: bool


class Box(Protocol):
    """Where notices wait until they were taken. Every method may be called from any thread, and waits for its disk."""

    def draw(self, receiver: Receiver, due: bool) -> None:
        """Draw what was recorded since, and, where it is time, which certificates became due."""

    def claim(self, receiver: str) -> Claimed | None:
        """The next notice that is to be tried; None where none is. It stays in the box until it is settled."""

    def settle(self, receiver: str, claimed: Claimed, answer: str, later_s: float) -> str:
        """Say what came of a try; the notice's state then, "sent" where it was taken. answer: the status that it was answered
        with, or a word. later_s: how long the receiver asks to be left alone."""


def taken(answer: str) -> bool:
    return len(answer) == 3 and answer.startswith("2")


def holds(claimed: Claimed, answer: str, another_aside: bool) -> bool:
    """Whether the others wait for a notice that was not taken. another_aside: whether one stands aside already."""
    if claimed.aside:
        return False
    return answer in ALL_OF_IT or (claimed.tries <= HELD and not another_aside)
