"""Far ends for a simulated bay whose file puts devices on lines: every port below ``/simulated/`` gets one, on the bay's plant."""

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from hardware.errors import SerialFaults
from hardware.modbus import ModbusPlan, Registers
from hardware.serial_devices import GRAMS, SerialPlan, SerialScale
from hardware.serial_port import SIMULATED
from hardware.simulated.bay import SimulatedBay
from hardware.simulated.lines import FarCounter, FarEnd, FarModbus, FarScale, holding

CONTAINER_KG = 70.0
"""What stands on the container's scale before anything was drawn from it."""


class StandIns:
    """The far ends, and the plans with their ports in place of the named ones. Verbs act on all of them at once.

    Raises SerialFaults for a scale whose pattern is not how a simulated one prints.
    """

    def __init__(self, bay: SimulatedBay, serial: SerialPlan, modbus: ModbusPlan) -> None:
        self._bay = bay
        self.pressed_kg = 0.0
        """By a hand on the container's scale."""
        self._folder = tempfile.TemporaryDirectory(prefix="tallypan-lines-")
        self._ends: list[FarEnd] = []
        try:
            self.serial, self.modbus = self._plain(serial), self._bus(modbus)
        except BaseException:
            self.close()
            raise

    def __bool__(self) -> bool:
        return bool(self._ends)

    def pull(self) -> None:
        for end in self._ends:
            end.pull()

    def fall_silent(self) -> None:
        for end in self._ends:
            end.fall_silent()

    def garble(self) -> None:
        for end in self._ends:
            end.garble()

    def dribble(self) -> None:
        """Every message comes in two halves."""
        for end in self._ends:
            end.dribble()

    @property
    def modbus_ends(self) -> list[FarModbus]:
        return [end for end in self._ends if isinstance(end, FarModbus)]

    def be_busy(self) -> None:
        """Modbus devices answer that they cannot answer now."""
        for end in self.modbus_ends:
            end.be_busy()

    def mistake(self) -> None:
        """Another Modbus device answers in the place of the one that was asked."""
        for end in self.modbus_ends:
            end.move(1)

    def mend(self) -> None:
        """Plugged in again, and well."""
        for end in self._ends:
            end.speak()
            if not end.path.is_symlink():
                end.plug()

    def close(self) -> None:
        for end in self._ends:
            end.close()
        self._folder.cleanup()

    def _path(self, port: str) -> Path:
        return Path(self._folder.name) / port.removeprefix(SIMULATED).replace("/", "-")

    def _plain(self, plan: SerialPlan) -> SerialPlan:
        changed: dict[str, Any] = {}
        for source, port in plan.used().items():
            if not port.port.startswith(SIMULATED):
                continue
            path = self._path(port.port)
            if isinstance(port, SerialScale):
                self._ends.append(FarScale(path, self._printed(source, port), port.ask.encode("ascii")))
            else:
                self._ends.append(FarCounter(path, lambda: self._bay.plant.pulses))
            changed[source] = replace(port, port=str(path))
        return replace(plan, **changed)

    def _printed(self, source: str, scale: SerialScale) -> Callable[[], bytes]:
        places = {"g": 1, "kg": 4, "lb": 4, "oz": 3}[scale.unit]

        def text() -> str:
            number = f"{self._grams(source, scale.resolution_g) / float(GRAMS[scale.unit]):.{places}f}"
            return f"{number.replace('.', ',') if scale.decimal == 'comma' else number} {scale.unit}"

        try:
            scale.read(text())
        except ValueError as error:
            raise SerialFaults([f"{source}: a simulated scale prints {text()!r}; {error}"]) from error
        head, tail = ("\x02", "\x03") if scale.end == "etx" else ("", "\r\n")
        return lambda: f"{head}{text()}{tail}".encode("ascii")

    def _bus(self, plan: ModbusPlan) -> ModbusPlan:
        changed: dict[str, Any] = {}
        devices: dict[str, dict[int, Callable[[int, int], int]]] = {}
        for source, one in plan.used().items():
            if one.port.startswith(SIMULATED):
                devices.setdefault(one.port, {})[one.address] = self._held(source, one)
                changed[source] = replace(one, port=str(self._path(one.port)))
        self._ends += [FarModbus(self._path(port), held) for port, held in devices.items()]
        return replace(plan, **changed)

    def _held(self, source: str, one: Registers) -> Callable[[int, int], int]:
        def value() -> float:
            if source == "meter":
                return self._bay.plant.pulses
            return self._grams(source, one.resolution_g or 1.0) / float(GRAMS[one.unit or "g"]) / one.step

        return holding(value, one.form, one.words, one.register)

    def _grams(self, source: str, resolution_g: float) -> float:
        with self._bay.lock:
            if source != "container":  # the plant's cells count in the bay file's own counts
                return self._bay.count(source) * resolution_g
            return 1000.0 * (
                CONTAINER_KG + self.pressed_kg - float(getattr(self._bay.plant, "delivered_kg", 0.0))
            )
