"""A bay's wiring drawn from its own plan: the 40-pin header with what goes where, the pump's circuit, the parts to buy.

What is drawn is what ``pins.PinMap`` says; nothing here is another place where a pin is written down.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from xml.sax.saxutils import escape

from hardware.converters.spi import SPI_PINS
from hardware.pins import EEPROM, PinMap

HEADER: tuple[str | int, ...] = (
    "3.3 V", "5 V", 2, "5 V", 3, "ground", 4, 14, "ground", 15, 17, 18, 27, "ground", 22, 23, "3.3 V", 24, 10, "ground",
    9, 25, 11, 8, "ground", 7, 0, 1, 5, "ground", 6, 12, 13, "ground", 19, 16, 26, 20, "ground", 21,
)  # fmt: skip
"""What is on place 1 to 40: a supply, or a BCM number. Odd places are one row, even ones the other (the header of every Pi
with 40 pins, from its maker's documentation; from memory)."""


@dataclass(frozen=True)
class Wire:
    """to: where a pin's wire goes. beside: what belongs to it at that end. part: what it is a part of."""

    to: str
    beside: str
    part: str


WIRES: dict[str, Wire] = {
    "pan_dout": Wire("converter DOUT", "10 kΩ from here to 3.3 V", "converter"),
    "pan_sck": Wire("converter SCK", "short, away from the motor's leads", "converter"),
    "pan_b_dout": Wire("second pan's converter, DOUT", "10 kΩ from here to 3.3 V", "converter"),
    "pan_b_sck": Wire("second pan's converter, SCK", "short, away from the motor's leads", "converter"),
    "meter": Wire("meter, open collector", "its other lead to ground; never 5, 12 or 24 V", "meter"),
    "meter_b": Wire("meter, second train", "its other lead to ground", "meter"),
    "pump": Wire("relay module, input", "active high; 10 kΩ or less to ground at the module", "relay"),
    "pump_fine": Wire("relay for slow speed, input", "active high; 10 kΩ or less to ground at the module", "relay"),
    "pump_cutoff": Wire("second contactor, input", "active high; 10 kΩ or less to ground at the module", "cut-off"),
    "pump_watch": Wire("watch timer, input", "changes with every beat while the pump runs", "watch timer"),
    "pendant": Wire("pendant's button", "normally open, to ground", "pendant"),
    "lamp": Wire("lamp's module, input", "active high", "lamp"),
    "buzzer": Wire("buzzer's module, input", "active high", "buzzer"),
    "stop_sense": Wire("stop, second contact", "normally closed, to ground", "stop"),
    "one_wire": Wire("thermometers, data", "one 4.7 kΩ to 3.3 V for all of them", "thermometers"),
}  # fmt: skip


@dataclass(frozen=True)
class Part:
    what: str
    look_for: str


PARTS: dict[str, Part] = {
    "converter": Part("24-bit bridge converter, HX711 type", "one for each pan; supplied with 3.3 V; rate pin low for 10 readings a second"),
    "cells": Part("load cells and summing box", "for each pan together twice its heaviest load; four-wire bridge"),
    "meter": Part("positive-displacement oil meter", "open collector or reed, a few hundred pulses per litre; for the fluid's viscosity"),
    "relay": Part("relay module, opto-isolated", "active high, 3.3 V input; contact for the motor's inrush current at its voltage"),
    "cut-off": Part("second contactor with its module", "as the relay, in series with it"),
    "watch timer": Part("retriggerable timer relay", "0.5 to 1 s; drops out when its input stops changing"),
    "stop": Part("latching stop button", "two normally closed contacts, one for the pump's circuit at its voltage and current"),
    "pendant": Part("momentary button on a flexible cable", "normally open; IP54 or better; extra-low voltage"),
    "lamp": Part("lamp with module", "input active high, 3.3 V; 12 or 24 V from its own supply"),
    "buzzer": Part("buzzer with module", "input active high, 3.3 V"),
    "thermometers": Part("1-Wire thermometers, DS18B20 type, in steel sleeves", "three-wire supply of 3.3 V; for the hottest fluid"),
    "adapter": Part("USB adapter, opto-isolated, for each line", "RS-232 or RS-485, as the device has; never the Pi's own pins"),
    "pump": Part("gear pump for oil", "own overload protection and relief valve; a non-return valve after it"),
}  # fmt: skip


PINS_OF = {"pan": ("pan_dout", "pan_sck"), "pan_b": ("pan_b_dout", "pan_b_sck"), "meter": ("meter",)}
"""Source → the pins that stay free where it comes over a line."""


def wired(pins: PinMap, lines: Mapping[str, str]) -> dict[str, int]:
    """Owner → BCM number of what is on pins. lines: source → port, of what comes over a line in their place."""
    without = {owner for source in lines for owner in PINS_OF.get(source, ())}
    return {owner: number for owner, number in pins.used().items() if owner not in without}


def place_of(bcm: int) -> int:
    """The place on the header, 1 to 40, of a BCM number. Raises ValueError for one that is not on it."""
    return HEADER.index(bcm) + 1


def parts(pins: PinMap, lines: Mapping[str, str]) -> list[Part]:
    """What has to be bought for a plan, by type and rating."""
    needed = {"stop", "pump", *(WIRES[owner].part for owner in wired(pins, lines))}
    needed |= {"cells"} if "pan" not in lines or pins.of_second() is not None else set()
    needed |= {"adapter"} if lines else set()
    return [part for key, part in PARTS.items() if key in needed]


def chain(pins: PinMap) -> list[tuple[str, str]]:
    """What stands in the pump's circuit one after the other, with what opens it."""
    rows = [
        ("supply", "fused"),
        ("hard-wired stop", "opened by hand, latches"),
        ("relay", f"closed by pin {pins.pump}"),
    ]
    rows += [("second contact", f"closed by pin {pins.pump_cutoff}")] if pins.pump_cutoff is not None else []
    rows += [("watch timer", f"held by pin {pins.pump_watch}")] if pins.pump_watch is not None else []
    return [*rows, ("pump", "own overload switch")]


WIDTH, TOP, PITCH, MIDDLE = 1120, 96, 34, 560
CHAIN_HIGH = 130


def svg(name: str, pins: PinMap, lines: Mapping[str, str]) -> str:
    """The drawing of a plan that ``pins.check`` finds no fault in. name: of the bay. lines: as ``wired`` has them."""
    high = TOP + 20 * PITCH + 40 + 24 * len(lines)
    drawn = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {high + CHAIN_HIGH}" font-family="sans-serif" font-size="15">',
        f"<title>{escape(name)}: wiring</title>",
        f'<rect width="{WIDTH}" height="{high + CHAIN_HIGH}" fill="#fff"/>',
        f'<text x="24" y="36" font-size="22" font-weight="bold">{escape(name)}: wiring</text>',
        '<text x="24" y="62">Places in circles, place 1 at the square pad; BCM numbers on the wires. Unplug the Pi before you wire.</text>',
        f'<rect x="{MIDDLE - 46}" y="{TOP - 22}" width="92" height="{20 * PITCH + 10}" rx="8" fill="#f2f2f2" stroke="#555"/>',
    ]
    drawn += _header(pins, lines)
    for n, (source, port) in enumerate(lines.items()):
        y = TOP + 20 * PITCH + 28 + 24 * n
        text = f'<tspan font-weight="bold">{source}</tspan> · over a line: {escape(port)}'
        drawn.append(f'<text x="24" y="{y}" data-line="{source}">{text}</text>')
    drawn += _chain(pins, high)
    return "\n".join((*drawn, "</svg>")) + "\n"


def _header(pins: PinMap, lines: Mapping[str, str]) -> Iterator[str]:
    owners = {number: owner for owner, number in wired(pins, lines).items()}
    # The converter's controller moves these too; with another reader they are free.
    cells = (pins, pins.of_second())
    kept_free = {
        pin
        for source, plan in zip(("pan", "pan_b"), cells, strict=True)
        if plan is not None and source not in lines
        for pin in SPI_PINS.get((plan.pan_dout, plan.pan_sck), ("", ()))[1]
    }
    for index, pad in enumerate(HEADER):
        place, left = index + 1, index % 2 == 0
        x, y = (MIDDLE - 20 if left else MIDDLE + 20), TOP + (index // 2) * PITCH
        owner = owners.get(pad) if isinstance(pad, int) else None
        fill = {"3.3 V": "#fff", "5 V": "#fff", "ground": "#333"}.get(str(pad), "#fff")
        yield f'<circle cx="{x}" cy="{y}" r="11" fill="{fill}" stroke="#333" stroke-width="{3 if owner else 1}"/>'
        ink = "#fff" if pad == "ground" else "#000"
        yield f'<text x="{x}" y="{y + 4}" font-size="11" text-anchor="middle" fill="{ink}">{place}</text>'
        anchor, side = ("end", -1) if left else ("start", 1)
        near, far = MIDDLE + side * 56, MIDDLE + side * 130
        if owner is None:
            text = pad if isinstance(pad, str) else f"{pad}, free"
            text = "keep free for SPI" if pad in kept_free else "keep free" if pad in EEPROM else text
            yield f'<text x="{near}" y="{y + 5}" font-size="12" fill="#666" text-anchor="{anchor}">{text}</text>'
            continue
        wire = WIRES[owner]
        yield f'<g data-owner="{owner}" data-bcm="{pad}" data-place="{place}">'
        yield f'<line x1="{x + side * 11}" y1="{y}" x2="{far - side * 6}" y2="{y}" stroke="#000" stroke-width="2"/>'
        yield f'<text x="{near}" y="{y - 4}" font-size="12" text-anchor="{anchor}">{pad}</text>'
        yield f'<text x="{far}" y="{y - 1}" text-anchor="{anchor}"><tspan font-weight="bold">{owner}</tspan> · {escape(wire.to)}</text>'
        yield f'<text x="{far}" y="{y + 13}" font-size="12" text-anchor="{anchor}">{escape(wire.beside)}</text></g>'


def _chain(pins: PinMap, y: int) -> Iterator[str]:
    boxes = chain(pins)
    wide = (WIDTH - 48 - 20 * (len(boxes) - 1)) / len(boxes)
    yield f'<text x="24" y="{y}" font-weight="bold">The pump\'s circuit, all in series</text>'
    for n, (what, by) in enumerate(boxes):
        x = 24 + n * (wide + 20)
        if n:
            yield f'<line x1="{x - 20:.0f}" y1="{y + 46}" x2="{x:.0f}" y2="{y + 46}" stroke="#000" stroke-width="2"/>'
        yield f'<rect x="{x:.0f}" y="{y + 18}" width="{wide:.0f}" height="56" rx="6" fill="#fff" stroke="#000"/>'
        yield f'<text x="{x + wide / 2:.0f}" y="{y + 41}" text-anchor="middle" font-weight="bold">{escape(what)}</text>'
        yield f'<text x="{x + wide / 2:.0f}" y="{y + 61}" font-size="12" text-anchor="middle">{escape(by)}</text>'


def rows(pins: PinMap, lines: Mapping[str, str]) -> list[dict[str, object]]:
    """The same as a table, in the header's order."""
    return [
        {
            "what": owner,
            "BCM": bcm,
            "place": place_of(bcm),
            "to": WIRES[owner].to,
            "beside": WIRES[owner].beside,
        }
        for owner, bcm in sorted(wired(pins, lines).items(), key=lambda one: place_of(one[1]))
    ]
