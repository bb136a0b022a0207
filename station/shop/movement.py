"""Fluid that moves beside the jobs: what a person enters of it, and the entry that it becomes.

An entry may be dated back: it is put into the record now, and says when it happened beside. What stood in a container at some
time is then read in the order in which things happened (``station.shop.stock``).
"""

import math
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import islice
from typing import Any

from station.common.days import zone_name
from station.common.digits import litres, number
from station.common.tabular import holds
from station.common.units import parse_volume_l
from station.common.words import N_, _
from station.errors import InputError
from station.record.finding import between
from station.record.ledger import Ledger
from station.shop.catalogue import Catalogue

EVENT = "movement"
KINDS = ("received", "drawn", "purge", "waste", "counted", "collected")
"""received: into a container. drawn: out by hand, no job and no reason given. purge: through the hose, into no
compartment. waste: spilled or thrown away. counted: a container's content at a stock take. collected: used fluid
taken away for disposal."""
SHIFTED = "shifted"
"""A job is charged to the container that it began with. What it took from another is put right by two of these, one
plus and one minus: nobody enters them."""
OUT = ("drawn", "purge", "waste")
"""Movements that take fluid out of a container."""
MAX_MOVEMENT_L = 20_000.0
BRIM = 1.1
"""A container takes so much of the size on its plate when it is full to the brim (common practice, no source)."""
EARLIEST = "2000-01-01"
AHEAD = timedelta(minutes=2)
"""Two clocks may differ by so much."""


@dataclass(frozen=True)
class Movement:
    """Fluid that moved beside the jobs, as it is entered. volume_l: litres moved, or for ``counted`` what stands in the
    container.

    kind: of ``KINDS``. u95_l: the volume's expanded uncertainty. utc: when it happened; None for now. Raises InputError naming
    what is wrong.
    """

    kind: str
    fluid: str
    volume_l: float
    u95_l: float = 0.0
    container: str | None = None
    vehicle: str | None = None
    technician: str | None = None
    note: str = ""
    utc: str | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError(
                _("kind is {kind!r}; expected one of: {kinds}.").format(
                    kind=self.kind, kinds=", ".join(KINDS)
                )
            )
        for name, value in (("volume_l", self.volume_l), ("u95_l", self.u95_l)):
            if not (math.isfinite(value) and 0.0 <= value <= MAX_MOVEMENT_L):
                raise InputError(
                    _("{name} is {value}; expected 0 to {most_l} L.").format(
                        name=name, value=value, most_l=number(MAX_MOVEMENT_L, "g")
                    )
                )
        if not self.fluid:
            raise InputError(_("fluid is empty; name the fluid that moved."))
        if self.kind in (N_("received"), N_("counted")) and not self.container:
            raise InputError(
                _("container is empty; a fluid that is {kind} stands in one.").format(kind=_(self.kind))
            )
        if len(self.note) > 1000:
            raise InputError(_("note; expected a text of at most 1000 characters."))

    def to_dict(self) -> dict[str, Any]:
        """The body of its event in the ledger. One that is dated back carries when it happened."""
        body = {one.name: getattr(self, one.name) for one in fields(self)}
        return {name: value for name, value in body.items() if name != "utc" or value is not None}


def shifted(fluid: str, volume_l: float, container: str, note: str) -> dict[str, Any]:
    """The body of a correction between containers: volume_l out of this one, negative for what it did not give."""
    drawn = Movement("drawn", fluid, abs(volume_l), container=container, note=note)
    return drawn.to_dict() | {"kind": SHIFTED, "volume_l": volume_l}


@dataclass(frozen=True)
class Typed:
    """An entry as it was typed. volume, u95: with unit. when: "2026-03-31 14:30" of the shop's clock, "" for now. fluid: may be
    left out where a container says it."""

    kind: str
    volume: str
    u95: str = ""
    fluid: str = ""
    container: str = ""
    vehicle: str = ""
    technician: str = ""
    note: str = ""
    when: str = ""


def typed(
    entry: Typed, catalogue: Catalogue, country: str | None, zone: tzinfo, now: datetime, signed_in: str = ""
) -> Movement:
    """The movement that an entry says. signed_in: whose name stands for a technician that nobody typed.

    Raises InputError naming the field, what was typed and what is expected.
    """
    technician = entry.technician.strip() or signed_in
    if not technician:
        raise InputError(_("technician is empty; name whoever did this."))
    held = catalogue.get("container", entry.container) if entry.container else None
    holds = "" if held is None else held.get("fluid")
    fluid = entry.fluid or holds
    if holds and fluid != holds and entry.kind in ("received", "counted", *OUT):
        raise InputError(
            _(
                "{container} holds {holds}, the entry says {fluid}. Pick the fluid that is in it, or another container."
            ).format(container=entry.container, holds=holds, fluid=fluid)
        )
    if entry.kind == "counted" and not entry.u95.strip():
        # As exact, it would call every drop that the meter and the dipstick differ by missing.
        raise InputError(
            _(
                "Good to ± is empty; say how good this count is, such as 2 L by dipstick or 0.2 L on a scale. Whether fluid is missing is judged by it."
            )
        )
    volume_l, u95_l = (
        _volume_l("volume", entry.volume, country),
        _volume_l("u95", entry.u95 or "0 L", country),
    )
    if held is not None and entry.kind in ("received", "counted"):
        size_l = parse_volume_l(held.get("size"), country)
        if volume_l - u95_l > BRIM * size_l:
            raise InputError(
                _(
                    "volume is {volume}; {container} holds {size} by the list. Look at the unit, the point and the container picked; where it is larger than listed, change its size in Setup first."
                ).format(volume=entry.volume.strip(), container=entry.container, size=litres(size_l, None))
            )
    return Movement(
        entry.kind,
        fluid,
        volume_l,
        u95_l,
        entry.container or None,
        entry.vehicle or None,
        technician,
        entry.note,
        happened(entry.when, zone, now) if entry.when.strip() else None,
    )


@dataclass(frozen=True)
class Entered:
    """A movement as it stands in a list of entries. seq: the entry's number. utc: when it happened. entered_utc, entered_by:
    when it was put into the record, and who was signed in. kind: of ``KINDS``, or ``SHIFTED``."""

    seq: int
    utc: str
    entered_utc: str
    entered_by: str
    kind: str
    container: str | None
    fluid: str
    vehicle: str | None
    technician: str | None
    volume_l: float
    u95_l: float
    note: str

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


COLUMNS = [one.name for one in fields(Entered)]


@dataclass(frozen=True)
class Asked:
    """Which entries are wanted; "" for any. words: each in the container, fluid, vehicle, technician or note. first_day,
    last_day: ISO dates of the shop, both included, of when it happened."""

    words: str = ""
    kind: str = ""
    container: str = ""
    first_day: str = ""
    last_day: str = ""


def listed(
    ledger: Ledger, asked: Asked, zone: tzinfo, limit: int, before: int | None = None
) -> list[Entered]:
    """Entries, those that happened last first. before: an entry's number, to go on behind it. Raises InputError."""
    if asked.kind not in ("", *KINDS):
        raise InputError(
            _("kind is {kind!r}; expected one of: {kinds}.").format(kind=asked.kind, kinds=", ".join(KINDS))
        )
    since, until = between(asked.first_day, asked.last_day, zone)
    last = (until or "9999", 0)
    if before is not None:
        row = ledger.db.execute("select utc from movement where seq = ?", [before]).fetchone()
        if row is None:
            raise InputError(
                _("before is {before}; expected the number of an entry of the books.").format(before=before)
            )
        last = (row[0], before)
    same = {name: text for name in ("kind", "container") if (text := getattr(asked, name))}
    also = "".join(f" and m.{name} = ?" for name in same)
    rows = ledger.db.query(
        f"""select m.*, e.utc as entered_utc, coalesce(json_extract(e.body, '$.by'), '') as entered_by
            from movement m join event e on e.seq = m.seq
            where m.utc >= ? and (m.utc, m.seq) < (?, ?){also} order by m.utc desc, m.seq desc""",
        [since or "", *last, *same.values()],
    )
    named = ("container", "fluid", "vehicle", "technician", "note")
    wanted = (row for row in rows if holds(asked.words, *(row[name] for name in named)))
    return [Entered(*(row[name] for name in COLUMNS)) for row in islice(wanted, limit)]


def _volume_l(name: str, text: str, country: str | None) -> float:
    try:
        return parse_volume_l(text, country)
    except ValueError as error:
        raise InputError(f"{name}: {error}") from error


def happened(text: str, zone: tzinfo, now: datetime) -> str:
    """A time of the shop's clock as the record writes times. Raises InputError for one that is not clear, or still to come."""
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(
            _("when is {text!r}; expected day and time, such as 2026-03-31 14:30.").format(text=text)
        ) from None
    if len(text.strip()) <= len("2026-03-31"):
        raise InputError(
            _(
                "when is {text!r}; add the time, such as {day} 14:30: jobs of that day came before it or after it."
            ).format(text=text, day=text.strip())
        )
    if when.tzinfo is None:
        when = when.replace(tzinfo=zone)
    if when > now + AHEAD:
        raise InputError(
            _("when is {text!r}, which is still to come in {zone} time; expected a time gone by.").format(
                text=text, zone=zone_name(zone)
            )
        )
    if when.date().isoformat() < EARLIEST:
        raise InputError(
            _("when is {text!r}; expected a time since {earliest}.").format(text=text, earliest=EARLIEST)
        )
    return when.astimezone(UTC).isoformat(timespec="milliseconds")
