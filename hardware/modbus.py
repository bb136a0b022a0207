"""A meter or a scale on a Modbus RTU line (Modbus over Serial Line, V1.02): what its registers mean, and who asks for them."""

import logging
import struct
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Literal

import minimalmodbus

from hardware.errors import SerialFaults
from hardware.sample import Sample
from hardware.serial_devices import GRAMS, LARGEST_COUNT, Counter
from hardware.serial_port import PORT_ERRORS, HeldPort, OnPort, SerialPort
from hardware.ticker import Ticker

ANSWER_S = 0.2
EVERY_S = 0.1
BAD_ANSWERS = 3
"""One lost or garbled answer is noise on a cable; so many in a row are a wrong address, speed or map, or a pulled plug."""
HIGHEST_ADDRESS = 247
LOST = (minimalmodbus.NoResponseError,)
FORMS = {"u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f"}
SPANS = {"u16": 1 << 16, "u32": 1 << 32}

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Registers(SerialPort):
    """One value of a device. The port may be shared with others, each at an address of its own.

    address: 1 to 247. function: 3 reads holding registers, 4 input registers. register: counted from 0, as it goes over
    the line; some manuals count from 1, or write 40001 for holding register 0. form: u16, i16, u32, i32 or f32. words:
    which of two registers has the high half: high (comes first) or low. unit: of a scale, g, kg, lb or oz, and ``step`` of
    these to one in the register. resolution_g: grams per count of the ``pan`` samples.
    """

    address: int = field(kw_only=True)
    register: int = field(kw_only=True)
    form: Literal["u16", "i16", "u32", "i32", "f32"] = field(kw_only=True)
    function: Literal[3, 4] = field(default=3, kw_only=True)
    words: Literal["high", "low"] = field(default="high", kw_only=True)
    unit: str | None = field(default=None, kw_only=True)
    step: float = field(default=1.0, kw_only=True)
    resolution_g: float | None = field(default=None, kw_only=True)

    def faults(self) -> list[str]:
        found = super().faults()
        if self.frame[:1] == "7":
            found.append(f"frame = {self.frame!r}; expected eight data bits: RTU sends whole bytes")
        if not 1 <= self.address <= HIGHEST_ADDRESS:
            found.append(
                f"address = {self.address!r}; expected 1 to {HIGHEST_ADDRESS}, as it is set at the device"
            )
        if not 0 <= self.register <= 0xFFFF:
            found.append(f"register = {self.register!r}; expected 0 to 65535, counted from 0")
        if not self.step > 0.0:
            found.append(f"step = {self.step!r}; expected what one in the register stands for, above 0")
        return found

    @property
    def count(self) -> int:
        """How many registers it takes."""
        return struct.calcsize(f">{FORMS[self.form]}") // 2

    def value(self, words: Sequence[int]) -> float:
        """What the registers say, in steps. Raises ValueError for a float that is no number."""
        ordered = list(words) if self.words == "high" else list(reversed(words))
        raw = struct.pack(f">{len(ordered)}H", *ordered)
        (found,) = struct.unpack(f">{FORMS[self.form]}", raw)
        if found != found or abs(found) == float("inf"):
            raise ValueError(f"register {self.register} is {found}, no number")
        return float(found) if self.form == "f32" else int(found)

    def counts(self, words: Sequence[int]) -> int:
        """A scale's indication in whole counts of its resolution. Raises ValueError."""
        grams = Decimal(str(self.value(words))) * Decimal(str(self.step)) * GRAMS[self.unit or "g"]
        counts = round(grams / Decimal(str(self.resolution_g)))
        if abs(counts) > LARGEST_COUNT:
            raise ValueError(
                f"register {self.register} comes to {counts} counts; expected at most {LARGEST_COUNT}"
            )
        return counts

    def kg(self, words: Sequence[int]) -> float:
        """A scale's indication in kilograms, to its resolution. Raises ValueError."""
        return self.counts(words) * (self.resolution_g or 0.0) / 1000.0


class Pulses:
    """Reads a meter's counter, carried on beyond its roll-over."""

    def __init__(self, registers: Registers) -> None:
        self._registers, self._counter = registers, Counter(SPANS[registers.form])

    def read(self, words: Sequence[int]) -> int | None:
        return self._counter.follow(int(self._registers.value(words)))


@dataclass(frozen=True)
class ModbusPlan:
    """What is on Modbus lines in place of pins and plain serial lines; None where it is not."""

    meter: Registers | None = None
    pan: Registers | None = None
    container: Registers | None = None
    pan_b: Registers | None = None

    def used(self) -> dict[str, Registers]:
        """Source -> its registers, fitted ones only."""
        every = {"meter": self.meter, "pan": self.pan, "container": self.container, "pan_b": self.pan_b}
        return {source: one for source, one in every.items() if one is not None}

    def check(self) -> None:
        """Raise SerialFaults listing all faults, or return when there is none."""
        found = [f"{source}: {fault}" for source, one in self.used().items() for fault in one.faults()]
        ports: dict[str, tuple[str, Registers]] = {}
        for source, one in self.used().items():
            if source == "meter" and one.form not in SPANS:
                found.append(
                    f"meter: form = {one.form!r}; expected u16 or u32: a count of pulses is a whole number that turns over"
                )
            if source != "meter" and one.unit not in GRAMS:
                found.append(f"{source}: unit = {one.unit!r}; expected one of: {', '.join(GRAMS)}")
            if source != "meter" and not 0.0 < (one.resolution_g or 0.0) <= 1000.0:
                found.append(
                    f"{source}: resolution_g = {one.resolution_g!r}; expected grams per count, above 0, as 1; at most 1000"
                )
            other, first = ports.setdefault(one.port, (source, one))
            if (first.baud, first.frame) != (one.baud, one.frame):
                found.append(
                    f"{source}: {one.baud} baud, {one.frame}; expected {first.baud}, {first.frame} as {other} has, for they share {one.port}"
                )
            if other != source and (first.address, first.register, first.function) == (
                one.address,
                one.register,
                one.function,
            ):
                found.append(
                    f"{source}: address {one.address}, register {one.register}; expected another than {other} has"
                )
        if found:
            raise SerialFaults(found)


@dataclass
class _Asked:
    """One device on the line. failed: answers in a row that were none."""

    source: str
    registers: Registers
    read: Callable[[Sequence[int]], float | None]
    failed: int = 0
    state: str | None = None


class ModbusLine(OnPort):
    """Asks the devices of one line in turn. Emits each one's ``<source>`` and ``<source>_state`` in ok, unplugged, bad.

    unplugged: the port is gone, or BAD_ANSWERS questions in a row had no answer. bad: as many answers in a row were garbled,
    refused or made no sense. Raises SerialPortError as HeldPort does.
    """

    def __init__(
        self,
        devices: dict[str, Registers],
        put: Callable[[Sample], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._asked = [_Asked(source, one, _reader(source, one)) for source, one in devices.items()]
        self._put, self._clock = put, clock
        first = self._asked[0].registers
        self._instrument: Any = None
        self._held = HeldPort(first, ANSWER_S)
        self._ticker = Ticker(f"{', '.join(devices)} on {first.port}", self.poll, EVERY_S)
        if self._held.serial is None:
            self._lost("not there yet")

    def poll(self) -> None:
        """Ask each device once."""
        if not self._held.ready():
            return
        try:
            port = self._held.serial or self._held.open()
            if self._instrument is None or self._instrument.serial is not port:
                self._instrument = minimalmodbus.Instrument(port, 1)
            for one in self._asked:
                self._ask(one)
        except PORT_ERRORS as error:
            self._lost(error)
            self._held.lose()

    def _ask(self, one: _Asked) -> None:
        what = one.registers
        self._instrument.address = what.address
        try:
            words = self._instrument.read_registers(what.register, what.count, what.function)
            value = one.read(words)
        except (minimalmodbus.ModbusException, ValueError) as error:
            one.failed += 1
            if one.failed >= BAD_ANSWERS:
                self._become(one, "unplugged" if isinstance(error, LOST) else "bad", error)
            return
        one.failed = 0
        if value is not None:
            self._become(one, "ok")
            self._put(Sample(self._clock(), one.source, value))

    def _lost(self, why: object) -> None:
        for one in self._asked:
            self._become(one, "unplugged", why)

    def _become(self, one: _Asked, state: str, why: object = None) -> None:
        if state == one.state:
            return
        if why is not None:
            log.error(
                "%s at address %d on %s: %s", one.source, one.registers.address, one.registers.port, why
            )
        one.state = state
        self._put(Sample(self._clock(), f"{one.source}_state", state))


def _reader(source: str, one: Registers) -> Callable[[Sequence[int]], float | None]:
    if source == "meter":
        return Pulses(one).read
    return one.kg if source == "container" else one.counts
