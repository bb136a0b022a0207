"""What a bay is: its wiring, its calibration, its fluids and what it serves. One TOML file."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import tzinfo
from importlib import resources
from pathlib import Path
from typing import Any

from calibration.fluid import Fluid
from hardware.errors import HardwareError
from hardware.pins import PinMap
from hardware.serial_devices import SerialPlan, SerialScale
from hardware.serial_line import SerialPort
from station.common.days import zone_of
from station.common.section import read_toml
from station.errors import InputError
from station.given.job import RETAINED_BY_METHOD
from station.given.settings import Settings


@dataclass(frozen=True)
class Compartment:
    """One compartment of one vehicle, as listed. capacity is kept as it was typed, with its unit."""

    key: str
    vehicle: str
    compartment: str
    capacity: str
    grade: str
    method: str
    plug: str = ""
    type: str = ""


@dataclass(frozen=True)
class BayConfig:
    """pan, meter, air and pump are JOB.toml tables; fluids and compartments are by key.
    hose_holds: the fluid that stood in the hose when the bay was set up; empty where nobody knows. zone: whose days
    the shop counts in; this machine's own where the file names none."""

    name: str
    country: str | None
    ledger: Path
    pins: PinMap
    thermometers: Mapping[str, Path]
    settings: Settings
    tables: Mapping[str, Any]
    fluids: Mapping[str, Mapping[str, Any]]
    compartments: Mapping[str, Compartment]
    technicians: tuple[str, ...]
    hose_holds: str = ""
    zone: tzinfo = field(default_factory=lambda: zone_of(None))
    serial: SerialPlan = field(default_factory=SerialPlan)


_TABLES = (
    "bay", "pins", "serial", "thermometers", "pan", "meter", "air", "pump", "run", "fluid", "compartment",
)  # fmt: skip
_SERIAL = {"meter": SerialPort, "pan": SerialScale}


def _table(tables: Mapping[str, Any], name: str, source: str) -> dict[str, Any]:
    table = tables.get(name, {})
    if not isinstance(table, Mapping):
        raise InputError(f"{source}: [{name}] is not a table; expected [{name}] with keys below it.")
    return dict(table)


def _build(kind: type, table: Mapping[str, Any], where: str) -> Any:
    known = [f.name for f in fields(kind)]
    unknown = sorted(set(table) - set(known))
    if unknown:
        raise InputError(f"{where} has unknown key {unknown[0]!r}; known keys: {', '.join(known)}.")
    try:
        return kind(**table)
    except TypeError as error:
        raise InputError(f"{where}: {error}; expected the keys {', '.join(known)}.") from error


def _serial(tables: Mapping[str, Any], source: str) -> SerialPlan:
    table = _table(tables, "serial", source)
    unknown = sorted(set(table) - set(_SERIAL))
    if unknown:
        raise InputError(
            f"{source}: [serial] has unknown key {unknown[0]!r}; expected the tables [serial.meter] and [serial.pan]."
        )
    plan = SerialPlan(
        **{
            name: _build(
                _SERIAL[name], _table(table, name, f"{source}: in [serial]"), f"{source}: [serial.{name}]"
            )
            for name in table
        }
    )
    try:
        plan.check()
    except HardwareError as error:
        raise InputError(f"{source}: [serial] {error}") from error
    return plan


def config_from_tables(tables: Mapping[str, Any], source: str) -> BayConfig:
    """Check a bay's tables. Raises InputError naming file, table, key and what was expected."""
    unknown = sorted(set(tables) - set(_TABLES))
    if unknown:
        raise InputError(f"{source}: unknown table [{unknown[0]}]; known tables: {', '.join(_TABLES)}.")
    bay = _table(tables, "bay", source)
    for key, expected in (("name", "the bay's name"), ("ledger", "the path of the ledger file")):
        if not isinstance(bay.get(key), str) or not bay[key]:
            raise InputError(f"{source}: [bay] {key} is missing; expected {expected} in quotes.")
    country = bay.get("country")
    if country not in (None, "us", "imperial"):
        raise InputError(
            f"{source}: [bay] country = {country!r}; expected 'us' or 'imperial', or leave it out."
        )
    try:
        zone = zone_of(bay.get("time_zone"))
    except InputError as error:
        raise InputError(f"{source}: [bay] {error}") from error
    technicians = bay.get("technicians", [])
    if not isinstance(technicians, list) or not all(isinstance(name, str) for name in technicians):
        raise InputError(f"{source}: [bay] technicians; expected a list of names.")
    run = _table(tables, "run", source)
    for key, value in run.items():
        if isinstance(value, bool) or not isinstance(value, int | float) or not value >= 0:
            raise InputError(f"{source}: [run] {key} = {value!r}; expected a number, zero or more.")
    thermometers = _table(tables, "thermometers", source)
    for key, value in thermometers.items():
        if key not in ("fluid_drained_c", "fluid_supply_c", "air_c") or not isinstance(value, str):
            raise InputError(
                f"{source}: [thermometers] {key} = {value!r}; expected fluid_drained_c, fluid_supply_c or air_c "
                "with the folder of a 1-Wire sensor."
            )
    fluids = _table(tables, "fluid", source)
    for key, table in fluids.items():
        try:
            Fluid.from_table(table)
        except ValueError as error:
            raise InputError(f"{source}: [fluid.{key}] {error}") from error
    hose_holds = bay.get("hose_holds", "")
    if hose_holds and hose_holds not in fluids:
        raise InputError(
            f"{source}: [bay] hose_holds = {hose_holds!r}; expected one of: {', '.join(fluids)}."
        )
    compartments = {}
    for key, table in _table(tables, "compartment", source).items():
        where = f"{source}: [compartment.{key}]"
        compartments[key] = _build(Compartment, {"key": key, **table}, where)
        if compartments[key].method not in RETAINED_BY_METHOD:
            raise InputError(
                f"{where} method = {compartments[key].method!r}; expected one of: {', '.join(RETAINED_BY_METHOD)}."
            )
    pins = _build(PinMap, _table(tables, "pins", source), f"{source}: [pins]")
    try:
        pins.check()
    except HardwareError as error:
        raise InputError(f"{source}: [pins] {error}") from error
    return BayConfig(
        name=bay["name"],
        country=country,
        ledger=Path(bay["ledger"]).expanduser(),
        pins=pins,
        thermometers={key: Path(value) for key, value in thermometers.items()},
        settings=_build(Settings, run, f"{source}: [run]"),
        tables={
            name: _table(tables, name, source) for name in ("pan", "meter", "air", "pump") if name in tables
        },
        fluids=fluids,
        compartments=compartments,
        technicians=tuple(technicians),
        hose_holds=hose_holds,
        zone=zone,
        serial=_serial(tables, source),
    )


def read_config(path: Path) -> BayConfig:
    """Read a bay's configuration. Raises InputError."""
    return config_from_tables(read_toml(path), str(path))


def demo_path() -> Path:
    """The invented bus depot's bay, shipped with the station."""
    return Path(str(resources.files("station") / "demo_bay.toml"))
