"""What the tables of a bay's file say of each other: no wire twice, no pan without one, slopes that fit their converter.

Each check gives the sentences of what is wrong, with table, key, value and what was expected. ``CHECKS`` says which tables each
one reads: where one of them is wrong by itself, it is not asked, since it would only repeat that in other words.
"""

from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from hardware.converters.choose import ConverterPlan
from hardware.errors import PinFaults, SerialFaults
from hardware.modbus import Registers
from hardware.pins import CONSOLE_PINS
from hardware.serial_devices import SerialScale
from hardware.serial_port import SerialPort
from station.common.days import zone_of
from station.common.schema import complaint
from station.common.units import parse_volume_l
from station.errors import InputError
from station.given.limits import LIMITS
from station.given.lines import FULL_COUNTS, PanLine

if TYPE_CHECKING:
    from station.given.config import BayFile

ON_HEADER = ("serial0", "ttyAMA0", "ttyS0")
"""The port of a Pi's own two pins, by its names."""


def wrong(file: "BayFile", source: str, spoilt: Collection[str]) -> list[str]:
    """Everything that these tables contradict, one sentence each. spoilt: tables that are wrong by themselves."""
    found: list[str] = []
    bad = set(spoilt)
    for tables, check in CHECKS:
        told = [] if bad & set(tables) else list(check(file, source))
        found += told
        if told and check in SPOIL:
            bad |= set(tables)
    return found


def _bay(file: "BayFile", source: str) -> Iterator[str]:
    try:
        zone_of(file.bay.time_zone)
    except InputError as error:
        yield f"{source}: [bay] {error}"
    try:
        Path(file.bay.ledger).expanduser()
    except RuntimeError:
        yield complaint(
            source, ("bay", "ledger"), file.bay.ledger, "expected a home that exists; write the path in full"
        )


def _hose(file: "BayFile", source: str) -> Iterator[str]:
    holds = file.bay.hose_holds
    if holds and holds not in file.fluid:
        listed = ", ".join(file.fluid) or "a [fluid.…] table first"
        yield complaint(source, ("bay", "hose_holds"), holds, f"expected one of: {listed}")


def _capacities(file: "BayFile", source: str) -> Iterator[str]:
    for key, one in file.compartment.items():
        try:
            parse_volume_l(one.capacity, file.bay.country)
        except ValueError as error:
            yield complaint(source, ("compartment", key, "capacity"), one.capacity, str(error).rstrip("."))


def _pins(file: "BayFile", source: str) -> Iterator[str]:
    try:
        file.pins.check()
    except PinFaults as error:
        yield from (f"{source}: [pins] {fault.rstrip('.')}." for fault in error.faults)


def _lines(file: "BayFile", source: str) -> Iterator[str]:
    for name, plan in (("serial", file.serial), ("modbus", file.modbus)):
        try:
            plan.check()
        except SerialFaults as error:
            yield from (f"{source}: [{name}] {fault.rstrip('.')}." for fault in error.faults)


def _converters(file: "BayFile", source: str) -> Iterator[str]:
    """What a converter's reader needs of the pins."""
    if fault := file.pan_converter.fault(file.pins):
        key, expected = fault
        yield complaint(source, ("pan_converter", key), getattr(file.pan_converter, key), expected)
    second = file.pins.of_second()
    if file.pan_b_converter.reader == "iio":
        yield complaint(
            source, ("pan_b_converter", "reader"), "iio",
            "the kernel's driver reads the first pan alone: expected another reader for the second",
        )  # fmt: skip
    if second is not None and (fault := file.pan_b_converter.fault(second)):
        key, expected = fault
        for ours, theirs in (("pan_dout", "pan_b_dout"), ("pan_sck", "pan_b_sck")):
            expected = expected.replace(ours, theirs)
        yield complaint(source, ("pan_b_converter", key), getattr(file.pan_b_converter, key), expected)


def _second_pan(file: "BayFile", source: str) -> Iterator[str]:
    """A second pan has a line, and one wire that it is read by."""
    plans = {"serial": file.serial.pan_b, "modbus": file.modbus.pan_b}
    wires = [f"{kind}.pan_b" for kind, fitted in plans.items() if fitted is not None]
    wires += ["pins"] if file.pins.of_second() is not None else []
    if file.pan_b is None:
        others = [*wires, *(["pan_b_converter"] if file.pan_b_converter != ConverterPlan() else [])]
        if others:
            yield (
                f"{source}: [{others[0]}] tells of a second pan, and [pan_b] is missing; write its line there, with the "
                "keys of [pan], or take the second pan out."
            )
        return
    if not wires:
        yield (
            f"{source}: [pan_b] has no wire; expected pan_b_dout and pan_b_sck in [pins], or [serial.pan_b], or "
            "[modbus.pan_b]."
        )
    if len(wires) > 1:
        yield f"{source}: [{wires[0]}] and [{wires[1]}] both read the second pan; take one of the two out."


def _by_name(file: "BayFile") -> tuple[dict[str, SerialPort], dict[str, SerialPort]]:
    """The devices on plain lines and on Modbus, by their tables."""
    lines = {f"serial.{name}": port for name, port in file.serial.used().items()}
    return lines, {f"modbus.{name}": port for name, port in file.modbus.used().items()}


def _header(file: "BayFile", source: str) -> Iterator[str]:
    lines, buses = _by_name(file)
    for name, port in (lines | buses).items():
        for owner, number in file.pins.used().items():
            if Path(port.port).name in ON_HEADER and number in CONSOLE_PINS:
                yield complaint(source, ("pins", owner), number, f"{port.port} of [{name}] is on that pin: move one of the two")  # fmt: skip


def _twice(file: "BayFile", source: str) -> Iterator[str]:
    lines, buses = _by_name(file)
    for name in sorted(file.serial.used().keys() & file.modbus.used().keys()):
        yield f"{source}: [serial.{name}] and [modbus.{name}] are one device twice; take one of the two out."
    for name, port in buses.items():
        if port.port in {line.port for line in lines.values()}:
            yield complaint(source, ("modbus", name.split(".")[1], "port"), port.port, "a plain serial line uses that port already: give another")  # fmt: skip


def _line_or_converter(file: "BayFile", source: str) -> Iterator[str]:
    lines, buses = _by_name(file)
    for pan, plan in (("pan", file.pan_converter), ("pan_b", file.pan_b_converter)):
        by_line = next((one for one in (f"serial.{pan}", f"modbus.{pan}") if one in lines | buses), None)
        if by_line is not None and plan != ConverterPlan():
            yield f"{source}: [{pan}_converter] is for load cells on pins, and [{by_line}] takes their place; take one of the two out."


def _thermometers(file: "BayFile", source: str) -> Iterator[str]:
    named: dict[str, str] = {}
    for name, folder in file.thermometers:
        if folder is not None and folder.rstrip("/") in named:
            yield complaint(source, ("thermometers", name), folder, f"that sensor is {named[folder.rstrip('/')]} already: write another's folder")  # fmt: skip
        if folder is not None:
            named[folder.rstrip("/")] = name


def _serve(file: "BayFile", source: str) -> Iterator[str]:
    """A certificate and its key go together, and nobody but this machine is served without them."""
    rules = file.serve
    for name, other in (("certificate", "key"), ("key", "certificate")):
        if getattr(rules, name) is not None and getattr(rules, other) is None:
            yield complaint(source, ("serve", name), getattr(rules, name), f"expected {other} beside it: name both files, or neither")  # fmt: skip
    if rules.certificate is rules.key is None and rules.host not in ("127.0.0.1", "::1", "localhost"):
        yield complaint(
            source, ("serve", "host"), rules.host,
            "other machines are only served under TLS: name certificate and key, or leave host out",
        )  # fmt: skip


def _roll_up(file: "BayFile", source: str) -> Iterator[str]:
    if file.roll_up is not None and (wrong := file.roll_up.fault()):
        yield complaint(source, ("roll_up", wrong[0]), getattr(file.roll_up, wrong[0]), wrong[1])


def slopes(file: "BayFile", source: str) -> Iterator[str]:
    """Hold each pan's slope against what is fitted: grams, or another converter's slope, show here."""
    yield from _slope(source, "pan", file.pan, file.serial.pan or file.modbus.pan)
    if file.pan_b is not None:
        yield from _slope(source, "pan_b", file.pan_b, file.serial.pan_b or file.modbus.pan_b)


def _slope(source: str, pan: str, line: PanLine, scale: SerialScale | Registers | None) -> Iterator[str]:
    place, slope = (pan, "kg_per_count"), line.kg_per_count
    if scale is not None:
        count_kg = (scale.resolution_g or 0.0) / 1000.0
        if abs(slope / count_kg - 1.0) > LIMITS.scale_slope_rel:
            yield complaint(
                source, place, slope,
                f"expected about {count_kg:g}, since one count of its scale is {scale.resolution_g:g} g",
            )  # fmt: skip
        return
    low, high = LIMITS.pan_full_kg
    if not low <= slope * FULL_COUNTS <= high:
        yield complaint(
            source, place, slope,
            f"at full scale the pan would hold {slope * FULL_COUNTS:.3g} kg, expected {low:g} to {high:g} kg: write "
            "kilograms per count, not grams, such as 4.761e-6",
        )  # fmt: skip


Check = Callable[["BayFile", str], Iterator[str]]
CHECKS: tuple[tuple[tuple[str, ...], Check], ...] = (
    (("bay",), _bay),
    (("bay", "fluid"), _hose),
    (("bay", "compartment"), _capacities),
    (("pins",), _pins),
    (("serial", "modbus"), _lines),
    (("serial", "modbus"), _twice),
    (("pins", "pan_converter", "pan_b_converter"), _converters),
    (("pan", "pan_b", "serial", "modbus"), slopes),
    (("pins", "serial", "modbus"), _header),
    (("pan_converter", "pan_b_converter", "serial", "modbus"), _line_or_converter),
    (("thermometers",), _thermometers),
    (("pins", "serial", "modbus", "pan_b", "pan_b_converter"), _second_pan),
    (("serve",), _serve),
    (("roll_up",), _roll_up),
)
SPOIL = (_pins, _lines, _twice)
"""Where one of these finds something, what others would say of the same tables follows from it."""
