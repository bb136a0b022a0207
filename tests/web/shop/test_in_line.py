"""Batches in line: a few of today's entries pass a backlog, what is in hand is bounded, and who is sent away comes in its turn."""

import asyncio
import heapq
from collections.abc import Callable
from contextlib import ExitStack, suppress
from typing import NamedTuple

import pytest

from station.bay.office import TIMEOUT_S
from web.frame.gate import LARGEST_BATCH, LARGEST_BODY, LONG_BODIES
from web.frame.problem import Crowded
from web.shop.many import in_line
from web.shop.many.in_line import Lane, Line

SHORT, LONG = 1000, LARGEST_BODY + 1


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def order(came: list[tuple[float, int]], takers: int = 2) -> list[int]:
    """In which order batches are taken in. came: when, and of how many bytes; each takes 50 ms."""
    clock, taken = Clock(), list[int]()
    line = Line(takers, clock)

    async def play() -> None:
        go = asyncio.Semaphore(0)

        async def one(n: int, size: int) -> None:
            with line.place(size) as lane:
                async with line.turn(lane):
                    taken.append(n)
                    await go.acquire()

        async with asyncio.TaskGroup() as all_of_them:
            for n, (at_s, size) in enumerate(came):
                clock.now_s = at_s
                all_of_them.create_task(one(n, size))
                await asyncio.sleep(0)
            for _ in came:
                clock.now_s += 0.05
                go.release()
                await soon()

    asyncio.run(play())
    return taken


async def soon() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


def backlog(n: int) -> list[tuple[float, int]]:
    return [(0.01 * k, LONG) for k in range(n)]


def test_todays_entries_pass_a_backlog_and_do_not_starve_it(monkeypatch: pytest.MonkeyPatch) -> None:
    taken = order([*backlog(60), (1.0, SHORT)])
    assert taken.index(60) == 2, "behind the two that were being taken in as it came"
    assert [n for n in taken if n != 60] == list(range(60))
    late = [(in_line.LONG_S + 0.01 * k, SHORT) for k in range(60)]
    taken = order([*backlog(10), *late])
    assert taken.index(9) < 20, "none of those that came so much later goes first"
    monkeypatch.setattr(in_line, "LONG_S", 0.0)
    assert order([*backlog(60), (1.0, SHORT)]).index(60) == 60


def test_no_more_is_in_hand_than_is_taken_in_while_bays_wait_and_who_comes_beyond_is_told_when() -> None:
    clock = Clock()
    line = Line(2, clock)
    places = [line.place(LONG) for _ in range(1000)]
    told, lane = [], None
    for place in places:
        try:
            lane = place.__enter__()
        except Crowded as sent_away:
            told.append(sent_away.again_s)
    assert lane is not None
    assert lane.in_hand == lane.most == 2 * in_line.WAIT_S / in_line.PACE_S
    assert len(told) == 1000 - lane.most
    assert told == sorted(told)
    assert told[-1] == pytest.approx(in_line.EARLY * len(told) * in_line.PACE_S / 2, abs=1.0)
    with line.place(SHORT):
        assert line.rest_s(lane) >= told[-1], "who was served and has more comes behind those"
    clock.now_s = 1000.0
    assert line.rest_s(lane) == 0
    with ExitStack() as held:
        line = Line(2, clock)
        with suppress(Crowded):
            for _ in range(100):
                lane = held.enter_context(line.place(LARGEST_BATCH))
        assert 0 < lane.bytes < LONG_BODIES - LARGEST_BATCH / 2, "less than the gate lets in"
    with line.place(LARGEST_BATCH) as lane:
        assert (lane.in_hand, lane.bytes) == (1, LARGEST_BATCH)
    for _ in range(200):
        lane.took(60.0)
    assert lane.most == 4, "of a machine that is so slow, and none of the two waits for bays"


def test_one_that_goes_while_it_waits_leaves_its_turn_to_the_next() -> None:
    async def play() -> list[str]:
        line, done = Line(1), list[str]()
        go = asyncio.Event()

        async def one(name: str) -> None:
            with line.place(SHORT) as lane:
                async with line.turn(lane):
                    done.append(name)
                    await go.wait()

        tasks = [asyncio.create_task(one(name)) for name in "abc"]
        await soon()
        tasks[1].cancel()
        go.set()
        await asyncio.gather(*tasks, return_exceptions=True)
        await one("d")
        return done

    assert asyncio.run(play()) == ["a", "c", "d"]


class Came(NamedTuple):
    """in_vain: how often a bay asked for nothing, for each batch. took: until all was in, by what two that never wait would take.
    longest_s: that a bay waited for an answer. apart: how many batches one bay was before another when half was in."""

    in_vain: float
    took: float
    longest_s: float
    apart: int


def came_back(bays: int, batches: int, each_s: float, again_s: Callable[[Lane, float], float]) -> Came:
    """All bays at once with so many long batches each, of which two are taken in at a time. again_s: when one that is sent away comes
    again."""
    lane, free_s, in_vain, longest_s = Lane(in_line.LONG_S, 2), [0.0, 0.0], 0, 0.0
    coming = [(0.001 * n, n) for n in range(bays)]
    going: list[float] = []
    left, apart = [batches] * bays, 0
    while coming:
        now_s, n = heapq.heappop(coming)
        while going and going[0] <= now_s:
            heapq.heappop(going)
            lane.in_hand -= 1
            lane.took(each_s)
        if lane.full(LONG):
            in_vain += 1
            heapq.heappush(coming, (now_s + again_s(lane, now_s) + n % 7 / 7.0, n))
            continue
        lane.in_hand += 1
        begun_s = max(now_s, heapq.heappop(free_s))
        heapq.heappush(free_s, begun_s + each_s)
        heapq.heappush(going, begun_s + each_s)
        longest_s = max(longest_s, begun_s + each_s - now_s)
        left[n] -= 1
        if sum(left) == bays * batches // 2:
            apart = max(left) - min(left)
        if left[n]:
            rest_s = lane.rest_s(now_s)
            heapq.heappush(coming, (begun_s + each_s + max(rest_s, 0.25), n))
    whole = bays * batches
    return Came(in_vain / whole, max(free_s) / (whole * each_s / 2), longest_s, apart)


def test_many_bays_come_back_in_turn_whatever_the_machine() -> None:
    for bays, batches, each_s in ((50, 1, 0.05), (400, 4, 0.05), (1000, 2, 0.2), (100, 2, 2.0)):
        found = came_back(bays, batches, each_s, Lane.again_s)
        assert found.in_vain < 3.0, (bays, found)
        assert found.took < 1.1, (bays, found)
        assert found.apart <= 3, (bays, found)


def test_without_an_order_they_come_in_vain_and_their_answers_too_late(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert came_back(1000, 2, 0.2, Lane.again_s).longest_s < TIMEOUT_S
    assert came_back(1000, 2, 0.2, lambda lane, now_s: 1.0).in_vain > 10.0
    monkeypatch.setattr(in_line, "WAIT_S", 1e9)
    assert came_back(1000, 2, 0.2, Lane.again_s).longest_s > 2.0 * TIMEOUT_S
