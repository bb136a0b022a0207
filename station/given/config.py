"""What a bay is: its wiring, its calibration, its fluids and what it serves. One TOML file."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import tzinfo
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from calibration.fluid import Fluid
from hardware.converters.choose import ConverterPlan
from hardware.modbus import ModbusPlan
from hardware.pins import PinMap
from hardware.serial_devices import SerialPlan
from station.common.days import zone_of
from station.common.faults import Faults, Loc
from station.common.files import read_toml
from station.common.schema import Table, read
from station.common.words import SOURCE
from station.given import config_checks
from station.given.formats import with_formats
from station.given.job import Air, FluidTable, Method
from station.given.lines import MeterLine, PanLine
from station.given.pumping import PumpLine
from station.given.reporting import NoticeRules, RollUpRules
from station.given.settings import Settings
from station.given.shop_head import Language, ShopHead

_PRINTABLE = r"^[^\x00-\x1f]+$"
Name = Annotated[
    str, Field(max_length=80, pattern=_PRINTABLE, description="write a name of at most 80 characters")
]
Folder = Annotated[
    str,
    Field(
        pattern=r"^/[^\x00-\x1f]+$",
        description='write its folder, such as "/sys/bus/w1/devices/28-0123456789ab"',
    ),
]


@dataclass(frozen=True)
class Listed:
    """One compartment of one vehicle, as listed. capacity is kept as it was typed, with its unit."""

    vehicle: Name
    compartment: Name
    capacity: str
    grade: str
    method: Method
    plug: str = ""
    type: str = ""


@dataclass(frozen=True)
class Compartment(Listed):
    """A listed compartment and the key that it goes by."""

    key: str = field(kw_only=True)


@dataclass(frozen=True)
class RecordRules:
    """[record]: how the record is kept. backup: a folder on another medium, to which the running station copies it every
    ``backup_every_min`` minutes. keep_samples_months: older raw samples are let go when the station starts; without it
    they are kept. Figures and events are always kept."""

    backup: (
        Annotated[
            str,
            Field(
                pattern=r"^/[^\x00-\x1f]+$",
                description='write a folder on another medium, such as "/media/backup/tallypan"',
            ),
        ]
        | None
    ) = None
    backup_every_min: Annotated[float, Field(ge=1.0, le=10080.0, description="write minutes, such as 15")] = (
        15.0
    )
    keep_samples_months: Annotated[float, Field(ge=1.0, description="write months, such as 24")] | None = None


@dataclass(frozen=True)
class ServeRules:
    """[serve]: how the pages are reached. host: the address to listen on, 0.0.0.0 for every one that the machine has.
    port: one that needs no special right. certificate, key: files in PEM. names: by which browsers call the station.
    proxy: a reverse proxy on this machine takes TLS off before the station."""

    host: Annotated[
        str,
        Field(
            pattern=r"^[0-9A-Za-z.:-]+$",
            description='write an address of this machine, such as "127.0.0.1", or "0.0.0.0" for all of them',
        ),
    ] = "127.0.0.1"
    port: Annotated[int, Field(ge=1024, le=65535, description="write a port, such as 8765")] = 8765
    certificate: str | None = None
    key: str | None = None
    names: tuple[Name, ...] = ()
    proxy: bool = False


@dataclass(frozen=True)
class BayConfig:
    """What a bay's file says. pump: None where nothing is known of what it can do. fluids and compartments are by key.

    hose_holds: the fluid that stood in the hose when the bay was set up; empty where nobody knows. zone: whose days
    the shop counts in; this machine's own where the file names none. pan, pan_b, meter: the file's lines, pan_b where
    the bay has a second pan; a certificate goes before them, see ``station.calibrating``.
    """

    name: str
    country: str | None
    language: str
    ledger: Path
    pins: PinMap
    thermometers: Mapping[str, Path]
    settings: Settings
    pan: PanLine
    meter: MeterLine
    air: Air
    pump: PumpLine | None
    fluids: Mapping[str, Fluid]
    compartments: Mapping[str, Compartment]
    technicians: tuple[str, ...]
    hose_holds: str = ""
    zone: tzinfo = field(default_factory=lambda: zone_of(None))
    serial: SerialPlan = field(default_factory=SerialPlan)
    modbus: ModbusPlan = field(default_factory=ModbusPlan)
    source: str = "the bay's file"
    """The file that it was read from, for messages."""
    record: RecordRules = field(default_factory=RecordRules)
    serve: ServeRules = field(default_factory=ServeRules)
    roll_up: RollUpRules | None = None
    notices: NoticeRules | None = None
    converter: ConverterPlan = field(default_factory=ConverterPlan)
    pan_b: PanLine | None = None
    converter_b: ConverterPlan = field(default_factory=ConverterPlan)
    shop: ShopHead = field(default_factory=ShopHead)
    stated: Mapping[str, str] = field(default_factory=dict)
    """Every setting of the file by its full name, as text: what a later start is compared with."""


class BayTable(Table):
    """[bay]."""

    name: Name
    ledger: Annotated[
        str, Field(pattern=_PRINTABLE, description='write where the record is kept, such as "/var/lib/tallypan/ledger.sqlite"')
    ]  # fmt: skip
    country: Literal["us", "imperial"] | None = None
    language: Language = SOURCE
    time_zone: str | None = None
    hose_holds: str = ""
    technicians: tuple[Name, ...] = ()
    formats: (
        Annotated[
            str,
            Field(
                pattern=r"^/[^\x00-\x1f]+$",
                description="write a formats file, such as /etc/tallypan/formats.toml",
            ),
        ]
        | None
    ) = None


class Thermometers(Table):
    """[thermometers]: source → the folder of its 1-Wire sensor."""

    fluid_drained_c: Folder | None = None
    fluid_supply_c: Folder | None = None
    air_c: Folder | None = None


class BayFile(Table):
    """A bay's file."""

    bay: BayTable
    shop: ShopHead = ShopHead()
    record: RecordRules = RecordRules()
    serve: ServeRules = ServeRules()
    roll_up: RollUpRules | None = None
    notices: NoticeRules | None = None
    pins: PinMap = PinMap()
    pan_converter: ConverterPlan = ConverterPlan()
    pan_b_converter: ConverterPlan = ConverterPlan()
    serial: SerialPlan = SerialPlan()
    modbus: ModbusPlan = ModbusPlan()
    thermometers: Thermometers = Thermometers()
    pan: PanLine
    pan_b: PanLine | None = None
    meter: MeterLine
    air: Air = Air()
    pump: PumpLine | None = None
    run: Settings = Settings()
    fluid: Mapping[str, FluidTable] = Field(default_factory=dict)
    compartment: Mapping[str, Listed] = Field(default_factory=dict)


_SOUND: Mapping[str, Mapping[str, Any]] = {
    "bay": {"name": "Bay", "ledger": "/ledger.sqlite"},
    "pan": {"zero_count": 0, "kg_per_count": 5e-6, "u_rel": 0.0, "noise_counts": 25},
    "meter": {"k_factor_per_l": 400.0, "u_rel": 0.0},
}
"""What stands in for a table that a bay's file has to have, while the others are held against each other."""


def _checked(tables: Mapping[str, Any], source: str) -> BayFile:
    """A bay's file as its tables say it. Raises Faults naming everything that is wrong with it."""
    whole, unread = with_formats(tables, source)
    found: list[tuple[Loc, str]] = [((), said) for said in dict.fromkeys(unread.values())]
    spoilt = {*unread}
    try:
        file = read(BayFile, whole, source)
    except Faults as error:
        found += error.found
        places = {str(place[0]) for place, _said in error.found if place}
        if not places:
            raise
        spoilt |= {*places, *(_SOUND.keys() - whole.keys())}
        rest = {name: table for name, table in whole.items() if name not in spoilt}
        file = read(BayFile, {**rest, **{name: _SOUND[name] for name in _SOUND.keys() & spoilt}}, source)
    found += [((), said) for said in config_checks.wrong(file, source, spoilt)]
    if found:
        raise Faults(found, source)
    return file


def config_from_tables(tables: Mapping[str, Any], source: str) -> BayConfig:
    """Check a bay's tables. Raises InputError naming file, table, key and what was expected, of everything that is wrong."""
    file = _checked(tables, source)
    bay = file.bay
    return BayConfig(
        name=bay.name,
        country=bay.country,
        language=bay.language,
        ledger=Path(bay.ledger).expanduser(),
        pins=file.pins,
        thermometers={name: Path(folder) for name, folder in file.thermometers if folder is not None},
        settings=file.run,
        pan=file.pan,
        meter=file.meter,
        air=file.air,
        pump=file.pump,
        fluids=file.fluid,
        compartments={key: Compartment(**vars(one), key=key) for key, one in file.compartment.items()},
        technicians=bay.technicians,
        hose_holds=bay.hose_holds,
        zone=zone_of(bay.time_zone),
        serial=file.serial,
        modbus=file.modbus,
        source=source,
        record=file.record,
        serve=file.serve,
        roll_up=file.roll_up,
        notices=file.notices,
        converter=file.pan_converter,
        pan_b=file.pan_b,
        converter_b=file.pan_b_converter,
        shop=file.shop,
        stated=_stated(tables),
    )


def _stated(tables: Mapping[str, Any], prefix: str = "") -> dict[str, str]:
    found: dict[str, str] = {}
    for name, value in tables.items():
        if isinstance(value, Mapping):
            found |= _stated(value, f"{prefix}{name}.")
        else:
            found[f"{prefix}{name}"] = value if isinstance(value, str) else json.dumps(value, default=str)
    return found


def read_config(path: Path) -> BayConfig:
    """Read a bay's configuration. Raises InputError."""
    return config_from_tables(read_toml(path), str(path))


def demo_path() -> Path:
    """The invented bus depot's bay, shipped with the station."""
    return Path(str(resources.files("station") / "demo_bay.toml"))
