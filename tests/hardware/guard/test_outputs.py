"""The pins that the guard takes: claimed from the kernel, of their own, and refused with what to do."""

import struct
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from hardware import guard as guard_module
from hardware.pump import guard_command
from tests.hardware.benches import GuardBench, GuardProcess
from tests.hardware.guard.conftest import PATIENCE_S, beat


def test_runs_as_a_module_and_refuses_wrong_use() -> None:
    module = [sys.executable, "-m", "hardware.guard"]
    pulled_up = subprocess.run(
        [*module, "--pin", "4"], capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )
    assert pulled_up.returncode == 2
    assert "--pin is 4; expected 9 to 27" in pulled_up.stderr
    nothing = subprocess.run(module, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert nothing.returncode == 2


@pytest.mark.skipif(any(Path("/dev").glob("gpiochip*")), reason="this machine has GPIO: the pin may open")
def test_without_a_pi_a_gpio_pin_is_refused_with_what_to_do(tmp_path: Path) -> None:
    done = subprocess.run(
        [*guard_command(pin=22)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 1
    assert "pin 22 cannot be claimed" in done.stderr
    assert "Is this a Raspberry Pi?" in done.stderr


def test_a_pin_file_that_cannot_be_opened_is_named(tmp_path: Path) -> None:
    line = guard_command(pin_file=tmp_path / "missing" / "pump.pin")
    done = subprocess.run(line, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode == 1
    assert "cannot be opened: No such file or directory" in done.stderr


class KernelGpio:
    """The kernel's character device as <linux/gpio.h> describes it: one chip a file, each line claimed once."""

    def __init__(self, labels: dict[str, str]) -> None:
        self.labels = labels
        self.claimed: dict[int, int] = {}
        self.levels: dict[int, int] = {}
        self.flags = 0

    def ioctl(self, device: Any, number: int, data: bytes) -> bytes:
        kind, size = number & 0xFFFF, number >> 16 & 0x3FFF
        assert len(data) == size, "the size is part of an ioctl's number"
        if kind == 0xB401:
            return struct.pack("32s32sI", b"gpiochip", self.labels[Path(device.name).name].encode(), 54)
        if kind == 0xB407:
            (line,) = struct.unpack_from("I", data)
            flags, count = struct.unpack_from("Q", data, 288)[0], struct.unpack_from("I", data, 560)[0]
            assert count == 1
            if line in self.claimed.values():
                raise OSError(16, "Device or resource busy")
            fd = 100 + int(line)
            self.claimed[fd], self.levels[line] = line, 0
            self.flags = flags
            return data[:-4] + struct.pack("i", fd)
        bits, mask = struct.unpack("QQ", data)
        assert mask == 1
        line = self.claimed[device]
        if kind == 0xB40F:
            self.levels[line] = bits & 1
            return data
        assert kind == 0xB40E
        return struct.pack("QQ", self.levels[line], 1)


def test_the_gpio_pin_is_claimed_pulled_down_written_and_read_back(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for name in ("gpiochip0", "gpiochip4"):
        (tmp_path / name).touch()
    kernel = KernelGpio({"gpiochip0": "raspberrypi-exp-gpio", "gpiochip4": "pinctrl-rp1"})
    monkeypatch.setattr("fcntl.ioctl", kernel.ioctl)
    chip = guard_module.header_chip(str(tmp_path))
    assert chip == str(tmp_path / "gpiochip4")
    pin = guard_module.GpioPin(22, chip)
    assert kernel.flags == 1 << 3 | 1 << 9  # output, pulled down
    assert (pin.read(), kernel.levels[22]) == (0, 0)
    pin.write(1)
    assert (pin.read(), kernel.levels[22]) == (1, 1)
    with pytest.raises(guard_module.PinTaken, match="stop that one first"):
        guard_module.GpioPin(22, chip)
    pin.write(0)
    assert (pin.read(), kernel.levels[22]) == (0, 0)


def test_a_machine_without_a_pis_header_is_told_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "gpiochip0").touch()
    monkeypatch.setattr("fcntl.ioctl", KernelGpio({"gpiochip0": "something-else"}).ioctl)
    with pytest.raises(OSError, match=r"pinctrl-rp1.*found something-else"):
        guard_module.header_chip(str(tmp_path))


def test_more_outputs_are_pins_of_their_own(guard_bench: GuardBench, tmp_path: Path) -> None:
    files = {name: tmp_path / f"{name}.pin" for name in ("fine", "cutoff", "watch")}
    line = guard_command(pin_file=guard_bench.pin_file, more=files)
    process = GuardProcess(line)
    guard_bench.processes.append(process)
    end_s = time.monotonic() + PATIENCE_S
    while not (guard_bench.level() and all(files[name].read_bytes()[0] for name in ("cutoff", "fine"))):
        assert time.monotonic() < end_s, (
            "a busy computer may hold one of the two up past the deadline, not each time"
        )
        beat(process, b"02", 0.05)
    process.stdin.close()
    assert process.wait(PATIENCE_S) == 0
    assert guard_bench.level() == files["cutoff"].read_bytes()[0] == files["fine"].read_bytes()[0] == 0


def test_an_output_that_is_pulled_up_at_boot_is_refused() -> None:
    done = subprocess.run(
        [*guard_command(pin=22, more={"cutoff": 4})],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 2
    assert "expected 9 to 27" in done.stderr
