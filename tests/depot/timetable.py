"""Two years of an invented depot, laid out in days before today: who was served when, by whom, and what went wrong.

Ten community buses cross a causeway that the tide covers, so that axle and gearbox are changed four times a year and the transfer case
twice. Nothing here is a figure of a job: those come out of the engine.
"""

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

BUSES = ("Bus 2", "Bus 4", "Bus 5", "Bus 7", "Bus 9", "Bus 11", "Bus 12", "Bus 14", "Bus 16", "Bus 18")
QUARTER, APART = 91, 9
"""Days from a bus's visit to its next, and from one bus to the next: the last of the last quarter is here today."""
BEGIN = -730
CAMPAIGNS = (-699, -517, -335, -153)
"""Days on which the transfer cases' turn begins: two a day, the hose purged before and after."""
CREW = ("M. Okafor", "J. Lindqvist", "S. Adebayo-Reyes")
LATE_SHIFT, LATE_SINCE = "T. Brightwell", -100
"""Came late in the second year, and works the late shift alone."""

DRIFTS_FROM, DRIFT_REL = -270, -0.026
"""The meter's gears wear: from that day on it counts less and less of what passes, and today by so much."""
MIXED_UP, MIXED_SINCE = ("Bus 16", "gearbox"), -200
"""Another gearbox came in, and whoever read its plate listed it in imperial pints."""
LEAKS = ("Bus 9", "rear axle")
LEAKED_L = {-227: 0.64, -136: 0.71, -45: 0.78}
"""What was gone on arrival, of the leaking axle's last three visits."""
LEAK_L_H = {-136: 0.035, -45: 0.06}
SHORT = {-72: ("Bus 4", 0.34), -36: ("Bus 11", 0.42), -18: ("Bus 14", 0.31)}
"""Day → whose gearbox was let go too early, and by how much, litres."""
SKIPPED = (("Bus 5", -63, "gearbox"),)
"""The bus was wanted back: this change was put off, and is overdue."""
GIVEN_UP = {-591: "the bus is wanted back, the cover stays on", -291: "wrong gasket delivered"}
"""Jobs that were opened and given up: Bus and part as on that day's visit."""
THEFT_L = {-148: 1.1, -127: 1.4, -99: 0.9, -85: 1.6, -57: 1.2, -36: 1.5, -22: 1.0, -8: 1.3}
"""From the keg of transmission fluid, on the evening of that day."""
GEAR, ATF = "Tank G", "Keg T"


@dataclass(frozen=True)
class Service:
    """One job. day, at_s: when it is opened, by the depot's clock. arrives_l: what is missing on arrival, beside what
    every bus seeps. early_l: let go so much before the target. leak_l_h: once the plug is in."""

    day: int
    at_s: int
    vehicle: str
    part: str
    technician: str
    lip_proof: bool = True
    missing_l: float = 0.0
    early_l: float = 0.0
    leak_l_h: float = 0.0
    knocked: bool = False
    given_up: str = ""
    closed_with: str = ""


@dataclass(frozen=True)
class Entry:
    """Something entered in the books. volume_l: of a count what is really there is read at the time."""

    day: int
    at_s: int
    kind: str
    container: str
    volume_l: float = 0.0
    note: str = ""
    by: str = ""


@dataclass(frozen=True)
class Listing:
    """An entry of the catalogue."""

    day: int
    at_s: int
    table: str
    texts: dict[str, str]


@dataclass(frozen=True)
class Calibration:
    """kind: pan or meter."""

    day: int
    at_s: int
    kind: str
    by: str


Deed = Service | Entry | Listing | Calibration


def k_rel(day: int) -> float:
    """How far the meter's true K-factor is from the one that was first proved, as a share."""
    return 0.0004 + DRIFT_REL * max(0.0, (day - DRIFTS_FROM) / -DRIFTS_FROM)


def season_c(day: int, mean_c: float, swing_c: float) -> float:
    """A temperature of the shop: warmest half a year and half a month ago."""
    return mean_c + swing_c * math.cos(2.0 * math.pi * (day + 195) / 365.25)


def distance_km(vehicle: str, day: int) -> float:
    """What a bus has run."""
    n = BUSES.index(vehicle)
    return round(41_000.0 + 7_350.0 * n + (96.0 + 3.1 * n) * (day - BEGIN))


def services() -> Iterator[Service]:
    dice = random.Random("the depot's two years")
    for day in range(BEGIN, 1):
        for quarter in range(8):
            for n, vehicle in enumerate(BUSES):
                if day == -718 + QUARTER * quarter + APART * n:
                    yield from _visit(day, vehicle, dice)
        for begins in CAMPAIGNS:
            if 0 <= day - begins < 5:
                for k in (0, 1):
                    vehicle = BUSES[2 * (day - begins) + k]
                    yield Service(day, (13 + 2 * k) * 3600 + 120 * dice.randrange(12), vehicle, "transfer case", dice.choice(CREW), dice.random() < 0.7)  # fmt: skip


def _visit(day: int, vehicle: str, dice: random.Random) -> Iterator[Service]:
    """A bus comes in: rear axle, then gearbox."""
    late = day >= LATE_SINCE and dice.random() < 0.3
    begin_s = 6 * 3600 + 1800 + 60 * dice.randrange(40)
    technician = dice.choice(CREW)
    axle = Service(
        day, begin_s, vehicle, "rear axle", technician, dice.random() < 0.8, knocked=dice.random() < 0.12
    )
    gearbox = replace(
        axle,
        at_s=begin_s + 5400 + 60 * dice.randrange(20),
        part="gearbox",
        knocked=False,
        lip_proof=dice.random() < 0.8,
    )
    if day in GIVEN_UP:
        gearbox = replace(gearbox, given_up=GIVEN_UP[day])
    if late:
        gearbox = replace(gearbox, at_s=15 * 3600 + 60 * dice.randrange(50), technician=LATE_SHIFT)
    if day in SHORT and SHORT[day][0] == vehicle:
        gearbox = replace(gearbox, at_s=16 * 3600 + 60 * dice.randrange(30), technician=LATE_SHIFT, lip_proof=False, early_l=SHORT[day][1], closed_with="end of shift")  # fmt: skip
    if (vehicle, "rear axle") == LEAKS and day in LEAKED_L:
        axle = replace(axle, missing_l=LEAKED_L[day], leak_l_h=LEAK_L_H.get(day, 0.0), closed_with="seal on order" if day in LEAK_L_H else "")  # fmt: skip
    for service in (axle, gearbox):
        if (vehicle, day, service.part) not in SKIPPED:
            yield service


def entries() -> Iterator[Entry]:
    dice = random.Random("the depot's books")
    for day in range(BEGIN, 1):
        if day == BEGIN:
            yield Entry(day, 19_800, "received", GEAR, 150.0, "opening stock", "E. Brandvold")
            yield Entry(day, 19_860, "received", ATF, 40.0, "opening stock", "E. Brandvold")
        if (day - BEGIN) % 28 == 0 or day == 0:
            yield Entry(day, 20_000, "counted", GEAR, by="E. Brandvold", note="dipstick")
        if (day - BEGIN) % 14 == 0 or day == 0:
            yield Entry(day, 20_060, "counted", ATF, by="E. Brandvold", note="on the scale")
        if day in THEFT_L:
            yield Entry(day, 79200, "gone", ATF, THEFT_L[day])
        if (day - BEGIN) % 97 == 60:
            yield Entry(day, 36000, "received", GEAR, 55.0, "delivery", "E. Brandvold")
        if (day - BEGIN) % 182 == 20:
            yield Entry(day, 36300, "received", ATF, 20.0, "delivery", "E. Brandvold")
        if (day - BEGIN) % 61 == 33:
            yield Entry(
                day,
                50400,
                "waste",
                GEAR,
                0.1 * dice.randrange(1, 5),
                "spilled at the pump",
                dice.choice(CREW),
            )
        if (day - BEGIN) % 120 == 90:
            yield Entry(day, 43200, "collected", GEAR, 60.0 + dice.randrange(20), "by the waste carrier", "E. Brandvold")  # fmt: skip


def listings() -> Iterator[Listing]:
    at = iter(range(18_000, 19_800, 20))
    for vehicle in BUSES:
        yield Listing(
            BEGIN,
            next(at),
            "vehicle",
            {"vehicle": vehicle, "distance": f"{distance_km(vehicle, BEGIN):.0f} km"},
        )
        for part, texts in COMPARTMENTS.items():
            yield Listing(BEGIN, next(at), "compartment", {"vehicle": vehicle, "compartment": part, **texts})
    yield Listing(
        BEGIN,
        next(at),
        "container",
        {"container": GEAR, "fluid": "gear_75w90", "size": "250 L", "kind": "tank"},
    )
    yield Listing(
        BEGIN, next(at), "container", {"container": ATF, "fluid": "atf", "size": "60 L", "kind": "keg"}
    )
    yield Listing(
        BEGIN, next(at), "price", {"fluid": "gear_75w90", "amount": "7.80", "per": "1 L", "currency": "EUR"}
    )
    yield Listing(
        BEGIN, next(at), "price", {"fluid": "atf", "amount": "6.90", "per": "1 L", "currency": "EUR"}
    )
    yield Listing(
        -301, 20_200, "price", {"fluid": "gear_75w90", "amount": "8.40", "per": "1 L", "currency": "EUR"}
    )
    vehicle, part = MIXED_UP
    wrong = {**COMPARTMENTS[part], "capacity": "6.2 imperial pint", "type": "gearbox H29"}
    yield Listing(MIXED_SINCE, 20_200, "compartment", {"vehicle": vehicle, "compartment": part, **wrong})
    yield Listing(LATE_SINCE, 20_200, "technician", {"technician": LATE_SHIFT, "note": "late shift"})


COMPARTMENTS = {
    "rear axle": {
        "capacity": "2.9 L", "grade": "75W-90", "method": "cover removed", "type": "rear axle R29",
        "plug": "fill plug behind the fuel tank", "interval_months": "3", "interval_distance": "12000 km",
    },
    "transfer case": {
        "capacity": "1.9 US quart", "grade": "ATF", "method": "drain plug", "type": "transfer case T18",
        "plug": "fill plug on the rear face", "interval_months": "6",
    },
    "gearbox": {
        "capacity": "6.2 US pint", "grade": "75W-90", "method": "suction", "type": "gearbox G29",
        "plug": "fill plug, left side", "interval_months": "3", "interval_distance": "12000 km",
    },
}  # fmt: skip


def calibrations() -> Iterator[Calibration]:
    for day, kind in ((-729, "pan"), (-728, "meter"), (-366, "pan"), (-357, "meter"), (-40, "pan")):
        yield Calibration(day, 30_600, kind, "J. Lindqvist")


def timetable() -> list[Deed]:
    """All of it, in the order in which it happened."""
    deeds: list[Deed] = [*listings(), *entries(), *calibrations(), *services()]
    return sorted(deeds, key=lambda deed: (deed.day, deed.at_s))
