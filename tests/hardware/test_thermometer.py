"""Thermometers on real files in a temporary folder, shaped as the kernel's 1-Wire devices."""

import errno
from pathlib import Path
from typing import Any

import pytest

from hardware.sample import Sample
from hardware.simulated.clock import VirtualClock
from hardware.thermometer import Thermometers
from tests.hardware.benches import Wait


@pytest.fixture
def sensor(tmp_path: Path) -> Path:
    folder = tmp_path / "28-0000075f3c1a"
    folder.mkdir()
    (folder / "temperature").write_text("23125\n")
    return folder


@pytest.fixture
def samples() -> list[Sample]:
    return []


@pytest.fixture
def thermometers(sensor: Path, samples: list[Sample]) -> Thermometers:
    return Thermometers({"fluid_drained_c": sensor}, samples.append, VirtualClock(7.0))


def states(samples: list[Sample]) -> list[Any]:
    return [sample.value for sample in samples if sample.source == "fluid_drained_c_state"]


def temperatures(samples: list[Sample]) -> list[Any]:
    return [sample.value for sample in samples if sample.source == "fluid_drained_c"]


@pytest.mark.parametrize(
    ("text", "temperature_c"),
    [("23125\n", 23.125), ("0\n", 0.0), ("-62\n", -0.062), ("-55000\n", -55.0), ("125000\n", 125.0), ("84937\n", 84.937)],
)  # fmt: skip
def test_reads_degrees(
    sensor: Path, thermometers: Thermometers, samples: list[Sample], text: str, temperature_c: float
) -> None:
    (sensor / "temperature").write_text(text)
    thermometers.poll()
    assert samples == [(7.0, "fluid_drained_c_state", "ok"), (7.0, "fluid_drained_c", temperature_c)]


@pytest.mark.parametrize(
    "text", ["", "\n", "YES", "23.1.2", "23125\n85", "126000\n", "-55062\n", "t=23125", "\xb0C"]
)
def test_garbage_is_bad_and_gives_no_temperature(
    sensor: Path, thermometers: Thermometers, samples: list[Sample], text: str
) -> None:
    thermometers.poll()
    (sensor / "temperature").write_text(text, encoding="latin-1")
    thermometers.poll()
    thermometers.poll()
    assert states(samples) == ["ok", "bad"]
    assert temperatures(samples) == [23.125]
    (sensor / "temperature").write_text("23187\n")
    thermometers.poll()
    assert states(samples) == ["ok", "bad", "ok"]


def test_unplugged_is_named_on_change_only_and_well_again(
    sensor: Path, thermometers: Thermometers, samples: list[Sample]
) -> None:
    thermometers.poll()
    (sensor / "temperature").rename(sensor.parent / "kept")
    for _ in range(3):
        thermometers.poll()
    assert states(samples) == ["ok", "unplugged"]
    (sensor.parent / "kept").rename(sensor / "temperature")
    thermometers.poll()
    assert states(samples) == ["ok", "unplugged", "ok"]


@pytest.mark.parametrize(("number", "state"), [(errno.EIO, "bad"), (errno.ENODEV, "unplugged")])
def test_a_failed_read_is_named(
    thermometers: Thermometers,
    samples: list[Sample],
    monkeypatch: pytest.MonkeyPatch,
    number: Any,
    state: str,
) -> None:
    def fail(*_args: object, **_options: object) -> None:
        raise OSError(number, "read failed")

    monkeypatch.setattr(Path, "read_text", fail)
    thermometers.poll()
    assert states(samples) == [state]
    assert temperatures(samples) == []


def test_the_power_on_value_is_not_a_temperature(
    sensor: Path, thermometers: Thermometers, samples: list[Sample]
) -> None:
    (sensor / "temperature").write_text("85000\n")
    thermometers.poll()
    thermometers.poll()
    assert samples == []
    thermometers.poll()
    assert states(samples) == ["bad"]
    (sensor / "temperature").write_text("85062\n")
    thermometers.poll()
    assert temperatures(samples) == [85.062]
    (sensor / "temperature").write_text("85000\n")
    thermometers.poll()
    assert states(samples) == ["bad", "ok"], "one in a row is passed over"


def test_one_dead_sensor_does_not_silence_the_others(
    sensor: Path, tmp_path: Path, samples: list[Sample]
) -> None:
    both = Thermometers(
        {"air_c": tmp_path / "28-gone", "fluid_drained_c": sensor}, samples.append, VirtualClock()
    )
    both.poll()
    assert ("air_c_state", "unplugged") in [sample[1:] for sample in samples]
    assert temperatures(samples) == [23.125]


def test_a_thread_for_each_sensor(sensor: Path, samples: list[Sample], wait_for: Wait) -> None:
    running = Thermometers({"fluid_drained_c": sensor}, samples.append, interval_s=0.01)
    running.start()
    wait_for(lambda: len(temperatures(samples)) > 3)
    running.stop()
