"""What the Pi's config.txt has to say for a bay, and why. Lines of ours stand between two marks and go with the station."""

import re
from collections.abc import Mapping, Sequence

from hardware.pins import PinMap

BEGIN, END = "# tallypan: from here", "# tallypan: to here"
_OURS = re.compile(rf"^{re.escape(BEGIN)}\n.*?^{re.escape(END)}\n?", re.M | re.S)


def wanted(pins: PinMap, converter: str, one_wire: bool) -> dict[str, str]:
    """Line → why it is needed, one sentence. converter: the reader that the bay's file asks for."""
    outputs = [pin for pin in (pins.pump, pins.pump_fine, pins.pump_cutoff) if pin is not None]
    lines = {
        "dtparam=strict_gpiod": "without it the kernel leaves the pump's pin as it is when its guard is killed: a running "
        "pump would run on",
        f"gpio={','.join(map(str, outputs))}=op,dl": "drives the pump's pins low from power-on until the station has them",
    }  # fmt: skip
    if one_wire and pins.one_wire is not None:
        lines[f"dtoverlay=w1-gpio,gpiopin={pins.one_wire}"] = "has the kernel read the 1-Wire thermometers"
    if converter == "spi":
        spi1 = pins.pan_dout == 19
        line = "dtoverlay=spi1-1cs" if spi1 else "dtparam=spi=on"
        lines[line] = "has the SPI controller time the converter's clock"
    return lines


def missing(text: str, lines: Sequence[str]) -> list[str]:
    """Which of the lines a config.txt does not say for every Pi, whoever wrote it."""
    said: set[str] = set()
    everywhere = True
    for row in text.splitlines():
        bare = row.partition("#")[0].strip()
        if re.fullmatch(r"\[.*\]", bare):
            everywhere = bare.lower() == "[all]"  # a filter holds until the next one
        elif everywhere:
            said.add(bare.replace(" ", ""))
    return [line for line in lines if line not in said]


def with_ours(text: str, lines: Mapping[str, str]) -> str:
    """A config.txt with these lines in a section of ours at its end, in force for every Pi."""
    rest = without_ours(text)
    rest += "" if not rest or rest.endswith("\n") else "\n"
    rows = [row for line, why in lines.items() for row in (f"# {why}", line)]
    return rest + "\n".join((BEGIN, "[all]", *rows, END)) + "\n"


def without_ours(text: str) -> str:
    return _OURS.sub("", text)
