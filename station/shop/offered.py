"""Between the catalogue and a bay's file: what an empty catalogue begins with, and what the bay then offers."""

from dataclasses import replace

from calibration.fluid import Fluid
from station.common.schema import recorded
from station.given.config import BayConfig, Compartment
from station.given.shop_head import ShopHead
from station.shop.catalogue import Catalogue, Change, Entry, given
from station.shop.rows import FluidRow

THIS_SHOP = ("this shop",)
_OF_BOTH = ("capacity", "grade", "method", "plug", "type")
"""What both a bay's file and the catalogue say of a compartment."""


def from_config(config: BayConfig) -> list[Change]:
    """The changes that bring a bay file's compartments, fluids and technicians into an empty catalogue."""
    changes = [
        Change("fluid", (key,), "add", {n: str(v) for n, v in table.items()})
        for key, table in ((key, fluid.to_table()) for key, fluid in config.fluids.items())
        if set(table) <= set(FluidRow.names())
    ]
    for vehicle in dict.fromkeys(c.vehicle for c in config.compartments.values()):
        changes.append(Change("vehicle", (vehicle,), "add", {}))
    for c in config.compartments.values():
        fields = {name: getattr(c, name) for name in _OF_BOTH}
        changes.append(Change("compartment", (c.vehicle, c.compartment), "add", fields))
    changes += [Change("technician", (name,), "add", {}) for name in config.technicians]
    if config.shop.name:
        changes.append(Change("shop", THIS_SHOP, "add", given(vars(config.shop))))
    return changes


def merged(config: BayConfig, catalogue: Catalogue) -> BayConfig:
    """The configuration with the catalogue's entries in place of its own; what is retired is not offered."""
    keys = {(c.vehicle, c.compartment): c.key for c in config.compartments.values()}
    retired = {key for key, entry in catalogue.entries["compartment"].items() if entry.retired}
    compartments = {
        c.key: c for c in config.compartments.values() if (c.vehicle, c.compartment) not in retired
    }
    for entry in catalogue.active("compartment"):
        vehicle = catalogue.get("vehicle", entry.key[0])
        if vehicle is not None and vehicle.retired:
            compartments.pop(keys.get((entry.key[0], entry.key[1]), ""), None)
            continue
        key = keys.get((entry.key[0], entry.key[1]), " / ".join(entry.key))
        texts = {name: entry.get(name) for name in _OF_BOTH}
        compartments[key] = Compartment(*entry.key, **texts, key=key)
    fluids = {k: t for k, t in config.fluids.items() if not _retired(catalogue, "fluid", k)}
    fluids |= {e.key[0]: _fluid(e) for e in catalogue.active("fluid")}
    names = [n for n in config.technicians if not _retired(catalogue, "technician", n)]
    names += [e.key[0] for e in catalogue.active("technician") if e.key[0] not in names]
    entered = catalogue.get("shop", *THIS_SHOP)
    shop = config.shop
    if entered is not None and not entered.retired:
        shop = ShopHead(entered.get("name"), entered.get("address"), entered.get("contact"))
    return replace(config, compartments=compartments, fluids=fluids, technicians=tuple(names), shop=shop)


def _fluid(entry: Entry) -> Fluid:
    """What came in from a bay's file may lack name and grade."""
    return recorded(FluidRow, {"name": "", "grade": "", **given(entry.fields)}).whole()


def _retired(catalogue: Catalogue, table: str, key: str) -> bool:
    entry = catalogue.get(table, key)
    return entry is not None and entry.retired
