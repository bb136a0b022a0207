"""What of this computer itself stands in a bay's way: what the kernel does with a dead program's pins, 1-Wire, 32 bits."""

import os
import sys
from collections.abc import Collection, Mapping
from pathlib import Path

from hardware.pins import PinMap

KEEPS_OUTPUTS = "sys/module/pinctrl_*/parameters/persist_gpio_outputs"
"""Y: an output stays as it was when its owner dies. The pin drivers of the Pi's own kernels have it."""
ONE_WIRE = "sys/bus/w1/devices"
SENSOR_FAMILIES = ("28-", "10-", "22-", "3b-", "42-")
"""Thermometers by their family code: DS18B20, DS18S20, DS1822, DS1825, DS28EA00 (drivers/w1/slaves/w1_therm.c)."""
NARROW = sys.maxsize <= 2**32


def give_lgpio_a_folder() -> None:
    """Have lgpio make its pipe in a folder that goes with this program. Unless LG_WD names one, as the service's unit does, it takes
    the working folder, which the user tallypan may not write where somebody else stands. Before lgpio is first imported."""
    if "LG_WD" in os.environ:
        return
    import atexit
    import shutil
    import tempfile

    os.environ["LG_WD"] = folder = tempfile.mkdtemp(prefix="lgpio-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)


def faults(
    pins: PinMap, thermometers: Mapping[str, Path], root: Path = Path("/"), narrow: bool = NARROW
) -> dict[str, str]:
    """Get what is wrong by subject, with what to do; empty where nothing is. root: where ``sys`` is looked for."""
    found: dict[str, str] = {}
    if narrow:
        found["system"] = (
            "this Python is 32 bits wide, and what the station needs is made for 64-bit Arm only: install the 64-bit system"
        )
    for file in sorted(root.glob(KEEPS_OUTPUTS)):
        if file.read_text().strip() == "Y":
            found["pins"] = (
                f"the kernel keeps pin {pins.pump} as it is when the pump guard is killed: a running pump would run on. Add "
                "dtparam=strict_gpiod to config.txt and restart the Pi"
            )
    missing = {source: folder for source, folder in thermometers.items() if not folder.exists()}
    if missing:
        found["thermometers"] = _one_wire(pins, missing, thermometers, root / ONE_WIRE)
    elif not thermometers and (free := _free(root / ONE_WIRE, ())):
        found["thermometers"] = (
            f"{', '.join(free)}: plugged in, and [thermometers] names none. Run tallypan install again, which asks which is where, or "
            "name them there"
        )
    return found


def _free(bus: Path, used: Collection[str]) -> list[str]:
    """Sensors on the bus that have no name yet."""
    return [
        f.name for f in sorted(bus.glob("*")) if f.name.startswith(SENSOR_FAMILIES) and f.name not in used
    ]


def _one_wire(pins: PinMap, missing: Mapping[str, Path], thermometers: Mapping[str, Path], bus: Path) -> str:
    named = ", ".join(f"{source} {folder}" for source, folder in missing.items())
    if not any(bus.glob("w1_bus_master*")):
        pin = "" if pins.one_wire is None else f",gpiopin={pins.one_wire}"
        return f"{named}: not there, because the kernel has no 1-Wire bus. Add dtoverlay=w1-gpio{pin} to config.txt and restart the Pi"
    free = _free(bus, {folder.name for folder in thermometers.values()})
    if not free:
        return f"{named}: not there, nor any other sensor that has no name yet. Check its cable and the 4.7 kΩ pull-up"
    return f"{named}: not there; sensors without a name are {', '.join(free)}. Warm one in the hand to see which it is"
