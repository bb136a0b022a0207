"""The emulated virt machine with wires to its PL061, whose pins the outside can move: there edges are seen."""

import json
import socket
import time
from pathlib import Path

from tests.pi.board import Console, command

UNATTACHED = "/machine/unattached"
CHIP_AT, INTERRUPTS_AT = 0x9030000, 0x8000000
"""The virt machine's PL061, whose interrupt is number 39, and its GICv2."""


def connect(path: Path, limit_s: float = 300.0) -> socket.socket:
    """A line to one of the emulator's sockets, as soon as it is there."""
    end_s = time.monotonic() + limit_s
    while True:
        try:
            link = socket.socket(socket.AF_UNIX)
            link.connect(str(path))
            return link
        except OSError:
            link.close()
            if time.monotonic() > end_s:
                raise
            time.sleep(0.1)


class WiredBoard:
    """A virt machine that runs a guest script, with its PL061's input pins in the hands of the test."""

    def __init__(self, guest: str, folder: Path) -> None:
        wires, monitor = folder / "wires", folder / "monitor"
        self.console = Console(
            command(
                "virt", guest,
                more=("-qtest", f"unix:{wires},server=on,wait=off", "-qmp", f"unix:{monitor},server=on,wait=off",
                      "-accel", "tcg"),
            )
        )  # fmt: skip
        self._links = [connect(monitor), connect(wires)]
        asked = self._links[0].makefile("rw")
        asked.readline()
        for line in (
            {"execute": "qmp_capabilities"},
            {"execute": "qom-list", "arguments": {"path": UNATTACHED}},
        ):
            asked.write(json.dumps(line) + "\n")
            asked.flush()
            answer = json.loads(asked.readline())
        name = next(device["name"] for device in answer["return"] if "pl061" in device["type"])
        self._chip = f"{UNATTACHED}/{name}"
        self._wires = self._links[1].makefile("rwb", buffering=0)

    def set(self, pin: int, level: int) -> None:
        """Put a level on an input pin."""
        self._wires.write(f"set_irq_in {self._chip} unnamed-gpio-in {pin} {level}\n".encode())
        answer = self._wires.readline()
        assert answer.startswith(b"OK"), answer

    def _read(self, at: int) -> int:
        self._wires.write(f"readl {at:#x}\n".encode())
        return int(self._wires.readline().split()[1], 16)

    def is_taken(self, pin: int) -> bool:
        """Whether the kernel is through with this pin's last edge, its level read: the chip does not ask (PL061's GPIORIS), and
        the chip's interrupt is over (GICv2's GICD_ISACTIVER1)."""
        return not self._read(CHIP_AT + 0x414) >> pin & 1 and not self._read(INTERRUPTS_AT + 0x304) >> 7 & 1

    def edge(self, pin: int, level: int, limit_s: float) -> None:
        """Put a level on an input pin, and wait until the kernel has taken up the edge. Raises TimeoutError."""
        self.console.drain()  # a console that nobody reads holds the board up, and with it whoever asks for a level
        self.set(pin, level)
        end_s = time.monotonic() + limit_s
        while not self.is_taken(pin):
            if time.monotonic() > end_s:
                raise TimeoutError(f"the kernel did not take up an edge of pin {pin} in {limit_s:.0f} s")

    def close(self) -> None:
        for link in self._links:
            link.close()
        self.console.close()
