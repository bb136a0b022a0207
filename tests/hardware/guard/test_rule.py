"""The guard's rule with its outputs in memory: when the pump may run, and what each other output does."""

from hypothesis import given, settings
from hypothesis import strategies as st

from hardware.guard import DEADLINE_S, Guard


class MemoryPin:
    def __init__(self) -> None:
        self.level = 0
        self.stuck: int | None = None

    def write(self, level: int) -> None:
        self.level = level

    def read(self) -> int:
        return self.level if self.stuck is None else self.stuck


EVENTS = st.lists(st.sampled_from(["0", "1", "R", "x", "late", "stick on", "stick off", "free"]), max_size=60)


@settings(max_examples=300, deadline=None)
@given(EVENTS)
def test_the_rule_switches_on_only_after_an_off_beat_since_the_last_trouble(events: list[str]) -> None:
    """Against a model that is a sentence: the pump was told 0 since the last trouble, then 1."""
    pin = MemoryPin()
    reports: list[str] = []
    guard = Guard(pin, reports.append)
    armed = latched = False
    now_s = 0.0
    for event in events:
        before = pin.level
        if event == "late":
            now_s += DEADLINE_S + 0.01
            if guard.is_late(now_s):
                guard.late()
                armed = False
                latched = (
                    latched or pin.stuck == 1
                )  # an off that did not follow latches, whoever asked for it
                assert pin.level == 0
        elif event in ("stick on", "stick off", "free"):
            pin.stuck = {"stick on": 1, "stick off": 0, "free": None}[event]
        else:
            now_s += 0.01
            guard.beat(ord(event), now_s)
            if event == "x":
                latched, armed = True, False
            elif event == "R":
                latched = False
            elif event == "0" and not latched:
                armed = pin.stuck != 1
                latched = latched or pin.stuck == 1
            elif event == "1" and armed and not latched and pin.stuck == 0:
                armed, latched = False, True
        if event == "1":
            assert pin.level == int(armed and not latched)
        elif before == 0:
            assert pin.level == 0, f"{event} switched the pump on"


def test_an_on_that_a_later_beat_took_back_is_not_obeyed() -> None:
    reports: list[str] = []
    guard = Guard(MemoryPin(), reports.append)
    for beats in (b"0110", b"01T", b"0010"):
        guard.hear(beats, 1.0)
    assert "on" not in reports
    guard.hear(b"1101", 1.1)
    assert reports[-1] == "on", "the newest is an on: what a person holds"
    guard.hear(b"1x1", 1.2)
    assert reports[-2:] == ["off", "bad"], "and nothing starts it behind a bad beat"


class FittedGuard:
    """The rule with all its outputs in memory."""

    def __init__(self, cutoff: bool = True) -> None:
        self.pump, self.fine, self.cutoff, self.watch = (MemoryPin() for _ in range(4))
        self.words: list[str] = []
        more = (self.fine, self.cutoff if cutoff else None, self.watch)
        self.guard = Guard(self.pump, self.words.append, *more)
        self.now_s = 0.0

    def beat(self, *beats: str) -> tuple[int, int, int]:
        for one in beats:
            self.now_s += 0.01
            self.guard.beat(ord(one), self.now_s)
        return self.pump.level, self.fine.level, self.cutoff.level


def test_the_second_contact_is_closed_only_while_the_guard_is_armed() -> None:
    fitted = FittedGuard()
    assert fitted.beat() == (0, 0, 0)
    assert fitted.beat("1") == (0, 0, 0), "not armed yet"
    assert fitted.beat("0") == (0, 0, 1)
    assert fitted.beat("1") == (1, 0, 1)
    assert fitted.beat("0") == (0, 0, 1), "an ordinary stop does not wear it"
    assert fitted.beat("1", "x") == (0, 0, 0)
    assert fitted.beat("R", "0") == (0, 0, 1)
    fitted.guard.late()
    assert fitted.beat() == (0, 0, 0)
    fitted.beat("0", "1")
    fitted.guard.off()
    assert fitted.beat() == (0, 0, 0)


def test_a_trip_opens_the_second_contact_until_a_person_clears_it() -> None:
    fitted = FittedGuard()
    assert fitted.beat("0", "1", "T") == (0, 0, 0)
    assert fitted.words[-1] == "tripped"
    assert fitted.beat("0", "1", "0", "1") == (0, 0, 0)
    assert fitted.beat("R") == (0, 0, 0)
    assert fitted.beat("0", "1") == (1, 0, 1)


def test_a_trip_without_a_second_contact_is_an_off() -> None:
    fitted = FittedGuard(cutoff=False)
    assert fitted.beat("0", "1", "T") == (0, 0, 0)
    assert fitted.beat("1") == (0, 0, 0), "and disarms"
    assert fitted.beat("0", "1")[0] == 1


def test_the_slow_speed_goes_with_its_beats_and_falls_with_the_pump() -> None:
    fitted = FittedGuard()
    assert fitted.beat("2") == (0, 0, 0), "not armed yet"
    assert fitted.beat("0", "2") == (1, 1, 1)
    assert fitted.beat("1") == (1, 0, 1)
    assert fitted.beat("2", "0") == (0, 0, 1)


def test_the_watch_output_changes_with_every_beat_while_the_pump_runs() -> None:
    fitted = FittedGuard()
    fitted.beat("0")
    levels = []
    for _ in range(4):
        fitted.beat("1")
        levels.append(fitted.watch.level)
    assert levels == [1, 0, 1, 0]
    fitted.beat("1", "0")
    assert fitted.watch.level == 0


def test_a_pump_that_does_not_go_off_opens_the_second_contact() -> None:
    fitted = FittedGuard()
    fitted.beat("0", "1")
    fitted.pump.stuck = 1
    fitted.beat("0")
    assert fitted.cutoff.level == 0
    assert fitted.words[-1] == "stuck"


def test_a_second_contact_that_does_not_follow_is_named_and_keeps_the_pump_off() -> None:
    fitted = FittedGuard()
    fitted.cutoff.stuck = 0
    assert fitted.beat("0", "1")[0] == 0
    assert fitted.words[-1] == "stuck"
