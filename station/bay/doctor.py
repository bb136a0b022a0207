"""Is this station fit to measure? One finding per thing that a job stands on."""

import os
import platform
import shutil
import sqlite3
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from calibration.grades import doubt_about_grade
from calibration.viscosity_index import doubt_about_viscosities
from hardware import board
from hardware.converters.choose import SPI_WIRES, openers, tried
from hardware.converters.port import Converter
from hardware.errors import HardwareError
from hardware.serial_port import SIMULATED, named_ports
from hardware.unit import mismatch
from station.bay import fitness, identity
from station.bay.records import Kept
from station.errors import StationError
from station.given.config import BayConfig
from station.given.receivers import of_a_bay, trusted
from station.record import schema
from station.record.ledger import Ledger, clock_synced

LISTEN_S = 4.0
FREE_BYTES = 50_000_000
_WANTED = ("pan", "meter", "fluid_supply_c", "fluid_drained_c", "air_c")


@dataclass(frozen=True)
class Finding:
    """ok: nothing to mend. text: what was found and, if need be, what to do."""

    what: str
    ok: bool
    text: str


def examine(
    config: BayConfig, simulated: bool, open_engine: Callable[[], tuple[Any, Callable[[], None]]]
) -> list[Finding]:
    """Check everything; opens the devices and the ledger for a few seconds. The pump is not run.

    Devices stay closed where the bay would not start: opening them makes the record's file.
    """
    fit = examine_file(config, simulated)
    if not all(finding.ok for finding in fit):
        return [*fit, *_fluids(config)]
    pan_b = () if config.pan_b is None else ("pan_b",)
    weighed = {*config.serial.used(), *config.modbus.used()} - {*_WANTED, *pan_b}
    return [
        *fit,
        *_fluids(config),
        _disk(config),
        _clock(),
        *_ports(config, simulated),
        *computer(config, simulated),
        *unit(config, simulated),
        *converter(config, simulated),
        *devices(open_engine, (*_WANTED, *pan_b, *weighed)),
        _ledger(config),
    ]


def examine_file(config: BayConfig, simulated: bool) -> list[Finding]:
    """Whether a bay could start by what its file says; no device is touched and nothing is written."""
    return [_software(), sqlite(), _place(config, simulated), *_lines(config), *notices(config)]


def _software() -> Finding:
    return Finding("software", True, f"{identity.of()}, on Python {platform.python_version()}")


def sqlite(version: tuple[int, ...] = sqlite3.sqlite_version_info) -> Finding:
    """Whether the record can be kept with this SQLite, and what of it the station has to live with."""
    fault = schema.sqlite_fault(version)
    if fault is not None:
        return Finding("SQLite", False, fault)
    text = ".".join(map(str, version))
    if schema.resets_its_log(version):
        text += (
            ", which may damage a log that two connections write or checkpoint at once (mended in 3.51.3): the station "
            "keeps one writer; open its record with no other program while it runs"
        )
    return Finding("SQLite", True, text)


def _place(config: BayConfig, simulated: bool) -> Finding:
    try:
        fitness.check_place(config, simulated)
    except StationError as error:
        return Finding("record's place", False, str(error))
    return Finding("record's place", True, str(config.ledger))


def _lines(config: BayConfig) -> list[Finding]:
    """What the bay weighs and meters with, and where that comes from."""
    try:
        lines = fitness.check_lines(config)
    except StationError as error:
        return [Finding("lines", False, str(error))]
    pans = {"pan": lines.pan, **({} if lines.pan_b is None else {"pan_b": lines.pan_b})}
    words = {
        **{
            pan: f"{line.kg_per_count:.6g} kg per count from {line.zero_count:.0f}"
            for pan, line in pans.items()
        },
        "meter": f"{lines.meter.k_factor_per_l:.6g} pulses per litre",
    }
    return [
        Finding(f"{kind} calibration", True, f"{text}, {lines.certificates.get(kind, config.source)}")
        for kind, text in words.items()
    ]


def notices(config: BayConfig) -> list[Finding]:
    """Whether other systems can be told as the bay's file says; nothing is sent."""
    if config.notices is None:
        return []
    try:
        found = of_a_bay(config.notices)
        for one in found:
            trusted(one)
    except StationError as error:
        return [Finding("notices", False, str(error))]
    text = "; ".join(f"{one.name} at {one.rules.address} of {', '.join(one.rules.kinds)}" for one in found)
    if config.roll_up is not None:
        text += ". This bay reports to a roll-up, too: the same receiver in its file hears everything twice"
    return [Finding("notices", bool(found), text or f"{config.notices.receivers} names nobody")]


def _fluids(config: BayConfig) -> list[Finding]:
    """What each fluid of the bay's file and of the page weighs, and what of its viscosities looks mistyped."""
    fluids = config.fluids
    if config.ledger.exists():
        with suppress(StationError):  # a record that cannot be read is told by itself
            fluids = Kept(config).settings().fluids
    if not fluids:
        return [
            Finding(
                "fluids",
                False,
                "none; enter them on the page Set-up (/setup?table=fluid), or as [fluid.…] in the bay's file",
            )
        ]
    names, found = [], []
    for key, fluid in fluids.items():
        try:
            names.append(f"{key} {fluid.density_kg_m3(20.0):.1f} kg/m³")
        except ValueError as error:
            found.append(Finding(f"fluid {key}", False, str(error)))
        if fluid.kv40_mm2_s is None or fluid.kv100_mm2_s is None:
            continue
        doubts: list[str | None] = []
        with suppress(ValueError):  # thinner than the index is defined for
            doubts.append(doubt_about_viscosities(fluid.kv40_mm2_s, fluid.kv100_mm2_s))
        with suppress(ValueError):  # no gear oil: other oils have other tables
            doubts.append(doubt_about_grade(fluid.grade or "", fluid.kv100_mm2_s))
        found += [Finding(f"fluid {key}", False, doubt) for doubt in doubts if doubt is not None]
    return [Finding("fluids", True, "; ".join(names) + " at 20 °C"), *found]


def _disk(config: BayConfig) -> Finding:
    folder = config.ledger.absolute().parent
    while not folder.exists():
        folder = folder.parent
    free = shutil.disk_usage(folder).free
    text = f"{free / 1e6:.0f} MB free for {config.ledger}; a job needs about 4 MB"
    return Finding("disk", free >= FREE_BYTES, text)


def _clock() -> Finding:
    synced = clock_synced()
    text = "set from the network" if synced else "not set from the network; order is kept, dates may be wrong"
    return Finding("clock", True, text)


def _ports(config: BayConfig, simulated: bool = False) -> list[Finding]:
    found = []
    lines = [("serial", *one) for one in config.serial.used().items()]
    for kind, source, serial in [*lines, *(("modbus", *one) for one in config.modbus.used().items())]:
        if simulated and serial.port.startswith(SIMULATED):
            found.append(Finding(f"{source} port", True, "a simulated line"))
            continue
        names = named_ports()
        same = [name for name in names if os.path.realpath(name) == os.path.realpath(serial.port)]
        if not os.path.exists(serial.port):
            listed = ", ".join(names) or "no serial adapter"
            text = f"{serial.port} does not exist; found {listed}. Check adapter and cable, or [{kind}.{source}] port"
        elif same and serial.port not in same:
            text = f"{serial.port} may become another adapter's name; safer: {same[0]}"
        else:
            text = f"{serial.port} at {serial.baud} baud, {serial.frame}"
        found.append(Finding(f"{source} port", os.path.exists(serial.port), text))
    return found


def computer(config: BayConfig, simulated: bool) -> list[Finding]:
    """What of this computer itself stands in the bay's way."""
    told = {} if simulated else board.faults(config.pins, config.thermometers)
    return [Finding(what, False, text) for what, text in told.items()]


def unit(config: BayConfig, simulated: bool) -> list[Finding]:
    """Whether the service would switch off this bay's pump after a crash; nothing where no service is installed."""
    wrong = None if simulated else mismatch(config.pins)
    return [] if wrong is None else [Finding("service", False, wrong)]


def converter(config: BayConfig, simulated: bool) -> list[Finding]:
    """How long each reader of each load cell's converter keeps its clock high on this machine."""
    by_line, second = {**config.serial.used(), **config.modbus.used()}, config.pins.of_second()
    if simulated:
        return []
    found = [] if "pan" in by_line else _tried("pan converter", openers(config.converter, config.pins))
    if second is not None:
        found += _tried("second pan's converter", openers(config.converter_b, second, kernel=False))
    return found


def _tried(what: str, found: Mapping[str, Callable[[], Converter]]) -> list[Finding]:
    board.give_lgpio_a_folder()
    trials = [tried(name, opener) for name, opener in found.items()]
    fit = any(not trial.problem and trial.late == 0 for trial in trials)
    text = "; ".join(map(str, trials))
    if not fit and any(trial.late for trial in trials):
        text += ". This computer is too slow or too busy for these readers, whatever the wiring: end what else runs, or "
        text += f"wire the converter to SPI ({SPI_WIRES}), which times the clock itself"
    return [Finding(what, fit, text)]


_TIMING = (
    "timing: the computer is too busy to read it, its wiring is not at fault; see the pan converter above"
)


def devices(
    open_engine: Callable[[], tuple[Any, Callable[[], None]]], wanted: Sequence[str] = _WANTED
) -> list[Finding]:
    try:
        engine, close = open_engine()
    except (HardwareError, StationError) as error:
        return [Finding("devices", False, str(error))]
    try:
        time.sleep(LISTEN_S)
        heard, states = engine.heard()
    finally:
        close()
    found = []
    for source in wanted:
        state = states.get(source, "ok")
        ok = source in heard and state == "ok"
        text = f"reads {heard[source]}" if ok else f"{state if state != 'ok' else 'silent'}; check its wiring"
        text = _TIMING if state == "timing" else text
        found.append(Finding(source, ok, text))
    pump = heard.get("pump")
    found.append(Finding("pump guard", pump == 0, "relay reads off" if pump == 0 else f"relay reads {pump}"))
    return found


def _ledger(config: BayConfig) -> Finding:
    try:
        ledger = Ledger(config.ledger, read_only=True)
        try:
            broken = ledger.verify()
        finally:
            ledger.close()
    except StationError as error:
        return Finding("ledger", False, str(error))
    return Finding("ledger", broken is None, "the chain is whole" if broken is None else f"broken: {broken}")
