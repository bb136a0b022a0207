"""Which jobs a list shows: by words, names, outcome and days; and where they stand in the record, newest first.

The cost does not grow with the record. The newest rows are walked through one by one: whatever is frequent fills a page from
them. What is rare there is then looked for by its index.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, timedelta, tzinfo

from station.common import days
from station.errors import InputError
from station.record.rows import OUTCOMES, JobRow
from station.record.sqlite import Database

WALKED = 20_000
"""So many rows are walked through, some 20 ms, before an index is asked."""
_BEHIND_ALL = "\U0010ffff"


@dataclass(frozen=True)
class Word:
    """Of what somebody looks for, without its case. whole: it stood in quotes, and is a whole name or number."""

    text: str
    whole: bool = False

    @property
    def last(self) -> str:
        """The numbers of jobs that it means go from its text to here."""
        return self.text if self.whole else f"{self.text}{_BEHIND_ALL}"

    def names(self, name: str) -> bool:
        folded = name.casefold()
        return self.text == folded if self.whole else self.text in folded


def words_of(text: str) -> list[Word]:
    """Each word once: ``"Bus 1" gearbox`` are two, and the first one does not mean Bus 11."""
    found = re.findall(r'"([^"]+)"|(\S+)', text.casefold())
    return list(dict.fromkeys(Word(whole or part, bool(whole)) for whole, part in found))


@dataclass(frozen=True)
class Wanted:
    """words: each stands in the vehicle's, the compartment's or the technician's name, or begins the job's number; in quotes it is
    the whole of one. outcome: of
    ``station.record.rows.OUTCOMES``. since, until: moments of the record, the second not included. None: any."""

    words: str = ""
    vehicle: str | None = None
    technician: str | None = None
    container: str | None = None
    outcome: str | None = None
    since: str | None = None
    until: str | None = None

    def fits(self, row: JobRow) -> bool:
        """Whether a job that has no row in the table yet is wanted."""
        names = [text or "" for text in (row.vehicle, row.compartment, row.technician)]
        found = all(
            any(word.names(name) for name in names) or word.text <= row.job_id <= word.last
            for word in words_of(self.words)
        )
        same = all(
            wanted in (None, has)
            for wanted, has in (
                (self.vehicle, row.vehicle),
                (self.technician, row.technician),
                (self.container, row.container),
                (self.outcome, row.outcome),
            )
        )
        return found and same and (self.since or "") <= row.opened_utc < (self.until or "9999")

    def condition(self, db: Database) -> tuple[str, list[object]]:
        """As SQL over the table of jobs, and its values; without the period."""
        terms: list[str] = []
        values: list[object] = []
        for column in ("vehicle", "technician", "container"):
            if (name := getattr(self, column)) is not None:
                terms.append(f"{column} = ?")
                values.append(name)
        if self.outcome is not None:
            term, more = OUTCOMES[self.outcome]
            terms.append(term)
            values += more
        for term, more in _of_words(db, words_of(self.words)):
            terms.append(term)
            values += more
        return " and ".join(terms) or "1", values


EVERY = Wanted()


def wanted(
    words: str = "",
    vehicle: str = "",
    technician: str = "",
    container: str = "",
    outcome: str = "",
    first_day: str = "",
    last_day: str = "",
    zone: tzinfo = UTC,
) -> Wanted:
    """What a person asked for; "" for any. first_day, last_day: ISO dates of the zone, both included. Raises InputError."""
    if outcome and outcome not in OUTCOMES:
        raise InputError(f"outcome is {outcome!r}; expected one of: {', '.join(OUTCOMES)}.")
    since, until = between(first_day, last_day, zone)
    return Wanted(
        words, vehicle or None, technician or None, container or None, outcome or None, since, until
    )


def between(first_day: str, last_day: str, zone: tzinfo) -> tuple[str | None, str | None]:
    """The moments at which the first day begins and the last one is over; None where none is given. Raises InputError."""
    first, last = _day("from", first_day), _day("to", last_day)
    if first is not None and last is not None and last < first:
        raise InputError(f"the days run from {first} to {last}; expected the later one last.")
    since = None if first is None else days.begins(first, zone)
    return since, None if last is None else days.begins(last + timedelta(days=1), zone)


def _day(what: str, text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise InputError(f"{what} is {text!r}; expected a date such as 2026-03-31.") from None


def rows(db: Database, asked: Wanted, limit: int, before: int | None = None) -> list[int]:
    """The rowids of jobs that are wanted, newest first. before: a rowid, to go on behind it.

    By their rows' order, which is that of the chain: a wall clock that was put back puts no job behind another.
    """
    first, last = _bounds(db, asked)
    if before is not None:
        last = min(last, before - 1)
    term, values = asked.condition(db)
    if asked.since is not None:
        term, values = f"{term} and +opened_utc >= ?", [*values, asked.since]
    if asked.until is not None:
        term, values = f"{term} and +opened_utc < ?", [*values, asked.until]
    near = max(first, last - WALKED + 1)
    walk = f"select rowid from job not indexed where rowid between ? and ? and {term} order by rowid desc limit ?"
    found = [row[0] for row in db.execute(walk, [near, last, *values, limit])]
    if len(found) < limit and near > first:
        # A unary plus keeps the rows' own order out of it: what is left is rare, and an index has it.
        look = f"select rowid from job where +rowid between ? and ? and {term} order by +rowid desc limit ?"
        found += [row[0] for row in db.execute(look, [first, near - 1, *values, limit - len(found)])]
    return found


def _bounds(db: Database, asked: Wanted) -> tuple[int, int]:
    """The first and the last row that the period can hold; the index of times alone is read."""
    if asked.since is None and asked.until is None:
        low, high = db.execute("select 1, coalesce(max(rowid), 0) from job").fetchone()
    else:
        low, high = db.execute(
            "select coalesce(min(rowid), 1), coalesce(max(rowid), 0) from job where opened_utc >= ? and opened_utc < ?",
            [asked.since or "", asked.until or "9999"],
        ).fetchone()
    return int(low), int(high)


def distinct(db: Database, column: str, where: str = "1", values: tuple[object, ...] = ()) -> Iterator[str]:
    """The names that stand in a column of the table of jobs, each found by one step down its index."""
    last = ""
    sql = f"select min({column}) from job where {where} and {column} > ?"
    while (found := db.execute(sql, [*values, last]).fetchone()[0]) is not None:
        last = str(found)
        yield last


def _of_words(db: Database, words: list[Word]) -> Iterator[tuple[str, list[object]]]:
    """Each word as names that hold it: names are few, and the table has an index of them."""
    if not words:
        return
    technicians = list(distinct(db, "technician"))
    parts = {
        vehicle: list(distinct(db, "compartment", "vehicle = ?", (vehicle,)))
        for vehicle in distinct(db, "vehicle")
    }
    for word in words:
        vehicles = [vehicle for vehicle in parts if word.names(vehicle)]
        pairs = [(v, c) for v, known in parts.items() for c in known if word.names(c)]
        people = [name for name in technicians if word.names(name)]
        terms: list[str] = ["job_id between ? and ?"]
        values: list[object] = [word.text, word.last]
        for column, names in (("vehicle", vehicles), ("technician", people)):
            if names:
                terms.append(f"{column} in ({','.join('?' * len(names))})")
                values += names
        if pairs:
            terms.append(f"(vehicle, compartment) in (values {','.join(['(?,?)'] * len(pairs))})")
            values += [name for pair in pairs for name in pair]
        yield f"({' or '.join(terms)})", values
