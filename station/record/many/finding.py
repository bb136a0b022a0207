"""Jobs over many bays, newest first, and those among them that are looked for.

A word means what it means at a bay: it stands in the name of a vehicle, a compartment or a technician, or begins a job's
number; in quotes it is the whole of one. Names are few beside jobs: they say which shops can have what is looked for, and only the jobs of these are looked
through, the newest first, so many at a time. Whoever asks is told how far that went, and goes on from there.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Any, Final

from station.common.words import _
from station.errors import InputError
from station.record.finding import Word, words_of
from station.record.many.ingest import Db
from station.record.many.queries import IN, JOB, OF_COMPANY, JobLine, Scope, ask

VERDICTS: Final = ("", "full", "short", "over", "undecided", "abandoned")
LOOKED: Final = 20_000
"""Jobs that are looked through at a time."""
WORDS_MOST: Final = 20
NUMBERS_MOST: Final = 200
"""A word that begins more jobs' numbers than this, as the present year does, says nothing of shops."""
_BEHIND = "(opened_utc, shop, bay, seq) < (%(utc)s, %(at_shop)s, %(at_bay)s, %(seq)s)"
_NEWEST = "order by opened_utc desc, shop desc, bay desc, seq desc"
_KEY = ("month", "shop", "bay", "seq")
_LOOKED_IN = f"""(%(one_shop)s and shop = (%(shops)s::text[])[1] or not %(one_shop)s and {OF_COMPANY})
    and month >= %(since)s and month < %(until)s"""
_LOOKED_AT = (*_KEY, "vehicle", "compartment", "technician", "job_id", "stage", "verdict")
"""What is looked through of a job. An index has all of it, in the order of the list, of a company as of a shop: a job of its own
takes a page of the table."""
STATEMENTS: Final = {
    "jobs": f"select {JOB} from job where {IN} and {_BEHIND} {_NEWEST} limit %(most)s",
    "shops of words": f"""
        select distinct n, shop from named, unnest(%(words)s::text[], %(whole)s::bool[]) with ordinality as w (word, whole, n)
        where {OF_COMPANY} and case when w.whole then folded = w.word else position(w.word in folded) > 0 end""",
    "shops of numbers": f"""
        select w.n, j.shop from unnest(%(words)s::text[], %(beyond)s::text[]) with ordinality as w (word, beyond, n), lateral (
            select shop from job where {IN} and job_id ~>=~ w.word and job_id ~<=~ w.beyond limit %(most)s) as j""",
}  # fmt: skip


def found_by(words: Sequence[Word]) -> str:
    """The statement that finds jobs by words, each ``word_1``, ``word_2`` …; behind them stands the last one that was
    looked through, where so many were. It goes row by row in the order of its index, and ends once it has enough. ``place`` orders
    what it found."""
    fits, numbered = [], []
    for n, word in enumerate(words, 1):
        fits.append(f"folded = %(word_{n})s" if word.whole else f"position(%(word_{n})s in folded) > 0")
        numbered.append(f"job_id = %(word_{n})s" if word.whole else f"starts_with(job_id, %(word_{n})s)")
    named = ", ".join(
        [
            "known as materialized (select distinct name, folded from named where "
            f"{OF_COMPANY} and ({' or '.join(fits)}))",
            *(f"named_{n} as (select name from known where {one})" for n, one in enumerate(fits, 1)),
        ]
    )
    has = " and ".join(
        f"({' or '.join(f'{of} in (select name from named_{n})' for of in ('vehicle', 'compartment', 'technician'))} "
        f"or {number})"
        for n, number in enumerate(numbered, 1)
    )
    verdict = "%(verdict)s in ('', case when stage = 'closed' then verdict else stage end)"
    parts = [
        *([named] if words else []),
        f"looked as (select {', '.join(_LOOKED_AT)} from job where {_LOOKED_IN} and {_BEHIND} {_NEWEST} limit %(looked)s)",
        f"judged as (select {', '.join(_KEY)}, {' and '.join(filter(None, (verdict, has)))} as fits, "
        "row_number() over () as place from looked)",
        "wanted as materialized (select * from judged where fits or place = %(looked)s limit %(most)s)",
    ]
    return (
        f"with {', '.join(parts)} select {', '.join(f'j.{name}' for name in JobLine.__dataclass_fields__)}, w.fits, w.place "
        f"from wanted w cross join lateral (select * from job where {IN} and {' and '.join(f'{k} = w.{k}' for k in _KEY)}) j"
    )


@dataclass(frozen=True)
class _Looked(JobLine):
    fits: bool
    place: int


@dataclass(frozen=True)
class After:
    """A job that a list goes on behind."""

    utc: str = "9999"
    shop: str = ""
    bay: str = ""
    seq: int = 0

    def values(self) -> dict[str, object]:
        return {"utc": self.utc, "at_shop": self.shop, "at_bay": self.bay, "seq": self.seq}


@dataclass(frozen=True)
class Found:
    """Jobs that were looked for. edge: up to which job all were looked through, where there are more behind it."""

    jobs: Sequence[JobLine]
    edge: After | None


def jobs(db: Db, scope: Scope, most: int, after: After | None = None) -> list[JobLine]:
    """Jobs, newest first."""
    return ask(db, STATEMENTS["jobs"], JobLine, **scope.values(), **(after or After()).values(), most=most)


def look(
    db: Db,
    scope: Scope,
    most: int,
    after: After | None = None,
    words: str = "",
    verdict: str = "",
    looked: int = LOOKED,
) -> Found:
    """Jobs that have each of the words and the verdict, newest first; "" for any. verdict: "abandoned" of a job that was given up.
    Raises InputError for too many words and for another verdict."""
    if verdict not in VERDICTS:
        text = _("verdict is {verdict!r}; expected one of: {lists}.")
        raise InputError(text.format(verdict=verdict, lists=", ".join(VERDICTS[1:])))
    of = words_of(words)
    if not of and not verdict:
        return Found(jobs(db, scope, most, after), None)
    if len(of) > WORDS_MOST:
        raise InputError(
            _("these are {n} words; expected at most {most}.").format(n=len(of), most=WORDS_MOST)
        )
    shops = _shops(db, scope, of)
    if not shops:
        return Found([], None)
    of_these = replace(scope, shops=tuple(shops))
    values = {**of_these.values(), **(after or After()).values(), "looked": looked}
    values |= {"verdict": verdict, "most": most, **{f"word_{n}": word.text for n, word in enumerate(of, 1)}}
    rows = sorted(ask(db, found_by(of), _Looked, **values), key=attrgetter("place"))
    last = rows[-1] if rows and rows[-1].place == looked else None
    edge = None if last is None else After(last.opened_utc, last.shop, last.bay, last.seq)
    names = JobLine.__dataclass_fields__
    return Found([JobLine(**{name: getattr(row, name) for name in names}) for row in rows if row.fits], edge)


def look_through(
    db: Db, scope: Scope, most: int, after: After | None = None, words: str = "", verdict: str = ""
) -> list[JobLine]:
    """The same of all jobs, for a file."""
    found: list[JobLine] = []
    while True:
        part = look(db, scope, most - len(found), after, words, verdict)
        found += part.jobs
        if part.edge is None:
            return found
        after = part.edge


def _shops(db: Db, scope: Scope, words: Sequence[Word]) -> list[str]:
    """Shops that can have a job with all of these words."""
    if not words:
        return list(scope.shops)
    if any("\0" in word.text for word in words):  # PostgreSQL's text has no such character, and so no name
        return []
    if len(scope.shops) == 1:
        return list(scope.shops)
    can = set(scope.shops)
    named: dict[int, set[str]] = {}
    texts, whole = [word.text for word in words], [word.whole for word in words]
    for n, shop in _rows(db, "shops of words", {**scope.values(), "words": texts, "whole": whole}):
        named.setdefault(n, set()).add(shop)
    spans = {"words": texts, "beyond": [word.last for word in words], "most": NUMBERS_MOST}
    begun: dict[int, list[str]] = {}
    for n, shop in _rows(db, "shops of numbers", {**scope.values(), **spans}):
        begun.setdefault(n, []).append(shop)
    for n in range(1, len(words) + 1):
        if len(begun.get(n, ())) < NUMBERS_MOST:
            can &= named.get(n, set()).union(begun.get(n, ()))
    return sorted(can)


def _rows(db: Db, name: str, values: Mapping[str, object]) -> list[tuple[Any, ...]]:
    return db.execute(STATEMENTS[name].encode(), values, prepare=False).fetchall()
