"""What the tables of many bays have of an entry: the row of a closed job, a movement, a certificate, and the sums. Pure.

A job's row is the one that its bay wrote beside the result; nothing is computed anew here, so both sides list the same.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import date, datetime, timedelta, tzinfo
from typing import Any

from calibration.certificates import Certificate
from station.common import days
from station.record.author import unsigned
from station.record.many.arriving import Entry
from station.record.rows import JobRow

UL = 1_000_000
"""Microlitres in a litre."""
USE = (
    "jobs",
    "drained_ul",
    "metered_ul",
    "filled_ul",
    "overflow_ul",
    "received_ul",
    "drawn_ul",
    "purge_ul",
    "waste_ul",
)
TALLY = ("jobs", "short", "over", "undecided", "measured", "deviation_ppm", "deviation_ppm2")
DIMENSIONS = ("bay", "meter", "technician", "fluid", "compartment type")
MOVED = ("received", "drawn", "purge", "waste")
"""Movements that the sums of use count."""
LARGEST_L = 1e6
"""A thousand cubic metres, which no workshop's tank holds: a larger volume is left out, or one alone could end a sum. Whole
microlitres have room for nine million of them."""
OFF_MOST_PERCENT = 1e6
NAME_BYTES = 500
"""A line of 200 letters with their accents, as the lists take it, fits; an index takes entries of 2.7 kB, of a job four names and
its number."""


@dataclass(frozen=True)
class Job:
    """A job that ended. deviation_percent: filled against expected, of a closed job that has both. proved: whether
    something else than the meter bore it out. proved_fill_l: what it then says of its compartment. proved_by: "level seen" or
    "pan"; both None of a fill that nothing proved."""

    seq: int
    day: date
    row: JobRow
    deviation_percent: float | None
    proved: bool
    proved_fill_l: float | None
    proved_by: str | None


@dataclass(frozen=True)
class Moved:
    """Fluid that moved beside the jobs. utc, day: when it happened, as it states. back: whether it was dated back."""

    seq: int
    day: date
    utc: str
    facts: Mapping[str, Any]
    back: bool


@dataclass(frozen=True)
class Certified:
    seq: int
    certificate: Certificate


@dataclass
class Sums:
    """What a batch adds to the tables of sums, by their keys."""

    use_day: dict[tuple[date, str], list[int]] = field(
        default_factory=lambda: defaultdict(lambda: [0] * len(USE))
    )
    use_month: dict[tuple[date, str], list[int]] = field(
        default_factory=lambda: defaultdict(lambda: [0] * len(USE))
    )
    use_year: dict[tuple[date, str], list[int]] = field(
        default_factory=lambda: defaultdict(lambda: [0] * len(USE))
    )
    tally_month: dict[tuple[date, str, str], list[int]] = field(
        default_factory=lambda: defaultdict(lambda: [0] * len(TALLY))
    )
    tally_year: dict[tuple[date, str, str], list[int]] = field(
        default_factory=lambda: defaultdict(lambda: [0] * len(TALLY))
    )


@dataclass(frozen=True)
class Drawn:
    """What is drawn from a run of entries. unread: number of an entry of which nothing could be drawn, or not all → what, and why.
    named: fluid → what the bay's catalogue calls it, where an entry said so."""

    jobs: tuple[Job, ...]
    moved: tuple[Moved, ...]
    certified: tuple[Certified, ...]
    unread: Mapping[int, str]
    named: Mapping[str, str] = field(default_factory=dict)


def drawn(entries: Iterable[Entry], zone: tzinfo) -> Drawn:
    """zone: whose days the shop counts in."""
    jobs, moved, certified, unread = [], [], [], {}
    named: dict[str, str] = {}
    for entry in entries:
        odd: list[str] = []
        try:
            if "\\u" in entry.body:
                _fits_in_text(entry.body)
            if entry.kind == "result":
                jobs.append(_job(entry, zone, odd))
            elif entry.kind == "movement":
                moved.append(_moved(entry, zone, odd))
            elif entry.kind == "certificate":
                certified.append(Certified(entry.seq, _certificate(entry.body)))
            elif entry.kind == "catalogue":
                named |= _named(_read(entry.body), odd)
        except Exception as error:  # whatever it says, it must not stop what comes behind it
            odd.append(str(error) or type(error).__name__)
        if odd:
            why = "; ".join(odd)[:300].encode(errors="backslashreplace").decode().replace("\0", "")
            unread[entry.seq] = f"{entry.kind}: {why}"
    return Drawn(tuple(jobs), tuple(moved), tuple(certified), unread, named)


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number")


_read = json.JSONDecoder(parse_constant=_no_number).decode
"""Raises ValueError for what is no JSON, as PostgreSQL has it: Python's own reads and writes numbers without end."""


def _fitting(name: str, text: str, odd: list[str]) -> str:
    """As much of a text as an index takes. Raises UnicodeEncodeError for half a character."""
    data = text.encode()
    if len(data) <= NAME_BYTES:
        return text
    odd.append(f"{name} is a text of {len(text)} characters")
    return data[:NAME_BYTES].decode(errors="ignore")


def _fits_in_text(body: str) -> None:
    """Raises ValueError where a body has what PostgreSQL's text has not: a character without a sign, or half of one."""
    if "\\u0000" in body:
        raise ValueError("a character without a sign")
    if "\\ud" in body.lower():
        json.dumps(json.loads(body), ensure_ascii=False).encode()  # raises UnicodeEncodeError


def _named(body: Mapping[str, Any], odd: list[str]) -> dict[str, str]:
    said = [(c["key"][0], c["fields"].get("name")) for c in body["changes"] if c["table"] == "fluid"]
    texts = [(key, name) for key, name in said if isinstance(key, str) and isinstance(name, str)]
    return {_fitting("fluid", key, odd): _fitting("name", name, odd) for key, name in texts}


def _job(entry: Entry, zone: tzinfo, odd: list[str]) -> Job:
    row = _checked(_read(entry.body)["row"], odd)
    filled, expected = row.filled_l, row.expected_fill_l
    off = None
    if row.stage == "closed" and filled is not None and expected is not None and expected > 0:
        off = 100.0 * (filled / expected - 1.0)
        if not abs(off) <= OFF_MOST_PERCENT:
            odd.append(f"a fill of {filled} L against {expected} L")
            off = None
    seen = row.level_seen if row.level_proved is None else row.level_proved
    known = seen == 1 and row.stage == "closed" and filled is not None and row.filled_u95_l is not None
    size_l = (filled if row.proved_fill_l is None else row.proved_fill_l) if known else None
    by = ("level seen" if row.level_seen == 1 else "pan") if known else None
    if row.closed_utc is not None and not 1 < datetime.fromisoformat(row.closed_utc).year < 9999:
        raise ValueError(f"closed_utc is {row.closed_utc}")
    return Job(entry.seq, _day(row.opened_utc, zone), row, off, seen == 1, size_l, by)


_FITS = {
    one.name: {str if "str" in str(one.type) else float}
    | ({int} if "str" not in str(one.type) else set())
    | ({type(None)} if "None" in str(one.type) else set())
    for one in fields(JobRow)
}
"""What a bay's own row may have under each name; in JSON there are no other types, and a bool is none of these."""


def _checked(told: Mapping[str, Any], odd: list[str]) -> JobRow:
    """A bay's own row without the volumes that are none. Raises ValueError naming what is of another type."""
    row = JobRow.of(told)
    values = vars(row)
    other: dict[str, Any] = {}
    for name, fits in _FITS.items():
        value = values[name]
        if type(value) not in fits:
            raise ValueError(f"{name} is {value!r}")
        if type(value) is str:
            if len(value) * 4 > NAME_BYTES:
                other[name] = _fitting(name, value, odd)
        elif value is not None and name.endswith("_l") and not abs(value) <= LARGEST_L:
            odd.append(f"{name} is {value}")
            other[name] = None
    return replace(row, **other) if other else row


def _moved(entry: Entry, zone: tzinfo, odd: list[str]) -> Moved:
    facts = unsigned(_read(entry.body))
    volume_l, u95_l = float(facts["volume_l"]), float(facts["u95_l"])
    if not (abs(volume_l) <= LARGEST_L and abs(u95_l) <= LARGEST_L):
        raise ValueError(f"a volume of {volume_l} L ± {u95_l} L")
    texts = {name: facts.get(name) for name in ("container", "vehicle", "technician")}
    if not all(text is None or isinstance(text, str) for text in texts.values()):
        raise ValueError("a name that is no text")
    told = {name: None if text is None else _fitting(name, text, odd) for name, text in texts.items()}
    told |= {name: _fitting(name, str(facts[name]), odd) for name in ("kind", "fluid")}
    utc = facts.get("utc") or entry.utc
    known = {**told, "note": str(facts["note"]), "volume_l": volume_l, "u95_l": u95_l}
    return Moved(entry.seq, _day(utc, zone), utc, known, utc != entry.utc)


def _certificate(body: str) -> Certificate:
    found = Certificate.from_json(_read(body)["certificate"])
    odd: list[str] = []
    for name in ("number", "instrument", "replaces"):
        _fitting(name, getattr(found, name) or "", odd)
    offset = datetime.fromisoformat(found.made_at).utcoffset()
    if offset is None or abs(offset) >= timedelta(hours=16):  # as PostgreSQL has it
        odd.append(f"made_at is {found.made_at}")
    if odd:
        raise ValueError("; ".join(odd))
    return found


def _day(utc: str, zone: tzinfo) -> date:
    return date.fromisoformat(days.day_of(utc, zone))


def month_of(day: date) -> date:
    return day.replace(day=1)


def year_of(day: date) -> date:
    return day.replace(month=1, day=1)


def microlitres(volume_l: float | None) -> int:
    """Halves to even, as PostgreSQL rounds a double."""
    return round((volume_l or 0.0) * UL)


def sums(bay: str, drawn: Drawn) -> Sums:
    """What these rows add to the tables of sums."""
    found = Sums()
    for job in drawn.jobs:
        row = job.row
        volumes = (row.drained_l, row.metered_l, row.filled_l, row.overflow_l)
        adds = [int(row.stage == "closed"), *map(microlitres, volumes), 0, 0, 0, 0]
        _use(found, job.day, row.fluid or "", adds)
        if row.stage == "closed":
            _tally(found, bay, job)
    for moved in drawn.moved:
        if moved.facts["kind"] in MOVED:
            ul = microlitres(moved.facts["volume_l"])
            adds = [0, 0, 0, 0, 0, *(ul if kind == moved.facts["kind"] else 0 for kind in MOVED)]
            _use(found, moved.day, moved.facts["fluid"], adds)
    for (month, fluid), line in found.use_month.items():
        _added(found.use_year[year_of(month), fluid], line)
    for (month, dimension, name), line in found.tally_month.items():
        _added(found.tally_year[year_of(month), dimension, name], line)
    return found


def _use(found: Sums, day: date, fluid: str, adds: list[int]) -> None:
    for table, key in ((found.use_day, day), (found.use_month, month_of(day))):
        _added(table[key, fluid], adds)


def _tally(found: Sums, bay: str, job: Job) -> None:
    row = job.row
    off = job.deviation_percent if job.proved else None
    ppm = 0 if off is None else round(off * 10_000.0)
    verdicts = [int(row.verdict == word) for word in ("short", "over", "undecided")]
    adds = [1, *verdicts, int(off is not None), ppm, ppm * ppm]
    names = (bay, row.meter, row.technician, row.fluid, row.compartment_type)
    for dimension, name in zip(DIMENSIONS, names, strict=True):
        if name:
            _added(found.tally_month[month_of(job.day), dimension, name], adds)


def _added(line: list[int], adds: list[int]) -> None:
    line[:] = [sum_ + add for sum_, add in zip(line, adds, strict=True)]
