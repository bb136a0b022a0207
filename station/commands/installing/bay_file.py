"""A bay's file by asking: the questions that a shop can answer on the first day, and the file that follows from them.

What nobody has measured yet is said as wide as it is doubtful, so that a bay which was never calibrated says so itself.
"""

import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from importlib import resources
from pathlib import Path
from typing import Any

from hardware.converters.spi import SPI_PINS
from hardware.pins import PinMap
from station.commands.installing import places, questions
from station.commands.installing.questions import Ask
from station.errors import InputError

GAIN, STEPS = 128, 1 << 24
"""Of the converter: its input spans its supply / 128 in 2^24 steps (HX711 data sheet; from memory)."""
UNMEASURED_PAN, UNMEASURED_SCALE, UNMEASURED_METER = 0.03, 0.005, 0.02
"""Relative standard uncertainty of a plate's word (common practice, no source): cells and meters are within some per cent, and a
scale that its maker adjusted within one."""
SCALE_NOISE_COUNTS = 0.3
"""Of its own divisions: mere rounding, 1 / √12."""
SOURCES = {
    "fluid_drained_c": "the fluid in the pan",
    "fluid_supply_c": "the fluid that the pump draws",
    "air_c": "the air",
}
THERMOMETERS = "[thermometers]"


@dataclass(frozen=True)
class Line:
    """Where a meter is read that gives no pulses on a pin, or a pan that is a scale. kind: serial or modbus. address: on Modbus."""

    kind: str
    port: str
    address: int | None = None

    def rows(self, device: str, form: str) -> list[str]:
        """The device's table in the bay's file. form: of its lines, or its register map; empty for what needs none."""
        rows = ["", f"[{self.kind}.{device}]", f"port = {json.dumps(self.port)}"]
        rows += [] if self.address is None else [f"address = {self.address}"]
        return rows + ([f'format = "{form}"   # or another one, see hardware/README.md'] if form else [])


@dataclass(frozen=True)
class Scale:
    """A pan that is weighed by a scale with an indication of its own. division_g: its smallest step. form: of its line."""

    line: Line
    division_g: float
    form: str


@dataclass(frozen=True)
class Answers:
    """k_factor_per_l: pulses per litre, or counts of its line. meter: its line; None on a pin. scale: the pan's; None where it
    stands on cells, and then capacity_kg: what they bear together. rated_mv_v: what they give then. names: by which browsers call the station;
    empty where only this machine sees the pages. owner: who signs in first."""

    name: str = "Bay 1"
    country: str = ""
    capacity_kg: float = 20.0
    rated_mv_v: float = 2.0
    k_factor_per_l: float = 0.0
    meter: Line | None = None
    scale: Scale | None = None
    pins: PinMap = field(default_factory=PinMap)
    thermometers: Mapping[str, str] | None = None
    names: tuple[str, ...] = ()


def asked(ask: Ask, host: str, sensors: Sequence[str], say: Callable[[str], None]) -> Answers:
    """Ask what the bay's file needs. Raises InputError where no usable answer comes."""
    line = _line(
        ask, say, "How does the meter come in: on a pin, over a serial line, or over Modbus?", "pin", "meter"
    )
    scale = _scale(ask, say, line)
    counts = (
        "pulses per litre does the meter give, by its plate"
        if line is None
        else "counts per litre does the meter give over its line, by its manual"
    )
    answers = Answers(
        name=questions.text(ask, "What is the bay called?", "Bay 1", say),
        country=questions.one_of(ask, "What is a bare pint or quart in this shop?", ("us", "imperial", "neither"), say).replace(
            "neither", ""
        ),
        k_factor_per_l=questions.number(ask, f"How many {counts}?", "", (5, 100_000), say),
        meter=line,
        scale=scale,
    )  # fmt: skip
    if scale is None:
        answers = replace(
            answers,
            capacity_kg=questions.number(ask, "How many kg do the pan's load cells bear together, by their plates?", "20", (1, 500), say),
            rated_mv_v=questions.number(ask, "And how many mV per V do they give then?", "2", (0.1, 10), say),
        )  # fmt: skip
    if not questions.yes(ask, "Is it wired to the pins of hardware/README.md's table?", say):
        answers = replace(answers, pins=_pins(ask, say))
    if sensors:
        answers = replace(answers, thermometers=named(ask, sensors, say))
    elif not questions.yes(ask, "Are 1-Wire thermometers wired, of the type DS18B20?", say):
        answers = replace(answers, pins=replace(answers.pins, one_wire=None))
    if questions.yes(ask, "Shall phones and tablets on the shop's own network reach the page?", say):
        answers = replace(answers, names=(f"{host.lower()}.local",))
    return answers


def _line(
    ask: Ask, say: Callable[[str], None], question: str, other: str, device: str, beside: Line | None = None
) -> Line | None:
    """Where a device is read; None where it is on no line. other: what that is called. beside: a line that another one is on."""
    kind = questions.one_of(ask, question, ("serial", "modbus", other), say)
    if kind == other:
        return None
    shared = beside is not None and beside.kind == kind == "modbus"
    usual = "/dev/ttyUSB0" if beside is None or beside.port != "/dev/ttyUSB0" or shared else "/dev/ttyUSB1"
    port = questions.text(ask, f"At which port is the {device}'s line?", usual, say)
    if kind == "serial":
        return Line(kind, port)
    asked = f"Which address has the {device} on it?"
    return Line(kind, port, round(questions.number(ask, asked, "2" if shared else "1", (1, 247), say)))


def _scale(ask: Ask, say: Callable[[str], None], meter: Line | None) -> Scale | None:
    question = "How is the pan weighed: by load cells on a converter, by a scale on a serial line, or by one on Modbus?"
    line = _line(ask, say, question, "cells", "scale", meter)
    if line is None:
        return None
    table, usual = ("line", "plain_kg") if line.kind == "serial" else ("registers", "weight_i32_g")
    forms = tomllib.loads((resources.files("hardware") / "formats.toml").read_text(encoding="utf-8"))[table]
    known = [one for one in forms if one != usual and not one.startswith("counter")]
    form = questions.one_of(
        ask, "Of which form of hardware/formats.toml is what it sends?", (*known, usual), say
    )
    return Scale(
        line,
        questions.number(ask, "How many grams is one division of the scale?", "1", (0.01, 2.5), say),
        form,
    )


def slope_kg_per_count(capacity_kg: float, rated_mv_v: float) -> float:
    """Kilograms per count that the cells' plates promise: the converter is supplied as the cells are."""
    return capacity_kg / (rated_mv_v * 1e-3 * GAIN * STEPS)


def text_of(answers: Answers) -> str:
    """The bay's file."""
    rows = [
        "# Written by tallypan install. What a table may say stands in the station's README.",
        "",
        "[bay]",
        f"name = {json.dumps(answers.name, ensure_ascii=False)}",
    ]
    rows += [f'country = "{answers.country}"'] if answers.country else []
    rows += [f'ledger = "{places.RECORD}"', ""]
    if answers.names:
        first = answers.names[0]
        rows += [
            "[serve]                  # under TLS, from every address of this machine",
            'host = "0.0.0.0"',
            f"port = {places.PORT}",
            f'certificate = "{places.STATE}/{first}.crt"',
            f'key = "{places.STATE}/{first}.key"',
            f"names = {json.dumps(list(answers.names))}",
            "",
        ]
    rows += ["[pins]                   # BCM numbers; see hardware/README.md"]
    rows += [f"{owner} = {number}" for owner, number in answers.pins.used().items()]
    rows += ["", THERMOMETERS, *_rows(answers.thermometers or {})]
    scale = answers.scale
    rows += ["", *(_cells(answers) if scale is None else _of_scale(scale))]
    rows += [
        "",
        "[meter]                  # by the meter's word: prove it before the first job",
        f"k_factor_per_l = {answers.k_factor_per_l:g}",
        f"u_rel = {UNMEASURED_METER}",
    ]
    if answers.meter is not None:
        rows += answers.meter.rows("meter", "counter_u32" if answers.meter.kind == "modbus" else "")
    if scale is not None:
        rows += [*scale.line.rows("pan", scale.form), f"resolution_g = {scale.division_g:g}"]
    return "\n".join(rows) + "\n"


def _cells(answers: Answers) -> list[str]:
    slope = slope_kg_per_count(answers.capacity_kg, answers.rated_mv_v)
    return [
        "[pan]                    # by the cells' plates: calibrate the pan before the first job",
        "zero_count = 0",
        f"kg_per_count = {slope:.4g}",
        f"u_rel = {UNMEASURED_PAN}",
        "noise_counts = 50",
    ]


def _of_scale(scale: Scale) -> list[str]:
    return [
        "[pan]                    # by the scale's word: calibrate the pan before the first job",
        "zero_count = 0",
        f"kg_per_count = {scale.division_g / 1000.0:g}",
        f"u_rel = {UNMEASURED_SCALE}",
        f"noise_counts = {SCALE_NOISE_COUNTS}",
        f"u_indication_kg = {scale.division_g / 1000.0 / math.sqrt(12.0):.3g}",
    ]


def with_thermometers(text: str, found: Mapping[str, str]) -> str:
    """A bay's file, in whose table of thermometers nobody is, with those that were found."""
    head = re.compile(rf"^{re.escape(THERMOMETERS)}[^\n]*\n", re.M)
    rows = "".join(f"{row}\n" for row in _rows(found))
    if head.search(text) is None:
        return f"{text}\n{THERMOMETERS}\n{rows}"
    return head.sub(lambda line: line[0] + rows, text, count=1)


def _rows(thermometers: Mapping[str, str]) -> list[str]:
    return [f'{source} = "{folder}"' for source, folder in thermometers.items()]


@dataclass(frozen=True)
class Said:
    """What an installation needs of a bay's file, whoever wrote it. one_wire: its pin is named, or a thermometer. named: whether any
    thermometer is. port: of the pages; local: whether only this machine
    reaches them; tls: whether they come under TLS. certificate: the file to be made, where it is of the state's folder."""

    pins: PinMap
    reader: str
    one_wire: bool
    named: bool
    local: bool
    port: int
    tls: bool
    names: tuple[str, ...]
    proxy: bool
    certificate: Path | None
    record: Path
    backup: Path | None

    @property
    def reached(self) -> bool:
        """Whether somebody else than this machine's own browser comes in, so that people have to be set up."""
        return not self.local or bool(self.names) or self.proxy


def said(text: str, source: str) -> Said:
    """Read a bay's file as far as an installation needs it; the release judges it as a whole. Raises InputError."""
    try:
        tables = tomllib.loads(text)
    except ValueError as error:
        raise InputError(f"{source}: not valid TOML ({error}); correct it there.") from error
    serve, pins = _table(tables, "serve", source), _table(tables, "pins", source)
    known = {one.name for one in fields(PinMap)}
    plan = PinMap(**{name: number for name, number in pins.items() if name in known})
    if faults := plan.faults():
        raise InputError(f"{source}: [pins] {'; '.join(one.rstrip('.') for one in faults)}.")
    thermometers = _table(tables, "thermometers", source)
    reader = str(_table(tables, "pan_converter", source).get("reader", "auto"))
    if reader == "auto" and (plan.pan_dout, plan.pan_sck) in SPI_PINS:
        reader = "spi"
    certificate = serve.get("certificate")
    named = None if certificate is None else Path(str(certificate))
    return Said(
        pins=plan,
        reader=reader,
        one_wire=bool(thermometers) or "one_wire" in pins,
        named=bool(thermometers),
        local=str(serve.get("host", "127.0.0.1")) in ("127.0.0.1", "::1", "localhost"),
        port=int(serve.get("port", places.PORT)),
        tls=named is not None,
        names=tuple(map(str, serve.get("names", ()))),
        proxy=bool(serve.get("proxy", False)),
        certificate=named if named is not None and named.parent == places.STATE else None,
        record=Path(str(_table(tables, "bay", source).get("ledger", places.RECORD))),
        backup=Path(str(backup)) if (backup := _table(tables, "record", source).get("backup")) else None,
    )


def _table(tables: Mapping[str, Any], name: str, source: str) -> Mapping[str, Any]:
    table = tables.get(name, {})
    if not isinstance(table, Mapping):
        raise InputError(f"{source}: [{name}] is {table!r}; expected a table with keys below it.")
    return table


def _pins(ask: Ask, say: Callable[[str], None]) -> PinMap:
    """Ask for each pin; what is not fitted may be left out."""
    say("BCM numbers, as in hardware/README.md. A dash: not fitted.")
    for _ in range(questions.TRIES):
        numbers: dict[str, int | None] = {}
        for one in fields(PinMap):
            default = "-" if one.default is None else str(one.default)
            optional = one.default is None  # a file cannot say that a part with a default is not there

            def read(answer: str, optional: bool = optional) -> int | None:
                if answer == "-" and optional:
                    return None
                if not answer.isdecimal():
                    raise ValueError(f"Expected a BCM number{' or a dash' if optional else ''}.")
                return int(answer)

            numbers[one.name] = questions.retried(ask, f"Pin of {one.name}?", default, read, say)
        plan = PinMap(**numbers)  # type: ignore[arg-type]  # those that must be fitted are never None here
        if not (faults := plan.faults()):
            return plan
        for fault in faults:
            say(f"  {fault}")
    raise InputError(
        "No plan of pins came that could be used. Write the bay's file by hand and name it with --from."
    )


def named(ask: Ask, sensors: Sequence[str], say: Callable[[str], None]) -> dict[str, str]:
    """Ask which sensor is where: source → its folder. Raises InputError where no usable answer comes."""
    found: dict[str, str] = {}
    left = list(sensors)
    for source, where in SOURCES.items():
        if not left:
            break
        for number, folder in enumerate(left, 1):
            say(f"  {number}: {folder}")

        def read(answer: str, most: int = len(left)) -> int:
            if not answer.isdecimal() or not 0 <= int(answer) <= most:
                raise ValueError(f"Expected a number from 1 to {most}, or 0 for none of them.")
            return int(answer)

        chosen = questions.retried(ask, f"Which of these sensors is in {where}? (0: none)", "0", read, say)
        if chosen:
            found[source] = left.pop(chosen - 1)
    return found
