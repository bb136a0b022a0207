"""A meter's counter and a scale, each on a serial line: what their lines mean."""

import re
from dataclasses import dataclass, field
from decimal import Decimal
from functools import reduce
from typing import Literal

from hardware.errors import SerialFaults
from hardware.serial_port import SerialPort

COUNTER_SPAN = 1 << 32
MOST_PULSES = 100_000
"""Between two lines: well over a minute's worth of a fast meter, and a sliver of the span."""
LARGEST_COUNT = (1 << 23) - 2
"""One below the full scale that a 24-bit converter has, and the pan's samples with it."""
GRAMS = {"g": Decimal(1), "kg": Decimal(1000), "lb": Decimal("453.59237"), "oz": Decimal("28.349523125")}
"""Exact: the international pound, and its sixteenth (NIST SP 811, appendix B.8)."""
_METER_LINE = re.compile(r"([0-9]{10})\*([0-9A-F]{2})")
_COMMA = str.maketrans({",": ".", ".": ","})
"""A number with a comma as one with a point; a point in it, which would be a thousands mark, makes it none."""
_NUMBER = re.compile(r"[+-]?[0-9]+(?:\.[0-9]*)?|[+-]?\.[0-9]+")


def checksum(text: str) -> int:
    """Exclusive or of all characters' codes, as NMEA 0183 forms it over what stands between $ and *."""
    return reduce(lambda together, character: together ^ ord(character), text, 0)


def meter_line(count: int) -> str:
    """The line that a counter sends for a count, without its line end.

    Always ten digits: the checksum alone lets two equal digits get lost together.
    """
    digits = f"{count % COUNTER_SPAN:010d}"
    return f"{digits}*{checksum(digits):02X}"


class Counter:
    """Carries a device's cumulative counter on beyond its roll-over.

    span: how many counts it has. A count that goes another way than forward by at most MOST_PULSES, or a quarter of a
    small counter's span, is a counter that started anew, and then the next one bears it out; alone it is a garbled one,
    and is left out. A restart is given as it is: the count falls.
    """

    def __init__(self, span: int = COUNTER_SPAN) -> None:
        self._span, self._most = span, min(MOST_PULSES, span // 4)
        self._last: int | None = None
        self._odd: int | None = None
        self._turns = 0

    def follow(self, count: int) -> int | None:
        """Get the pulses since its start, None for a count that the next one has to bear out."""
        if self._last is not None and not self._follows(count, self._last):
            if self._odd is None or not self._follows(count, self._odd):
                self._odd = count
                return None
            self._turns = 0
        elif self._last is not None and count < self._last:
            self._turns += 1
        self._last, self._odd = count, None
        return self._turns * self._span + count

    def _follows(self, count: int, before: int) -> bool:
        return (count - before) % self._span <= self._most


class CounterLines:
    """Reads a counter's lines: cumulative pulses of a 32-bit counter."""

    def __init__(self) -> None:
        self._counter = Counter()

    def read(self, line: str) -> int | None:
        """Get the count, None for one that the next line has to bear out. Raises ValueError."""
        found = _METER_LINE.fullmatch(line)
        if found is None:
            raise ValueError(f"line {line[:40]!r}; expected ten digits, *, and two hexadecimal digits")
        digits, given = found.groups()
        if checksum(digits) != int(given, 16):
            raise ValueError(f"line {line!r} has the checksum {given}; expected {checksum(digits):02X}")
        count = int(digits)
        if count >= COUNTER_SPAN:
            raise ValueError(f"count {count}; expected at most {COUNTER_SPAN - 1}, what 32 bits hold")
        return self._counter.follow(count)


@dataclass(frozen=True)
class SerialScale(SerialPort):
    """A scale that sends its indication, by itself or when it is asked.

    pattern: a regular expression that a whole line matches, with one group, the number. unit: g, kg, lb or oz.
    resolution_g: grams per count of the ``pan`` samples, best the scale's own division. decimal: point or comma. end: what a
    line ends with: line (CR, LF or both) or etx. ask: what a scale is asked with, every ``every_s`` seconds; left out where
    it prints by itself.
    """

    pattern: str = field(kw_only=True)
    unit: str = field(kw_only=True)
    resolution_g: float = field(kw_only=True)
    decimal: Literal["point", "comma"] = field(default="point", kw_only=True)
    end: Literal["line", "etx"] = field(default="line", kw_only=True)
    ask: str = field(default="", kw_only=True)
    every_s: float = field(default=0.1, kw_only=True)

    def faults(self) -> list[str]:
        found = super().faults()
        try:
            groups = re.compile(self.pattern).groups
            if groups != 1:
                found.append(
                    f"pattern = {self.pattern!r} has {groups} groups; expected one, around the number "
                    "(write (?:…) where brackets only join)"
                )
        except (re.error, TypeError) as error:
            found.append(f"pattern = {self.pattern!r}: {error}; expected a regular expression")
        if self.unit not in GRAMS:
            found.append(f"unit = {self.unit!r}; expected one of: {', '.join(GRAMS)}")
        size = self.resolution_g
        if isinstance(size, bool) or not isinstance(size, int | float) or not 0.0 < size <= 1000.0:
            found.append(f"resolution_g = {size!r}; expected grams per count, above 0, as 0.1; at most 1000")
        if not self.ask.isascii() or len(self.ask) > 40:
            found.append(f'ask = {self.ask[:50]!r}; expected at most 40 ASCII characters, such as "P\\r\\n"')
        if not 0.05 <= self.every_s <= 2.0:
            found.append(f"every_s = {self.every_s!r}; expected seconds between two questions, 0.05 to 2")
        return found

    def read(self, line: str) -> int:
        """Get a line's indication in whole counts of the resolution, rounded half to even. Raises ValueError."""
        found = re.fullmatch(self.pattern, line)
        if found is None:
            raise ValueError(f"line {line[:40]!r} does not match the pattern {self.pattern!r}")
        number = (found[1] or "").replace(" ", "")
        if self.decimal == "comma":
            number = number.translate(_COMMA)
        if not _NUMBER.fullmatch(number):
            raise ValueError(f"line {line[:40]!r}: {number!r} is no decimal number with a {self.decimal}")
        # Decimal, since the scale's digits are exact and half a division must not round by a float's luck.
        count = round(Decimal(number) * GRAMS[self.unit] / Decimal(str(self.resolution_g)))
        if abs(count) > LARGEST_COUNT:
            raise ValueError(f"line {line[:40]!r} is {count} counts; expected at most {LARGEST_COUNT}")
        return count

    def read_kg(self, line: str) -> float:
        """Get a line's indication in kilograms, to the resolution. Raises ValueError."""
        return self.read(line) * self.resolution_g / 1000.0


@dataclass(frozen=True)
class SerialPlan:
    """What is on serial lines: meter and pans in place of their pins, and the scale under the container; None where it is not."""

    meter: SerialPort | None = None
    pan: SerialScale | None = None
    container: SerialScale | None = None
    pan_b: SerialScale | None = None

    def used(self) -> dict[str, SerialPort]:
        """Source -> its port, fitted ones only."""
        every = {"meter": self.meter, "pan": self.pan, "container": self.container, "pan_b": self.pan_b}
        return {source: port for source, port in every.items() if port is not None}

    def check(self) -> None:
        """Raise SerialFaults listing all faults, or return when there is none."""
        found = [f"{source}: {fault}" for source, port in self.used().items() for fault in port.faults()]
        owners: dict[str, str] = {}
        for source, port in self.used().items():
            if port.port in owners:
                found.append(
                    f"port {port.port} is given to both {owners[port.port]} and {source}; give each its own"
                )
            owners[port.port] = source
        if found:
            raise SerialFaults(found)
