"""Whole simulated jobs: against their own truth, against a replay, and through pins and bits."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardware.converters.package import PackageConverter
from hardware.guard import FilePin
from hardware.loadcell import LoadCell
from hardware.pulses import GpiozeroPulseCounter, MeterPoller
from hardware.sample import Sample
from hardware.simulated.bay import SimulatedBay
from hardware.simulated.gpio import install
from hardware.thermometer import Thermometers
from station.__main__ import main
from station.core.replay import replay
from station.core.step import PumpCommand, step
from station.figures import balance
from station.given import recording
from station.given.job import read_job
from station.rehearsing.rehearse import Bay, rehearse
from station.rehearsing.scenario import Scenario, Technician, read_scenario
from tests.golden import SEEDS, kept


def quick() -> Scenario:
    """The shipped job with the waits cut short."""
    return replace(read_scenario(None), technician=Technician(patience_s=420.0, cure_s=90.0))


@pytest.fixture(scope="module")
def reports() -> list[dict[str, Any]]:
    """The shipped job by twenty seeds, as kept; ``test_golden`` plays each again and finds it the same."""
    return [kept(f"rehearse_{seed}") for seed in SEEDS]


def test_twenty_seeds_agree_with_the_truth_within_their_uncertainty(reports: list[dict[str, Any]]) -> None:
    """With U95 true, more than 5 of 40 figures outside has a chance of 1.4 %."""
    outside = [
        (figure, report["truth"])
        for report in reports
        for figure in ("drained_l", "filled_l")
        if abs(report[figure] - report["truth"][figure]) > report[figure.replace("_l", "_u95_l")]
    ]
    assert len(outside) <= 5, outside
    for report in reports:
        for figure in ("drained_l", "filled_l"):
            assert abs(report[figure] - report["truth"][figure]) < 0.01 * report["truth"][figure]
        assert abs(report["overflow_l"] - report["truth"]["overflow_l"]) < 0.005


def test_uncertainties_are_not_blown_up_to_be_right(reports: list[dict[str, Any]]) -> None:
    for report in reports:
        assert report["drained_u95_l"] < 0.004 * report["drained_l"]
        assert report["filled_u95_l"] < 0.005 * report["filled_l"]


def test_a_fill_is_full_where_the_lip_bears_it_out_and_only_the_knock_is_told(
    reports: list[dict[str, Any]],
) -> None:
    """A new shop's meter alone decides nothing. The shipped job has one knock at its pan."""
    for report in reports:
        lip = any(witness["name"] == "lip" for witness in report["witnesses"])
        assert report["verdict"] == ("full" if lip else "undecided")
        assert [notice["kind"] for notice in report["notices"]] == ["knock"]
    assert {report["verdict"] for report in reports} == {"full", "undecided"}


def test_the_pump_stops_within_ten_millilitres_of_its_target(reports: list[dict[str, Any]]) -> None:
    for report in reports:
        assert abs(report["metered_l"] - report["expected_fill_l"]) < 0.010


def test_seeds_differ(reports: list[dict[str, Any]]) -> None:
    assert len({report["truth"]["drained_l"] for report in reports}) == len(reports)


def test_a_job_without_a_knock_is_quiet() -> None:
    assert rehearse(quick(), 1).report().to_dict()["notices"] == []


def test_replaying_a_rehearsal_gives_its_figures_to_the_last_digit(tmp_path: Path) -> None:
    rehearsal = rehearse(quick(), 5)
    job = tmp_path / "JOB.toml"
    job.write_text(rehearsal.state.spec.to_toml(), encoding="utf-8")
    csv = tmp_path / "recording.csv"
    csv.write_text(recording.write(rehearsal.samples), encoding="utf-8")
    again = balance.report(replay(read_job(job), recording.read(csv))).to_dict()
    # Who stopped the pump, and when, is in no recording.
    assert again == {**balance.report(rehearsal.state).to_dict(), "pump_runs": []}


class PinBay(Bay):
    """The same bay with every sample fetched through pins, clock bits and 1-Wire files."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        super().__init__(scenario, seed)
        self.bay = SimulatedBay(self.plant, speed=0)
        install(self.bay.gpio)
        self.pump = FilePin(str(self.bay.pump_file))
        self.fetched: list[Sample] = []
        clock, sleep, put = self.bay.wire_clock, self.bay.wire_clock.sleep, self.fetched.append
        pins = self.bay.pins
        reader = PackageConverter(pins.pan_dout, pins.pan_sck, clock, sleep, gpio=self.bay.gpio)
        self.cell = LoadCell(reader, put, clock, sleep)
        self.meter = MeterPoller(GpiozeroPulseCounter(pins.meter, self.bay.factory), put, clock=clock)
        self.thermometers = Thermometers(self.bay.thermometers, put, clock)
        self.polls = 0

    def put(self, source: str, value: int | float | str) -> None:
        self._take(Sample(self.bay.clock(), source, value))

    def _take(self, sample: Sample) -> None:
        sample = sample._replace(t_s=max(sample.t_s, self.state.t_s))
        self.samples.append(sample)
        self.state, effects = step(self.state, sample)
        for effect in effects:
            if isinstance(effect, PumpCommand):
                self.pump.write(int(effect.run))
                self._take(Sample(sample.t_s, "pump", self.pump.read()))

    def advance(self) -> None:
        until_s = self.bay.clock() + 0.05
        while self.bay.clock() < until_s - 1e-9:
            self.cell.poll()  # waits for the chip by letting the virtual clock run
            self.bay.advance(0.001)
        self.meter.poll()
        self.polls += 1
        if self.polls % 10 == 0:
            self.thermometers.poll()
        for sample in self.fetched:
            self._take(sample)
        self.fetched.clear()


def test_pins_and_bits_give_the_same_figures_as_the_straight_road() -> None:
    scenario = replace(quick(), technician=Technician(patience_s=240.0, cure_s=30.0))
    straight, wired = rehearse(scenario, 3), rehearse(scenario, 3, PinBay)
    a, b = straight.report().to_dict(), wired.report().to_dict()
    # Readings fall at other moments and draw other noise; the physics and the arithmetic are one.
    for figure in ("drained_l", "metered_l", "filled_l"):
        assert b[figure] - b["truth"].get(figure, b[figure]) == pytest.approx(
            a[figure] - a["truth"].get(figure, a[figure]), abs=0.003
        )
        assert b[figure] == pytest.approx(a[figure], abs=0.012)
    assert b["drained_u95_l"] == pytest.approx(a["drained_u95_l"], rel=0.02)
    assert b["verdict"] == a["verdict"]
    # So short a drain leaves no room for the whole target: it runs over, and the pump is stopped.
    assert [n["kind"] for n in b["notices"]] == [n["kind"] for n in a["notices"]] == ["runs_over"]


def test_rehearse_command_prints_truth_and_figures(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "--seed", "1", "--json"]) == 0
    got = json.loads(capsys.readouterr().out)
    assert abs(got["drained_l"] - got["truth"]["drained_l"]) < got["drained_u95_l"] * 2
    assert abs(got["filled_l"] - got["truth"]["filled_l"]) < got["filled_u95_l"] * 2


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[plant]\nfish = 3\n", "[plant] has the unknown key 'fish'"),
        ("[plant]\nsupply_c = 'cold'\n", "[plant] supply_c is 'cold'"),
        ("[plant]\nold_volume_l = 0.01\n", "[plant] old_volume_l is 0.01"),
        ("[technician]\nkicks_s = 3\n", "[technician] kicks_s is 3"),
        ("plant = 3\n", "[plant] is 3; expected a table"),
    ],
)
def test_a_malformed_scenario_is_one_clear_line_and_status_2(
    text: str, expected: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spec = rehearse_spec_text()
    path = tmp_path / "scenario.toml"
    path.write_text(text + spec if text.startswith("plant") else spec + text, encoding="utf-8")
    assert main(["rehearse", "--scenario", str(path)]) == 2
    assert expected in capsys.readouterr().err


def rehearse_spec_text() -> str:
    return read_scenario(None).spec.to_toml() + "\n"


def test_a_rehearsed_proof_at_the_lip_replays_from_its_recording_with_the_same_figures(
    tmp_path: Path,
) -> None:
    scenario = quick()
    careful = replace(scenario, technician=replace(scenario.technician, lip_proof=True))
    one = rehearse(careful, 5)
    report = one.report().to_dict()
    assert report["lip_proof"]["proved"]
    assert report["verdict"] == "full"
    assert abs(report["overflow_l"] - report["truth"]["overflow_l"]) < 0.003
    file = tmp_path / "proof.csv"
    file.write_text(recording.write(one.samples))
    again = balance.report(replay(scenario.spec, recording.read(file))).to_dict()
    for key in ("lip_proof", "filled_l", "overflow_l", "p_within", "verdict_text"):
        assert again[key] == report[key], key
    assert "lip_proved" in [n["kind"] for n in again["notices"]]
