"""What the tables of a bay's file say of each other: no wire twice, no pan without one, slopes that fit their converter.

Each raises InputError naming file, table, key, value and what was expected.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from hardware.converters.choose import ConverterPlan
from hardware.modbus import Registers
from hardware.pins import CONSOLE_PINS
from hardware.serial_devices import SerialScale
from station.common.schema import complain
from station.errors import InputError
from station.given.limits import LIMITS
from station.given.lines import FULL_COUNTS, PanLine

if TYPE_CHECKING:
    from station.given.config import BayFile, ServeRules

ON_HEADER = ("serial0", "ttyAMA0", "ttyS0")
"""The port of a Pi's own two pins, by its names."""


def converters(file: "BayFile", source: str) -> None:
    """What a converter's reader needs of the pins."""
    if fault := file.pan_converter.fault(file.pins):
        key, expected = fault
        complain(source, ("pan_converter", key), getattr(file.pan_converter, key), expected)
    second = file.pins.of_second()
    if file.pan_b_converter.reader == "iio":
        complain(
            source, ("pan_b_converter", "reader"), "iio",
            "the kernel's driver reads the first pan alone: expected another reader for the second",
        )  # fmt: skip
    if second is not None and (fault := file.pan_b_converter.fault(second)):
        key, expected = fault
        for ours, theirs in (("pan_dout", "pan_b_dout"), ("pan_sck", "pan_b_sck")):
            expected = expected.replace(ours, theirs)
        complain(source, ("pan_b_converter", key), getattr(file.pan_b_converter, key), expected)


def second_pan(file: "BayFile", source: str) -> None:
    """A second pan has a line, and one wire that it is read by."""
    plans = {"serial": file.serial.pan_b, "modbus": file.modbus.pan_b}
    wires = [f"{kind}.pan_b" for kind, fitted in plans.items() if fitted is not None]
    wires += ["pins"] if file.pins.of_second() is not None else []
    if file.pan_b is None:
        others = [*wires, *(["pan_b_converter"] if file.pan_b_converter != ConverterPlan() else [])]
        if others:
            raise InputError(
                f"{source}: [{others[0]}] tells of a second pan, and [pan_b] is missing; write its line there, with the "
                "keys of [pan], or take the second pan out."
            )
        return
    if not wires:
        raise InputError(
            f"{source}: [pan_b] has no wire; expected pan_b_dout and pan_b_sck in [pins], or [serial.pan_b], or "
            "[modbus.pan_b]."
        )
    if len(wires) > 1:
        raise InputError(
            f"{source}: [{wires[0]}] and [{wires[1]}] both read the second pan; take one of the two out."
        )


def wiring(file: "BayFile", source: str) -> None:
    """What two tables say of one wire."""
    wired = file.pins.used()
    lines = {f"serial.{name}": port for name, port in file.serial.used().items()}
    buses = {f"modbus.{name}": port for name, port in file.modbus.used().items()}
    for name, port in (lines | buses).items():
        for owner, number in wired.items():
            if Path(port.port).name in ON_HEADER and number in CONSOLE_PINS:
                complain(source, ("pins", owner), number, f"{port.port} of [{name}] is on that pin: move one of the two")  # fmt: skip
    for name in file.serial.used().keys() & file.modbus.used().keys():
        raise InputError(
            f"{source}: [serial.{name}] and [modbus.{name}] are one device twice; take one of the two out."
        )
    for name, port in buses.items():
        if port.port in {line.port for line in lines.values()}:
            complain(source, ("modbus", name.split(".")[1], "port"), port.port, "a plain serial line uses that port already: give another")  # fmt: skip
    for pan, plan in (("pan", file.pan_converter), ("pan_b", file.pan_b_converter)):
        by_line = next((one for one in (f"serial.{pan}", f"modbus.{pan}") if one in lines | buses), None)
        if by_line is not None and plan != ConverterPlan():
            raise InputError(
                f"{source}: [{pan}_converter] is for load cells on pins, and [{by_line}] takes their place; take one of the two out."
            )
    named: dict[str, str] = {}
    for name, folder in file.thermometers:
        if folder is not None and folder.rstrip("/") in named:
            complain(source, ("thermometers", name), folder, f"that sensor is {named[folder.rstrip('/')]} already: write another's folder")  # fmt: skip
        if folder is not None:
            named[folder.rstrip("/")] = name


def serve(rules: "ServeRules", source: str) -> None:
    """A certificate and its key go together, and nobody but this machine is served without them."""
    for name, other in (("certificate", "key"), ("key", "certificate")):
        if getattr(rules, name) is not None and getattr(rules, other) is None:
            complain(source, ("serve", name), getattr(rules, name), f"expected {other} beside it: name both files, or neither")  # fmt: skip
    if rules.certificate is None and rules.host not in ("127.0.0.1", "::1", "localhost"):
        complain(
            source, ("serve", "host"), rules.host,
            "other machines are only served under TLS: name certificate and key, or leave host out",
        )  # fmt: skip


def slopes(file: "BayFile", source: str) -> None:
    """Hold each pan's slope against what is fitted: grams, or another converter's slope, show here."""
    _slope(source, "pan", file.pan, file.serial.pan or file.modbus.pan)
    if file.pan_b is not None:
        _slope(source, "pan_b", file.pan_b, file.serial.pan_b or file.modbus.pan_b)


def _slope(source: str, pan: str, line: PanLine, scale: SerialScale | Registers | None) -> None:
    place, slope = (pan, "kg_per_count"), line.kg_per_count
    if scale is not None:
        count_kg = (scale.resolution_g or 0.0) / 1000.0
        if abs(slope / count_kg - 1.0) > LIMITS.scale_slope_rel:
            complain(
                source, place, slope,
                f"expected about {count_kg:g}, since one count of its scale is {scale.resolution_g:g} g",
            )  # fmt: skip
        return
    low, high = LIMITS.pan_full_kg
    if not low <= slope * FULL_COUNTS <= high:
        complain(
            source, place, slope,
            f"at full scale the pan would hold {slope * FULL_COUNTS:.3g} kg, expected {low:g} to {high:g} kg: write "
            "kilograms per count, not grams, such as 4.761e-6",
        )  # fmt: skip
