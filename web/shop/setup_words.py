"""What the tables of set-up and their fields are called, and which fields hold a number or one of a few words."""

from typing import NamedTuple

from station.common.words import N_


class Titles(NamedTuple):
    """What a table is called, and what is done with one of its entries."""

    all: str
    find: str
    new: str
    known: str
    back: str
    from_file: str


TITLES = {
    "vehicle": Titles(
        N_("Vehicles"), N_("Find a vehicle"), N_("A new vehicle"), N_("Change this vehicle"), N_("Restore this vehicle"), N_("Vehicles from a file"),
    ),
    "compartment": Titles(
        N_("Compartments"), N_("Find a compartment"), N_("A new compartment"), N_("Change this compartment"), N_("Restore this compartment"), N_("Compartments from a file"),
    ),
    "fluid": Titles(
        N_("Fluids"), N_("Find a fluid"), N_("A new fluid"), N_("Change this fluid"), N_("Restore this fluid"), N_("Fluids from a file"),
    ),
    "container": Titles(
        N_("Containers"), N_("Find a container"), N_("A new container"), N_("Change this container"), N_("Restore this container"), N_("Containers from a file"),
    ),
    "technician": Titles(
        N_("Technicians"), N_("Find a technician"), N_("A new technician"), N_("Change this technician"), N_("Restore this technician"), N_("Technicians from a file"),
    ),
    "price": Titles(
        N_("Prices"), N_("Find a price"), N_("A new price"), N_("Put this price right"), N_("Restore this price"), N_("Prices from a file"),
    ),
    "shop": Titles(
        N_("Sheet's head"), N_("Find a head of the sheet"), N_("A new head of the sheet"), N_("Change this head of the sheet"), N_("Restore this head of the sheet"), N_("Sheet's head from a file"),
    ),
}  # fmt: skip


class Named(NamedTuple):
    """A field in words. more: what the form adds to its label. hint: an example."""

    label: str
    more: str = ""
    hint: str = ""


FIELDS = {
    "vehicle": Named(N_("vehicle")),
    "compartment": Named(N_("compartment")),
    "fluid": Named(N_("fluid")),
    "container": Named(N_("container")),
    "technician": Named(N_("technician")),
    "name": Named(N_("name")),
    "kind": Named(N_("kind")),
    "note": Named(N_("note")),
    "retired": Named(N_("retired")),
    "capacity": Named(N_("listed capacity"), N_("with unit"), "2.9 L"),
    "source": Named(N_("where that was read"), "", N_("service manual, 4-12")),
    "method": Named(N_("emptied by")),
    "grade": Named(N_("grade"), "", "75W-90"),
    "type": Named(N_("type"), N_("to learn across vehicles"), N_("midibus rear axle")),
    "plug": Named(N_("where it is filled"), "", N_("fill plug, left side")),
    "torque": Named(N_("torque"), N_("with unit"), "42 N·m"),
    "height_note": Named(N_("level at the fill plug"), "", N_("10 mm below its edge")),
    "interval_distance": Named(N_("service every, distance"), N_("with unit"), "60 000 km"),
    "interval_months": Named(N_("service every, months"), "", "24"),
    "break_in": Named(N_("unit was new: break-in service")),
    "new_at": Named(N_("vehicle's distance when the unit was new"), N_("with unit"), "0 km"),
    "distance": Named(N_("distance driven"), N_("with unit"), "123 456 km"),
    "shop": Named(N_("whose"), "", N_("this shop")),
    "address": Named(N_("address"), N_("in one line"), N_("street and number, place")),
    "contact": Named(N_("how to reach you"), "", N_("telephone number")),
    "size": Named(N_("size"), N_("with unit"), "60 L"),
    "amount": Named(N_("price"), "", "9.50"),
    "since": Named(N_("holds from"), N_("today, if left empty"), "2026-03-01"),
    "per": Named(N_("for how much"), N_("with unit"), "1 L"),
    "currency": Named(N_("currency"), "", "EUR"),
    "kv40_mm2_s": Named(N_("viscosity at 40 °C in mm²/s"), "", "115"),
    "kv100_mm2_s": Named(N_("viscosity at 100 °C in mm²/s"), "", "15.2"),
    "density_origin": Named(
        N_("where the density is from"), N_("measured, data sheet, grade or unknown"), N_("data sheet")
    ),
    "u_density_kg_m3": Named(N_("standard uncertainty of the density in kg/m³"), "", "0.9"),
    "density_15_kg_m3": Named(N_("density at 15 °C in kg/m³"), "", "871"),
    "density_kg_m3": Named(N_("density in kg/m³"), N_("of a linear one"), "1045"),
    "at_c": Named(N_("at °C"), N_("of a linear one"), "20"),
    "expansion_per_c": Named(N_("expansion per °C"), N_("of a linear one"), "0.0007"),
}
AMOUNTS = frozenset(
    "capacity torque interval_distance interval_months new_at distance size amount per kv40_mm2_s kv100_mm2_s "
    "u_density_kg_m3 density_15_kg_m3 density_kg_m3 at_c expansion_per_c".split()
)
"""Fields that hold a number: typed and shown as the shop writes it, kept with a point."""
KINDS = (N_("lubricant"), N_("linear"), N_("water"))
SPOKEN = ("method", "kind", "break_in", "density_origin")
"""Fields that hold one of a few words."""


def named(name: str) -> Named:
    return FIELDS.get(name, Named(name.replace("_", " ")))
