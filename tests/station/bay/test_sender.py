"""A bay's record on its way to the roll-up: from the roll-up's own head, patiently, and in nobody's way."""

import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from station.bay.office import Answer, Later, Unreachable
from station.bay.sender import BETWEEN_S, FIRST_WAIT_S, HEARD_EVERY_S, LONGEST_WAIT_S, Sender, Sending
from station.errors import InputError
from station.record import outbox
from station.record.ledger import Ledger
from station.record.many.arriving import Batch
from station.record.versions import At
from tests.rolled import add_jobs, record


class Desk:
    """A roll-up that only counts. away: whether it does not answer. lost: whether it takes a batch and its answer is lost. mute:
    whether it has nothing of the versions that it names."""

    def __init__(self) -> None:
        self.seq, self.batches, self.asked, self.said, self.closed = 0, 0, 0, 0, 0
        self.away = self.lost = self.mute = False
        self.newest = self.newest_people = self.newest_fills = 0
        self.series = "one"
        self.later_s = self.rest_s = 0.0
        self.fault: str | None = None
        self.whole = threading.Event()

    def head(self, newest: int) -> int:
        self.asked += 1
        self.said = newest
        if self.away:
            raise Unreachable("no route to host")
        return self.seq

    def take(self, batch: Batch) -> Answer:
        if self.away:
            raise Unreachable("no route to host")
        self.batches += 1
        if self.later_s:
            raise Later("many bays at once", self.later_s)
        if self.fault is None:
            assert {e.seq for e in batch.entries} >= set(range(self.seq + 1, batch.entries[-1].seq + 1))
            self.seq = max(self.seq, batch.entries[-1].seq)
        if self.seq == batch.newest_seq:
            self.whole.set()
        if self.lost:
            raise Unreachable("the answer was lost")
        newest = self.newest, self.newest_people, self.newest_fills
        return Answer(self.seq, self.fault, *newest, self.series, self.rest_s)

    def lists(self, after: int) -> list[dict[str, int]]:
        return [] if self.mute else [{"version": n} for n in range(after + 1, self.newest + 1)][:2]

    def fills(self, after: int) -> list[dict[str, int]]:
        return [{"version": self.newest_fills}]

    def people(self) -> dict[str, Any]:
        return {"version": self.newest_people}

    def close(self) -> None:
        self.closed += 1


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with closing(record(tmp_path / "bay.sqlite", 10)) as ledger:
        yield ledger


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def sender_of(ledger: Ledger, desk: Desk, clock: Clock) -> Sender:
    return Sender(Path(ledger.path), desk, 5.0, 20, clock=clock, start=False)


def test_it_goes_on_from_where_the_roll_up_is_and_then_waits(ledger: Ledger) -> None:
    desk, clock = Desk(), Clock()
    sender, desk.seq = sender_of(ledger, desk, clock), 30
    waits = [sender.turn() for _ in range(3)]
    assert waits == [BETWEEN_S, 5.0, 5.0]
    assert (desk.seq, desk.batches, desk.asked, desk.closed) == (52, 2, 1, 2)
    assert sender.standing.waiting == 0
    clock.now_s += HEARD_EVERY_S
    sender.turn()
    assert desk.batches == 3  # nothing new, but the roll-up hears that the bay is there
    add_jobs(ledger, 1, seed=2)
    sender.turn()
    assert desk.seq == 58


def test_a_lost_answer_is_asked_after(ledger: Ledger) -> None:
    desk, clock = Desk(), Clock()
    sender = sender_of(ledger, desk, clock)
    desk.lost = True
    assert sender.turn() > 0.0
    desk.lost = False
    sender.turn()
    assert (desk.asked, desk.seq) == (2, 40)


def test_a_roll_up_that_is_away_is_asked_less_and_less_and_the_bay_is_told(ledger: Ledger) -> None:
    desk, clock = Desk(), Clock()
    sender, desk.away = sender_of(ledger, desk, clock), True
    waits = []
    for _ in range(12):
        waits.append(sender.turn())
        clock.now_s += waits[-1]
    assert 0.5 * FIRST_WAIT_S <= waits[0] <= FIRST_WAIT_S
    assert max(waits) <= LONGEST_WAIT_S
    assert min(waits[-3:]) >= 0.5 * LONGEST_WAIT_S
    assert (sender.standing.behind_s, sender.standing.fault) == (clock.now_s, "no route to host")
    desk.away = False
    while sender.turn() == BETWEEN_S:
        pass
    assert (sender.standing.behind_s, sender.standing.fault, desk.seq) == (0.0, None, 52)


def test_one_that_has_many_bays_at_once_is_left_alone_for_as_long_as_it_asks_and_nothing_has_failed(
    ledger: Ledger,
) -> None:
    desk, clock = Desk(), Clock()
    sender, desk.later_s = sender_of(ledger, desk, clock), 40.0
    waits = [sender.turn() for _ in range(20)]
    assert all(40.0 <= wait_s <= 41.0 for wait_s in waits)
    assert len(set(waits)) > 1, "bays that were told the same second come one after the other"
    clock.now_s += 50.0
    assert sender.standing == Sending(52, 50.0), "and the bay is told what waits, and of no fault"
    desk.later_s, desk.rest_s = 0.0, 7.0
    assert 7.0 <= sender.turn() <= 8.0, "others go before what is left"
    assert (desk.asked, desk.said, desk.seq) == (21, 52, 20), "it asks whether there is room before it sends"
    desk.rest_s = 0.0
    assert sender.turn() == BETWEEN_S
    desk.rest_s = 7.0
    assert sender.turn() == 5.0, "nothing is left that others could go before"
    assert sender.standing == Sending(0, 0.0)


def test_what_the_roll_up_refuses_is_told_and_asked_again_now_and_then(ledger: Ledger) -> None:
    desk, clock = Desk(), Clock()
    sender, desk.fault = sender_of(ledger, desk, clock), "entry 3 is another one than arrived here"
    assert sender.turn() == HEARD_EVERY_S
    assert sender.standing.refused == desk.fault
    desk.fault = None
    sender.turn()
    assert sender.standing == Sending(32, 0.0)
    assert desk.seq == 20


def test_a_record_that_cannot_be_read_is_a_fault_and_no_end(tmp_path: Path) -> None:
    sender = Sender(tmp_path / "none.sqlite", Desk(), 5.0, 20, start=False)
    assert sender.turn() > 0.0
    assert "cannot be read" in (sender.standing.fault or "")


def test_what_the_shop_changed_is_brought_up_to_its_newest_version_and_no_further(ledger: Ledger) -> None:
    """Its lists, and what its other bays filled."""
    desk, clock = Desk(), Clock()
    here: list[int] = [1]
    filled: list[int] = [3]

    def take_lists(issues: Sequence[Mapping[str, Any]]) -> At:
        here.extend(one["version"] for one in issues)
        return At(here[-1], desk.series if issues else "one")

    def take_fills(issues: Sequence[Mapping[str, Any]]) -> At:
        filled.extend(one["version"] for one in issues)
        return At(filled[-1], desk.series if issues else "one")

    sender = Sender(
        Path(ledger.path), desk, 5.0, 1000, clock=clock, start=False, take_lists=take_lists, take_fills=take_fills
    )  # fmt: skip
    desk.newest, desk.newest_fills = 5, 7
    sender.turn()
    assert here == [1, 2, 3, 4, 5]
    assert filled == [3, 7]
    clock.now_s += HEARD_EVERY_S
    sender.turn()
    assert here == [1, 2, 3, 4, 5]
    assert sender.standing.fault is None
    desk.series, desk.newest, desk.newest_fills = "set up anew", 2, 1
    clock.now_s += HEARD_EVERY_S
    sender.turn()
    assert (here[5:], filled[2:]) == ([1, 2], [1])
    desk.newest, desk.mute = 9, True
    clock.now_s += HEARD_EVERY_S
    sender.turn()
    assert "nothing of the version" in str(sender.standing.fault)


def test_whom_the_shop_took_out_is_out_before_a_long_record_has_gone(ledger: Ledger) -> None:
    """Also where the roll-up takes no more of it; and what the bay cannot take holds the record up nowhere."""
    here = [1]

    def take_people(told: Mapping[str, Any] | None) -> int:
        if told is not None and told["version"] == 4:
            raise InputError("a secret that is kept in another way")
        here.append(here[-1] if told is None else told["version"])
        return here[-1]

    desk = Desk()
    sender = Sender(Path(ledger.path), desk, 5.0, 20, clock=Clock(), start=False, take_people=take_people)
    desk.newest_people = 2
    assert (sender.turn(), desk.seq, here[-1]) == (BETWEEN_S, 20, 2), "with the first of three batches"
    desk.newest_people, desk.fault = 3, "entry 3 is another one"
    assert (sender.turn(), desk.seq, here[-1]) == (HEARD_EVERY_S, 20, 3)
    desk.newest_people, desk.fault = 4, None
    while sender.turn() == BETWEEN_S:
        pass
    assert (desk.seq, here[-1]) == (outbox.newest(Path(ledger.path)), 3)
    assert "kept in another way" in str(sender.standing.fault)
    desk.newest_people = 0  # a roll-up that has nobody to tell of takes nobody out
    Sender(Path(ledger.path), desk, 5.0, 20, clock=Clock(), start=False, take_people=take_people).turn()
    assert here[-1] == 3


def test_lists_that_the_bay_cannot_take_hold_its_record_up_nowhere(ledger: Ledger) -> None:
    def take_lists(issues: Sequence[Mapping[str, Any]]) -> At:
        raise InputError("a table that this station does not know")

    desk = Desk()
    desk.newest = 1
    sender = Sender(Path(ledger.path), desk, 5.0, 20, clock=Clock(), start=False, take_lists=take_lists)
    while sender.turn() == BETWEEN_S:
        pass
    assert desk.seq == outbox.newest(Path(ledger.path))
    assert "does not know" in str(sender.standing.fault)


def test_its_thread_ends_when_it_is_closed(ledger: Ledger) -> None:
    desk = Desk()
    sender = Sender(Path(ledger.path), desk, 0.01, 20)
    try:
        assert desk.whole.wait(30.0)
    finally:
        sender.close()
    assert not sender._thread.is_alive()
