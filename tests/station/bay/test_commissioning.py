"""A bay commissioned: what a hand moved, how steady the pan is, what was said; all of it a fold over the record."""

import random
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from hardware.pins import PinMap
from hardware.serial_devices import SerialPlan, SerialScale
from station.bay import commissioning
from station.bay.commissioning import Commissioning, Progress, Step, Watch, fold, phases, steadiness, wired
from station.errors import InputError
from station.given.config import demo_path, read_config

KG = 5e-6


class Bay:
    """A bay's sources under a hand, and a record. turn: the station looks once, dt_s later."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, past: list[dict[str, Any]] | None = None, **more: int
    ) -> None:
        class Still:
            def __init__(self, *_: object, **__: object) -> None: ...
            def start(self) -> None: ...
            def stop(self) -> None: ...

        monkeypatch.setattr(commissioning, "Ticker", Still)
        self.now_s = 0.0
        self.heard: dict[str, Any] = {
            "pan": 84213,
            "meter": 7,
            "air_c": 18.0,
            "pendant": 0,
            "stop_open": 0,
            **more,
        }
        self.record: list[dict[str, Any]] = past or []
        self.service = Commissioning(
            list(self.record), list(self.heard), lambda: self.heard, self.record.append,
            lambda pan, count: (count - 84213) * KG, lambda: self.now_s,
        )  # fmt: skip

    def turn(self, dt_s: float = 1.0, **heard: Any) -> None:
        self.now_s += dt_s
        self.heard |= heard
        self.service._turn()

    @property
    def at(self) -> Progress:
        return self.service.progress


@pytest.fixture
def bay(monkeypatch: pytest.MonkeyPatch) -> Bay:
    return Bay(monkeypatch)


def test_what_a_hand_moves_is_seen_once_and_what_only_trembles_is_not(bay: Bay) -> None:
    bay.service.look()
    bay.turn()
    bay.turn(pan=84213 + 30_000, air_c=18.9)  # 0.15 kg and 0.9 °C: a draught
    assert bay.at.seen == frozenset()
    bay.turn(pan=84213 + 50_000, meter=8)
    bay.turn(pan=84213, air_c=19.1)
    assert bay.at.seen == {"pan", "meter", "air_c"}
    bay.turn(pan=84213 + 80_000)
    assert [row["source"] for row in bay.record] == ["pan", "meter", "air_c"]


def test_a_contact_is_tried_when_it_was_pressed_and_let_go(bay: Bay) -> None:
    bay.service.look()
    bay.turn(pendant=1)
    assert bay.at.seen == {"pendant"}
    assert bay.at.released == frozenset()
    with pytest.raises(InputError, match=r"Not tried yet: Pendant, Hard-wired stop"):
        bay.service.say(Step.STOPS, "")
    bay.turn(pendant=0, stop_open=1)
    bay.turn(stop_open=0)
    assert bay.at.released == {"pendant", "stop_open"}
    bay.service.say(Step.STOPS, "stood at once")
    assert bay.at.done == {"stops": "stood at once"}


def drifting(
    hours: float, noise_kg: float, drift_kg_h: float, seed: int = 1
) -> list[tuple[float, float, float | None]]:
    chance = random.Random(seed)
    return [
        (t, chance.gauss(0.0, noise_kg) + drift_kg_h * t / 3600.0, 18.0 + t / 3600.0)
        for t in range(int(3600 * hours))
    ]  # fmt: skip


def test_noise_drift_and_creep_are_told_apart() -> None:
    found = steadiness(drifting(1.0, 0.0005, 0.004))
    assert found.noise_kg == pytest.approx(0.0005, rel=0.05)  # of 3600 readings: 1 % and less
    assert found.drift_kg_h == pytest.approx(0.004, rel=0.05)
    assert found.creep_kg == pytest.approx(0.004, abs=0.0005)
    assert found.warmed_c == pytest.approx(1.0, abs=0.01)
    assert steadiness([(t, kg, None) for t, kg, _ in drifting(0.1, 0.001, 0.0)]).warmed_c is None


def test_a_pan_that_was_left_alone_is_measured_and_one_that_was_not_says_so(bay: Bay) -> None:
    bay.service.rest("empty")
    for n in range(120):
        bay.turn(0.6, pan=84213 + n % 3)
    assert bay.service.watching == "empty"
    assert bay.service.watched_s == pytest.approx(70.8, abs=1.2)
    bay.service.end()
    assert bay.at.rest["empty"].noise_kg < 3 * KG
    assert bay.service.watching == ""
    bay.service.rest("loaded")
    bay.turn(5.0)
    with pytest.raises(InputError, match="left alone for at least 60 s"):
        bay.service.end()
    assert set(bay.at.rest) == {"empty"}
    bay.service.rest("loaded")  # and it can be begun again
    with pytest.raises(InputError, match="already looking"):
        bay.service.look()
    for n in range(4000):
        bay.turn(1.0, pan=84213 + n % 2)
    assert bay.service.watched_s <= commissioning.REST_LONGEST_S + 1.0


def test_two_pans_are_left_alone_at_once_and_each_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    bay = Bay(monkeypatch, pan_b=61840)
    assert phases(bay.service.wanted) == ["empty", "loaded", "empty_b", "loaded_b"]
    bay.service.rest("empty")
    for n in range(70):
        bay.turn(1.0, pan=84213 + n % 2, pan_b=61840 + 40 * (n % 2))
    bay.service.end()
    assert set(bay.at.rest) == {"empty", "empty_b"}
    assert bay.at.rest["empty_b"].noise_kg == pytest.approx(40.0 * bay.at.rest["empty"].noise_kg)
    bay.service.rest("loaded")
    for _ in range(70):
        bay.turn(1.0, pan_b="unplugged")
    with pytest.raises(InputError, match="Second pan: nothing was read"):
        bay.service.end()
    assert set(bay.at.rest) == {"empty", "empty_b", "loaded"}, "what the other one showed is kept"


def test_every_step_can_be_left_and_gone_on_with(monkeypatch: pytest.MonkeyPatch) -> None:
    first = Bay(monkeypatch)
    first.service.look()
    first.turn()
    first.turn(meter=9)
    first.service.end()
    first.service.say(Step.NAME, "")
    first.service.leave_out(Step.PUMP, "no pump yet")
    later = Bay(monkeypatch, first.record)
    assert later.at == first.at
    assert later.at.seen == {"meter"}
    assert (dict(later.at.done), dict(later.at.left)) == ({"name": ""}, {"pump": "no pump yet"})
    later.service.say(Step.PUMP, "fitted")
    assert (later.at.done["pump"], later.at.left) == ("fitted", {})
    later.service.anew()
    assert later.at == Progress()
    assert len(later.record) == 5, "nothing is taken out of the record"


def test_what_cannot_be_said_is_refused(bay: Bay) -> None:
    with pytest.raises(InputError, match="ticks the step"):
        bay.service.say(Step.PAN, "looks right")
    with pytest.raises(InputError, match="Say why"):
        bay.service.leave_out(Step.PAN, " ")
    with pytest.raises(InputError, match="expected empty or loaded"):
        bay.service.rest("full")
    assert bay.record == []


@pytest.mark.parametrize("body", [{}, {"what": "sung"}, {"what": "measured", "found": 3}])
def test_an_event_of_another_version_is_passed_over(body: Mapping[str, Any]) -> None:
    assert fold([body]) == Progress()


def test_a_source_without_a_figure_is_no_source() -> None:
    assert Watch({"pan": KG}).take({"pan": "unplugged", "fluid": 3}) == []


def test_what_a_bay_is_wired_to_follows_from_its_file() -> None:
    config = read_config(demo_path())
    assert wired(config, simulated=False) == ["pan", "meter", "pendant", "stop_open"]
    assert wired(config, simulated=True)[2:5] == ["fluid_drained_c", "fluid_supply_c", "air_c"]
    scale = SerialScale("/dev/x", pattern="(.*)", unit="kg", resolution_g=20)
    more = replace(config, pins=PinMap(meter_b=18, stop_sense=None), serial=SerialPlan(container=scale))
    assert wired(more, simulated=False) == ["pan", "meter", "meter_b", "container", "pendant"]
