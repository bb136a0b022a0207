"""A bay's file by asking: the questions that a shop can answer on the first day, and the file that follows from them.

What nobody has measured yet is said as wide as it is doubtful, so that a bay which was never calibrated says so itself.
"""

import json
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from hardware.converters.spi import SPI_PINS
from hardware.pins import PinMap
from station.commands.installing import places
from station.errors import InputError

Ask = Callable[[str, str], str]
"""A question and what an empty answer stands for → the answer."""

GAIN, STEPS = 128, 1 << 24
"""Of the converter: its input spans its supply / 128 in 2^24 steps (HX711 data sheet; from memory)."""
UNMEASURED_PAN, UNMEASURED_METER = 0.03, 0.02
"""Relative standard uncertainty of a plate's word (common practice, no source): cells and meters are within some per cent."""
SOURCES = {
    "fluid_drained_c": "the fluid in the pan",
    "fluid_supply_c": "the fluid that the pump draws",
    "air_c": "the air",
}
THERMOMETERS = "[thermometers]"
TRIES = 5


@dataclass(frozen=True)
class Line:
    """Where a meter is read that gives no pulses on a pin. kind: serial or modbus. address: on Modbus."""

    kind: str
    port: str
    address: int | None = None


@dataclass(frozen=True)
class Answers:
    """k_factor_per_l: pulses per litre, or counts of its line. meter: its line; None on a pin. capacity_kg: what the cells bear together. rated_mv_v: what they give then. names: by which browsers call the station;
    empty where only this machine sees the pages. owner: who signs in first."""

    name: str = "Bay 1"
    country: str = ""
    capacity_kg: float = 20.0
    rated_mv_v: float = 2.0
    k_factor_per_l: float = 0.0
    meter: Line | None = None
    pins: PinMap = field(default_factory=PinMap)
    thermometers: Mapping[str, str] | None = None
    names: tuple[str, ...] = ()


def asked(ask: Ask, host: str, sensors: Sequence[str], say: Callable[[str], None]) -> Answers:
    """Ask what the bay's file needs. Raises InputError where no usable answer comes."""
    line = _meter_line(ask, say)
    counts = (
        "pulses per litre does the meter give, by its plate"
        if line is None
        else "counts per litre does the meter give over its line, by its manual"
    )
    answers = Answers(
        name=_text(ask, "What is the bay called?", "Bay 1", say),
        country=_one_of(ask, "What is a bare pint or quart in this shop?", ("us", "imperial", "neither"), say).replace(
            "neither", ""
        ),
        capacity_kg=_number(ask, "How many kg do the pan's load cells bear together, by their plates?", "20", (1, 500), say),
        rated_mv_v=_number(ask, "And how many mV per V do they give then?", "2", (0.1, 10), say),
        k_factor_per_l=_number(ask, f"How many {counts}?", "", (5, 100_000), say),
        meter=line,
    )  # fmt: skip
    if not _yes(ask, "Is it wired to the pins of hardware/README.md's table?", say):
        answers = replace(answers, pins=_pins(ask, say))
    if sensors:
        answers = replace(answers, thermometers=named(ask, sensors, say))
    elif not _yes(ask, "Are 1-Wire thermometers wired, of the type DS18B20?", say):
        answers = replace(answers, pins=replace(answers.pins, one_wire=None))
    if _yes(ask, "Shall phones and tablets on the shop's own network reach the page?", say):
        answers = replace(answers, names=(f"{host.lower()}.local",))
    return answers


def _meter_line(ask: Ask, say: Callable[[str], None]) -> Line | None:
    kind = _one_of(
        ask,
        "How does the meter come in: on a pin, over a serial line, or over Modbus?",
        ("serial", "modbus", "pin"),
        say,
    )
    if kind == "pin":
        return None
    port = _text(ask, "At which port is the meter's line?", "/dev/ttyUSB0", say)
    if kind == "serial":
        return Line(kind, port)
    return Line(kind, port, round(_number(ask, "Which address has the meter on it?", "1", (1, 247), say)))


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
    slope = slope_kg_per_count(answers.capacity_kg, answers.rated_mv_v)
    rows += [
        "",
        "[pan]                    # by the cells' plates: calibrate the pan before the first job",
        "zero_count = 0",
        f"kg_per_count = {slope:.4g}",
        f"u_rel = {UNMEASURED_PAN}",
        "noise_counts = 50",
        "",
        "[meter]                  # by the meter's word: prove it before the first job",
        f"k_factor_per_l = {answers.k_factor_per_l:g}",
        f"u_rel = {UNMEASURED_METER}",
    ]
    if answers.meter is not None:
        rows += ["", f"[{answers.meter.kind}.meter]", f"port = {json.dumps(answers.meter.port)}"]
    if answers.meter is not None and answers.meter.address is not None:
        rows += [
            f"address = {answers.meter.address}",
            'format = "counter_u32"   # or another register map, see hardware/README.md',
        ]
    return "\n".join(rows) + "\n"


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
        raise InputError(f"{source}: [pins] {faults[0].rstrip('.')}.")
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


def _retried(
    ask: Ask, question: str, default: str, read: Callable[[str], Any], say: Callable[[str], None]
) -> Any:
    for _ in range(TRIES):
        answer = ask(question, default).strip() or default
        try:
            return read(answer)
        except ValueError as error:
            say(f"  {error}")
    raise InputError(
        f"{question} No usable answer came. Write the bay's file by hand and name it with --from."
    )


def _text(ask: Ask, question: str, default: str, say: Callable[[str], None]) -> str:
    def read(answer: str) -> str:
        if not answer or len(answer) > 80 or not answer.isprintable():
            raise ValueError("Expected a name of at most 80 characters.")
        return answer

    return str(_retried(ask, question, default, read, say))


def _number(
    ask: Ask, question: str, default: str, within: tuple[float, float], say: Callable[[str], None]
) -> float:
    low, high = within

    def read(answer: str) -> float:
        try:
            value = float(answer)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise ValueError(f"{answer!r} is not usable here; expected a number from {low:g} to {high:g}.")
        return value

    return float(_retried(ask, question, default, read, say))


def _one_of(ask: Ask, question: str, choices: Sequence[str], say: Callable[[str], None]) -> str:
    def read(answer: str) -> str:
        if answer.lower() not in choices:
            raise ValueError(f"Expected one of: {', '.join(choices)}.")
        return answer.lower()

    return str(_retried(ask, f"{question} ({', '.join(choices)})", choices[-1], read, say))


def _yes(ask: Ask, question: str, say: Callable[[str], None]) -> bool:
    return _one_of(ask, question, ("no", "yes"), say) == "yes"


def _pins(ask: Ask, say: Callable[[str], None]) -> PinMap:
    """Ask for each pin; what is not fitted may be left out."""
    say("BCM numbers, as in hardware/README.md. A dash: not fitted.")
    for _ in range(TRIES):
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

            numbers[one.name] = _retried(ask, f"Pin of {one.name}?", default, read, say)
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

        chosen = _retried(ask, f"Which of these sensors is in {where}? (0: none)", "0", read, say)
        if chosen:
            found[source] = left.pop(chosen - 1)
    return found
