"""The notices of a bay that tells other systems by itself: what of its record is to be told, and what was.

The record is the queue, as it is for the roll-up: notices are drawn from its own entries, and each receiver's place is an entry
of its own there, so that it is kept, copied and put back with the record. What was taken is not sent again after a restart. What
was sent when the power failed goes out again under the same id.
"""

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from station.common import days
from station.given.config import BayConfig
from station.given.receivers import Receiver
from station.record import archive, outbox
from station.record.ledger import Ledger
from station.record.many import notices, tries
from station.record.many.arriving import Entry
from station.record.many.notices import Notice, Whose
from station.record.many.tries import Claimed

EVENT = "told"
DRAWN_MOST = 50
"""Notices of a receiver that are in memory at once; the record has the others."""
LONGEST_S = 86_400.0
"""Between two tries of one that stands aside. It is never given up: nobody looks after a list of failures at a bay."""
AWAY_MOST_S = 3600.0
"""A receiver that is back waits no longer than this."""


@dataclass(frozen=True)
class Lacking:
    """What a receiver has not taken. waiting: in its order. aside: refused, and tried by themselves. behind_s: since when the
    oldest of them waits; 0.0 where none does. answer: to the last try."""

    receiver: str
    waiting: int
    aside: int
    behind_s: float
    answer: str

    @property
    def stuck(self) -> bool:
        """Whether somebody may want it sent again: what waits was not taken when it was tried, or stands aside."""
        return self.aside > 0 or (self.waiting > 0 and not tries.taken(self.answer))


@dataclass
class _Waiting:
    """A notice, and when its next try is, by the clock. aside: whether others go before it."""

    notice: Notice
    since_s: float
    tries: int = 0
    next_s: float = 0.0
    aside: bool = False


@dataclass
class _Lane:
    """A receiver's notices. seq: up to which entry results are drawn. done: ids that need not be drawn any more. gone: whether it
    wants no more, until somebody has it sent again or the station starts."""

    seq: int
    done: set[str] = field(default_factory=set)
    waiting: deque[_Waiting] = field(default_factory=deque)
    answer: str = ""
    gone: bool = False


class NoticeBook:
    """See ``tries.Box``. tell: puts the body of an entry of kind EVENT into the record. today: of the shop."""

    def __init__(
        self,
        config: BayConfig,
        tell: Callable[[Mapping[str, Any]], None],
        clock: Callable[[], float] = time.monotonic,
        today: Callable[[], date] | None = None,
    ) -> None:
        self._ledger, self._zone, self._tell, self._clock = config.ledger, config.zone, tell, clock
        self._today = today or (lambda: days.today(config.zone))
        self._whose = Whose("", config.shop.name, config.name)
        self._lock = threading.Lock()  # held for moments; nothing is read or written under it
        self._lanes: dict[str, _Lane] = {}

    # --- as ``tries.Box`` ----------------------------------------------------------------------------------

    def draw(self, receiver: Receiver, due: bool) -> None:
        lane = self._lanes.get(receiver.name) or self._begin(receiver)
        newest = outbox.newest(self._ledger)
        if lane.seq < newest and len(lane.waiting) < DRAWN_MOST:
            entries = outbox.results(self._ledger, lane.seq, newest, DRAWN_MOST)
            self._add(lane, self._of(entries, receiver))
            lane.seq = entries[-1].seq if len(entries) == DRAWN_MOST else newest
        if due and "calibration due" in receiver.rules.kinds:
            self._add(lane, self._due())

    def claim(self, receiver: str) -> Claimed | None:
        lane, now_s = self._lanes.get(receiver), self._clock()
        if lane is None or lane.gone:
            return None
        with self._lock:
            in_order = next((one for one in lane.waiting if not one.aside), None)
            for one in ([] if in_order is None else [in_order]) + [one for one in lane.waiting if one.aside]:
                if one.next_s <= now_s:
                    one.tries += 1
                    name = self._whose
                    return Claimed(name.shop, name.bay, one.notice.id, one.notice.body, one.tries, one.aside)
        return None

    def settle(self, receiver: str, claimed: Claimed, answer: str, later_s: float) -> str:
        lane = self._lanes[receiver]
        taken, pauses = tries.taken(answer), [*tries.PAUSES_S, LONGEST_S]
        pause_s = float(pauses[min(claimed.tries, len(pauses)) - 1])
        if answer in tries.ALL_OF_IT:
            pause_s = min(pause_s, AWAY_MOST_S)
        with self._lock:
            one = next(one for one in lane.waiting if one.notice.id == claimed.id)
            another = any(each.aside for each in lane.waiting if each is not one)
            moved = not taken and not one.aside and not tries.holds(claimed, answer, another)
            lane.answer, lane.gone = answer, answer == tries.GONE
            one.next_s = self._clock() + max(later_s, pause_s)
            one.aside = one.aside or moved
            if taken:
                lane.waiting.remove(one)
                lane.done.add(claimed.id)
        if taken or moved:
            what = {"id": claimed.id, "notice": one.notice.kind, "seq": one.notice.seq, "answer": answer}
            self._tell({"receiver": receiver, "did": "sent" if taken else "aside", **what})
        return "sent" if taken else "waiting"

    def again(self, receiver: str) -> int:
        """Have everything that a receiver has not taken tried at once and in its order, also by one that wanted no more; how many
        notices that is, of those that are drawn. It stays in the record that somebody did it."""
        lane, now_s = self._lanes[receiver], self._clock()
        with self._lock:
            lane.gone = False
            for one in lane.waiting:
                one.tries, one.next_s, one.aside = 0, now_s, False
            n = len(lane.waiting)
        self._tell({"receiver": receiver, "did": "again", "id": "", "seq": None, "notices": n})
        return n

    # --- what is told of it --------------------------------------------------------------------------------

    def lacking(self) -> list[Lacking]:
        """What every receiver lacks, as of now; any thread may ask, and waits for nothing."""
        now_s = self._clock()
        with self._lock:
            return [
                Lacking(
                    name,
                    sum(not one.aside for one in lane.waiting),
                    sum(one.aside for one in lane.waiting),
                    max((now_s - one.since_s for one in lane.waiting), default=0.0),
                    lane.answer,
                )
                for name, lane in self._lanes.items()
            ]

    # --- the record ----------------------------------------------------------------------------------------

    def _begin(self, receiver: Receiver) -> _Lane:
        """Take a receiver's place up again; a new one is told of what is recorded from now on."""
        with closing(Ledger(self._ledger, read_only=True)) as ledger:
            past = [
                event for event in ledger.shop_events(EVENT) if event["body"]["receiver"] == receiver.name
            ]
        aside: dict[str, int] = {}
        if not past:
            lane = _Lane(outbox.newest(self._ledger))
            self._tell({"receiver": receiver.name, "did": "began", "seq": lane.seq})
        else:
            lane = _Lane(int(past[0]["body"]["seq"]))
            for event in past[1:]:
                body = event["body"]
                if body["did"] == "again":  # of what was in memory; a start tries everything
                    continue
                lane.seq = max(lane.seq, (body["seq"] or 0) - 1)  # one entry may give two notices
                lane.done.add(body["id"])
                if body["did"] == "sent":
                    aside.pop(body["id"], None)
                elif body["seq"] is not None:
                    aside[body["id"]] = body["seq"]
        for name, seq in aside.items():
            lane.done.discard(name)
            again = self._of(outbox.results(self._ledger, seq - 1, seq, 1), receiver)
            self._add(lane, [one for one in again if one.id == name], aside=True)
        with self._lock:
            self._lanes[receiver.name] = lane
        return lane

    def _of(self, entries: list[Entry], receiver: Receiver) -> list[Notice]:
        since = (days.now() - timedelta(days=tries.KEPT_DAYS)).astimezone(UTC)
        recent = [one for one in entries if not one.clock_synced or datetime.fromisoformat(one.utc) >= since]
        return notices.of_entries(self._whose, recent, self._zone, receiver.rules.kinds)

    def _due(self) -> list[Notice]:
        """Of each instrument's newest certificate that no other replaces."""
        with closing(Ledger(self._ledger, read_only=True)) as ledger:
            register = archive.certificates(ledger)
        replaced = {one.replaces for one in register}
        newest = {
            (one.kind, one.instrument): one
            for one in sorted(register, key=lambda one: datetime.fromisoformat(one.made_at))
            if one.number not in replaced
        }
        told = (
            notices.of_certificate(self._whose, one, date.fromisoformat(one.valid_until), self._today())
            for one in newest.values()
        )
        return [one for one in told if one is not None]

    def _add(self, lane: _Lane, told: list[Notice], aside: bool = False) -> None:
        now_s = self._clock()
        tried = tries.HELD + 1 if aside else 0
        with self._lock:
            known = lane.done | {one.notice.id for one in lane.waiting}
            lane.waiting += [_Waiting(one, now_s, tried, now_s, aside) for one in told if one.id not in known]
