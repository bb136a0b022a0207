"""What goes wrong in a simulated workshop, and when: the events of a rehearsal."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from hardware.simulated.plant import Plant
from station.errors import InputError

AFTER = (
    "pan_placed",
    "drain_open",
    "drip",
    "drain_done",
    "reseal_done",
    "fill_start",
    "fill_done",
    "plug_in",
)
KINDS = ("kick", "tool", "drop", "lay", "take", "shift", "lift", "empty", "swap", "gulp", "flush", "leak")


@dataclass(frozen=True)
class Mishap:
    """One event. after: a mark, or "drip" for the end of bulk flow as the station sees it. at_s: seconds later.

    kg: of what is dropped, laid, taken, poured or differs between two pans. lasts_s: of a tool or a lift.
    rel: off-centre slope of a shifted pan. kg_s: of a flush. l_h: of a leak.
    """

    kind: str
    after: str
    at_s: float
    kg: float = 0.02
    lasts_s: float = 5.0
    rel: float = 0.0005
    kg_s: float = 0.005
    l_h: float = 0.05

    def happen(self, plant: Plant) -> None:
        """Do it to the plant."""
        t_s, disturbed = plant.time_s, plant.disturbed
        if self.kind == "kick":
            disturbed.kick(t_s, self.kg)
        elif self.kind == "tool":
            disturbed.tool(t_s, self.lasts_s, self.kg)
        elif self.kind == "drop":
            disturbed.drop(t_s, self.kg)
        elif self.kind in ("lay", "take"):
            disturbed.lay(t_s, self.kg if self.kind == "lay" else -self.kg)
        elif self.kind == "shift":
            disturbed.shift(t_s, self.rel)
        elif self.kind in ("lift", "empty"):
            plant.lift(self.lasts_s, emptied=self.kind == "empty")
        elif self.kind == "swap":
            plant.lift(self.lasts_s, emptied=True, tare_change_kg=self.kg)
        elif self.kind == "gulp":
            plant.tip_pocket()
        elif self.kind == "flush":
            disturbed.flush(self.kg, self.kg_s)
        elif self.kind == "leak":
            plant.leak_l_h = self.l_h


def mishaps_from_tables(tables: object, source: str) -> tuple[Mishap, ...]:
    """Read a scenario's [[mishap]] tables. Raises InputError naming the key and what was expected."""
    if not isinstance(tables, list):
        raise InputError(f"{source}: mishap is not a list of tables; write [[mishap]].")
    return tuple(_mishap(table, f"{source}: [[mishap]]") for table in tables)


def _mishap(table: Any, where: str) -> Mishap:
    known = [f.name for f in fields(Mishap)]
    if not isinstance(table, Mapping):
        raise InputError(f"{where} is not a table.")
    for key, value in table.items():
        if key not in known:
            raise InputError(f"{where} has unknown key {key!r}; known keys: {', '.join(known)}.")
        if key not in ("kind", "after") and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise InputError(f"{where} {key} = {value!r}; expected a number.")
    for key, words in (("kind", KINDS), ("after", AFTER)):
        if table.get(key) not in words:
            raise InputError(f"{where} {key} = {table.get(key)!r}; expected one of: {', '.join(words)}.")
    if "at_s" not in table:
        raise InputError(f"{where} at_s is missing; expected seconds after {table['after']!r}.")
    return Mishap(**table)
