"""A hold that has ended stays ended, whatever still arrives."""

import pytest

from station.bay.engine import PAGE_LAPSE_S
from web.frame.problem import Problem
from web.live.hold import Holder


class Pump:
    """Keeps what it was told, under a clock that the test sets."""

    def __init__(self) -> None:
        self.told: list[bool] = []
        self.t_s = 1000.0
        self.holder = Holder(self.told.append, lambda: self.t_s)


@pytest.fixture
def pump() -> Pump:
    return Pump()


def test_beats_hold_and_the_release_lets_go(pump: Pump) -> None:
    for _ in range(3):
        pump.holder.beat("a")
        pump.t_s += 0.1
    pump.holder.let_go("a")
    assert pump.told == [True, True, True, False]


def test_a_beat_that_arrives_after_its_release_starts_nothing(pump: Pump) -> None:
    pump.holder.beat("a")
    pump.holder.let_go("a")
    with pytest.raises(Problem, match="interrupted"):
        pump.holder.beat("a")
    assert pump.told == [True, False]


def test_a_release_that_overtakes_its_first_beat_wins(pump: Pump) -> None:
    pump.holder.let_go("a")
    with pytest.raises(Problem, match="interrupted"):
        pump.holder.beat("a")
    assert True not in pump.told


def test_a_hold_that_lapsed_does_not_come_back_by_itself(pump: Pump) -> None:
    pump.holder.beat("a")
    pump.t_s += PAGE_LAPSE_S + 0.01
    with pytest.raises(Problem, match="interrupted"):
        pump.holder.beat("a")
    pump.holder.beat("b")
    assert pump.told == [True, True]


def test_only_one_page_holds(pump: Pump) -> None:
    pump.holder.beat("a")
    with pytest.raises(Problem, match="another page"):
        pump.holder.beat("b")
    pump.holder.let_go("b")
    assert pump.told == [True]
    pump.holder.beat("a")
    assert pump.told == [True, True]


def test_a_refused_press_never_starts_the_pump_when_the_first_lets_go(pump: Pump) -> None:
    pump.holder.beat("a")
    with pytest.raises(Problem, match="another page"):
        pump.holder.beat("b")
    pump.holder.let_go("a")
    for _ in range(5):  # the refused press goes on, or its beats come late
        pump.t_s += 0.1
        with pytest.raises(Problem, match="press again"):
            pump.holder.beat("b")
    assert pump.told == [True, False]
    pump.holder.beat("b2")
    assert pump.told == [True, False, True]


def test_another_page_may_hold_once_the_first_has_let_go(pump: Pump) -> None:
    pump.holder.beat("a")
    pump.holder.let_go("a")
    pump.holder.beat("b")
    assert pump.told == [True, False, True]


@pytest.mark.parametrize(("by_stop", "says"), [(False, "interrupted"), (True, "Stopped with STOP")])
def test_end_lets_go_of_whatever_is_held_and_says_who_ended_it(pump: Pump, by_stop: bool, says: str) -> None:
    pump.holder.beat("a")
    pump.holder.end(by_stop)
    assert pump.told == [True, False]
    with pytest.raises(Problem, match=says):
        pump.holder.beat("a")
    pump.holder.beat("b")
    pump.holder.let_go("b")
    with pytest.raises(Problem, match="interrupted"):
        pump.holder.beat("b")


def test_an_engine_that_refuses_leaves_nobody_holding(pump: Pump) -> None:
    def refuse(held: bool) -> None:
        raise RuntimeError("no engine")

    holder = Holder(refuse, lambda: pump.t_s)
    with pytest.raises(RuntimeError):
        holder.beat("a")
    with pytest.raises(RuntimeError):  # asked again, not told that it is held elsewhere
        holder.beat("b")
