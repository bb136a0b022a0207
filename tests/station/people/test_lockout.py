"""Tries: goal W5, with a clock that is given."""

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from station.people.lockout import STRANGERS_TRIES, TRIES, WINDOW_S, Lockout


class Door:
    def __init__(self) -> None:
        self.now_s = 0.0
        self.lockout = Lockout(lambda: self.now_s)

    def tries(self, name: str, device: str = "", unlocked: int = 0) -> bool:
        return self.lockout.may_try(name, unlocked, device) == 0


def test_ten_thousand_wrong_pins_within_an_hour() -> None:
    door, chance, looked_at = Door(), random.Random(1), []
    for _ in range(10_000):
        door.now_s += 3600.0 / 10_000
        if door.tries("M. Okafor"):
            looked_at.append(door.now_s)
        if chance.random() < 0.01:
            assert door.tries("M. Okafor", device="the shop's screen")
            door.lockout.was_right("M. Okafor", 0, "the shop's screen")
    for begin_s in looked_at:
        assert sum(begin_s <= at_s < begin_s + WINDOW_S for at_s in looked_at) <= TRIES
    assert len(looked_at) == 4 * TRIES


def test_a_known_device_has_tries_of_its_own_and_no_more() -> None:
    door = Door()
    assert [door.tries("M. Okafor") for _ in range(7)] == [True] * 5 + [False] * 2
    assert [door.tries("M. Okafor", "screen") for _ in range(7)] == [True] * 5 + [False] * 2
    assert door.lockout.is_locked("M. Okafor", 0)


def test_all_strangers_together_are_bound_and_known_devices_are_not() -> None:
    door = Door()
    looked_at = sum(door.tries(f"somebody {n % 50}") for n in range(500))
    assert looked_at == STRANGERS_TRIES
    assert door.tries("M. Okafor", "screen")
    door.now_s += WINDOW_S
    assert door.tries("M. Okafor")


def test_the_wait_that_is_told_is_the_wait() -> None:
    door = Door()
    for _ in range(TRIES):
        assert door.tries("M. Okafor")
        door.now_s += 10.0
    wait_s = door.lockout.may_try("M. Okafor", 0, "")
    assert wait_s == WINDOW_S - 50.0
    door.now_s += wait_s - 0.001
    assert not door.tries("M. Okafor")
    door.now_s += 0.001
    assert door.tries("M. Okafor")


def test_unlocking_gives_five_tries() -> None:
    door = Door()
    for _ in range(6):
        door.tries("M. Okafor")
    assert [door.tries("M. Okafor", unlocked=1) for _ in range(6)] == [True] * 5 + [False]


def test_a_right_secret_does_not_wash_wrong_ones_away() -> None:
    door = Door()
    for _ in range(4):
        assert door.tries("M. Okafor")
    for _ in range(10):
        assert door.tries("M. Okafor")
        door.lockout.was_right("M. Okafor", 0, "")
    assert door.tries("M. Okafor")
    assert not door.tries("M. Okafor")


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0, 400), st.integers(0, 3), st.booleans()), max_size=200))
def test_however_tries_come_no_window_has_more(steps: list[tuple[float, int, bool]]) -> None:
    door = Door()
    looked_at: dict[tuple[str, str], list[float]] = {}
    for later_s, who, known in steps:
        door.now_s += later_s
        key = f"p{who}", "screen" if known else ""
        if door.tries(*key):
            looked_at.setdefault(key, []).append(door.now_s)
    for (_, device), times in looked_at.items():
        assert all(b - a >= WINDOW_S for a, b in zip(times, times[TRIES:], strict=False)), device
