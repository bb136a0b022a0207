"""Sends the bay's record to the roll-up, in a thread of its own that nobody waits for.

It begins where the roll-up says that it is, after every start and after every answer that did not come, and keeps no note of
its own. A roll-up that is away is asked again after a while, twice as long each time, and one that has many bays at once when it
says; the record is the queue.
"""

import logging
import random
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from station.bay.office import Later, Office, Unreachable
from station.common.words import _
from station.errors import StationError
from station.record import outbox
from station.record.versions import At

log = logging.getLogger(__name__)

Told = Sequence[Mapping[str, Any]]
Take = Callable[[Told], At]
TakePeople = Callable[[Mapping[str, Any] | None], int]
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
BETWEEN_S = 0.25
"""Between two batches of a backlog: the bay's own thread needs the interpreter, too. A week's record takes two seconds longer."""
HEARD_EVERY_S = 60.0
"""Without anything new the roll-up is told so often that the bay is there, and where its record ends."""


@dataclass(frozen=True)
class Sending:
    """How the roll-up stands to this bay's record. waiting: entries that it has not, as far as is known. behind_s: for how
    long there have been some; 0.0 where there are none. fault: why the last try failed. refused: why the roll-up takes
    no more; None while it does."""

    waiting: int = 0
    behind_s: float = 0.0
    fault: str | None = None
    refused: str | None = None


class _Behind:
    """What the shop tells version by version. ask: what comes behind a version. take: brings it into the bay's record; how far the
    bay is then, also of nothing."""

    def __init__(self, ask: Callable[[int], Told], take: Take) -> None:
        self._ask, self._take = ask, take
        self._at: At | None = None

    def bring(self, newest: At) -> None:
        """Have the bay take what it has not, up to the newest version."""
        if newest.version and self._at is None:
            self._at = self._take([])
        while self._at is not None and (after := self._at.behind(newest)) < newest.version:
            before, self._at = self._at, self._take(self._ask(after))
            if self._at == before:
                raise Unreachable(_("what answers there has nothing of the version that it names"))


class Sender:
    """name, software: what the bay says of itself. start: whether its thread runs; tests turn it by hand. take_lists: brings
    what was changed in the shop's lists into the bay's record; how far the bay is then, also of none. take_people: the
    same of everybody in the shop; None where nobody is asked who they are. take_fills: of what its other bays filled."""

    def __init__(
        self,
        ledger: Path,
        office: Office,
        every_s: float,
        batch: int,
        name: str = "",
        software: str = "",
        clock: Callable[[], float] = time.monotonic,
        start: bool = True,
        take_lists: Take = lambda issues: At(),
        take_people: TakePeople | None = None,
        take_fills: Take = lambda issues: At(),
    ) -> None:
        self._ledger, self._office, self._every_s, self._batch = ledger, office, every_s, batch
        self._name, self._software, self._clock = name, software, clock
        self._take_people = take_people
        self._lists, self._fills = (
            _Behind(office.lists, take_lists),
            _Behind(office.fills, take_fills),
        )
        self._head: int | None = None
        self._failed = 0
        self._heard_s: float | None = None
        self._behind_since_s: float | None = None
        self._waiting = 0
        self._fault: str | None = None
        self._refused: str | None = None
        self._halt = threading.Event()
        self._thread = threading.Thread(target=self._run, name="roll-up", daemon=True)
        if start:
            self._thread.start()

    def close(self) -> None:
        """Stop; what was not sent goes out after the next start."""
        self._halt.set()
        if self._thread.ident is not None:
            self._thread.join(5.0)
        self._office.close()

    @property
    def standing(self) -> Sending:
        """As of now; any thread may ask, and waits for nothing."""
        since_s = self._behind_since_s
        behind_s = 0.0 if since_s is None else self._clock() - since_s
        return Sending(self._waiting, behind_s, self._fault, self._refused)

    def _run(self) -> None:
        wait_s = 0.0
        while not self._halt.wait(wait_s):
            wait_s = self.turn()

    def turn(self) -> float:
        """Send one batch if there is one; how long to wait until the next turn, in seconds."""
        try:
            wait_s = self._send()
            if wait_s > BETWEEN_S:
                self._office.close()  # no server keeps an idle connection for long
        except Later as later:
            return self._later(later)
        except StationError as error:
            return self._failure(str(error))
        except Exception as error:  # whatever it is, the record must not stop going out without a word
            log.exception("the roll-up could not be served")
            return self._failure(repr(error))
        if self._fault is not None:
            log.info("the roll-up answers again")
        self._fault, self._failed = None, 0
        return wait_s

    def _send(self) -> float:
        newest = outbox.newest(self._ledger)
        if self._head is None or self._refused is not None:  # who was refused may be to begin anew
            self._head = self._office.head(newest)
        quiet = self._heard_s is not None and self._clock() - self._heard_s < HEARD_EVERY_S
        if newest == self._head and self._refused is None and quiet:
            self._note(0)
            return self._every_s
        batch = outbox.batch(self._ledger, self._head, self._batch, self._name, self._software)
        self._note(max(0, batch.newest_seq - self._head))
        answer = self._office.take(batch)
        before, self._head, self._heard_s = self._head, answer.seq, self._clock()
        if answer.fault is not None and self._refused is None:
            log.error("the roll-up does not take this bay's record: %s", answer.fault)
        self._refused = answer.fault
        self._note(max(0, batch.newest_seq - answer.seq))
        # At once: whoever was taken out must not stay in until a week's record has gone.
        fault = self._bring_people(answer.people)
        if answer.fault is None and self._waiting and answer.seq > before:
            return _apart(answer.rest_s) if answer.rest_s else BETWEEN_S
        if fault is not None:
            raise fault
        # Behind the record, which goes out also where these cannot be taken.
        self._lists.bring(At(answer.lists, answer.series))
        self._fills.bring(At(answer.fills, answer.series))
        return self._every_s if answer.fault is None else HEARD_EVERY_S

    def _bring_people(self, newest: int) -> StationError | None:
        """Have the bay take the shop's people, where it has not those of that version; why it could not."""
        if self._take_people is None or not newest:
            return None
        try:
            if self._take_people(None) != newest:
                self._take_people(self._office.people())
        except StationError as error:
            return error
        return None

    def _note(self, waiting: int) -> None:
        self._waiting = waiting
        if not waiting:
            self._behind_since_s = None
        elif self._behind_since_s is None:
            self._behind_since_s = self._clock()

    def _later(self, later: Later) -> float:
        """It answers and took nothing, and nothing has failed. Where it is is asked once more, for it says then whether it has room
        before a whole batch has gone out."""
        self._head = None
        if self._behind_since_s is None:
            self._behind_since_s = self._clock()
        self._fault, self._failed = None, 0
        self._office.close()
        log.info("the roll-up asks to come again in %.0f s: %s", later.after_s, later)
        return _apart(later.after_s)

    def _failure(self, text: str) -> float:
        self._head = None  # what was sent may have arrived: the roll-up will say
        if self._fault is None:
            log.warning("the roll-up cannot be reached: %s", text)
        self._fault = text
        if self._behind_since_s is None:
            self._behind_since_s = self._clock()
        self._failed += 1
        longest_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(self._failed - 1, 10))
        return longest_s * random.uniform(
            0.5, 1.0
        )  # bays that were cut off together do not come back together


def _apart(asked_s: float) -> float:
    """So long as was asked, and a little more by chance: bays that were told the same second do not come in the same moment."""
    return asked_s + random.uniform(0.0, 1.0)
