"""The lists of a shop in the roll-up: every change of them with its version, and how far each bay is. What they mean is the
catalogue's to say (``station.shop.lists``)."""

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any

from psycopg.rows import class_row
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from station.errors import InputError
from station.record.many.accept import log
from station.record.many.ingest import Db

ISSUES_MOST = 5
"""So many at a time go to a bay; it asks for the rest."""
CHANGES_MOST = 200
"""Of entries in one version: a bay's event of it holds each of them up to three times, and must fit into a batch."""


@dataclass(frozen=True)
class Issued:
    """A change of a shop's lists. changes: as the catalogue's events have them, as text. series: of the version."""

    shop: str
    version: int
    utc: str
    who: str
    origin: str
    changes: str
    series: str = ""

    def told(self) -> dict[str, Any]:
        """As a bay gets it."""
        changes = json.loads(self.changes)
        return {
            "version": self.version,
            "series": self.series,
            "utc": self.utc,
            "by": self.who,
            "changes": changes,
        }


@dataclass(frozen=True)
class BayAt:
    """A bay's own event that brought an issue into its catalogue. differed: where it had said something else. series: of the
    version; "" in an older record."""

    shop: str
    bay: str
    utc: str
    version: int
    differed: Sequence[Mapping[str, Any]]
    series: str = ""


def hold(db: Db, shop: str) -> str:
    """Let nobody else change a shop's lists until the transaction ends; its company. Raises InputError for no shop."""
    found = db.execute("select company from shop where shop = %s for update", [shop]).fetchone()
    if found is None:
        raise InputError(f"there is no shop {shop!r}. Enter its first bay with tallypan roll-up enter.")
    return str(found[0])


def zone_name(db: Db, shop: str) -> str:
    """Whose days a shop's are; "" of no shop."""
    return str((db.execute("select time_zone from shop where shop = %s", [shop]).fetchone() or ("",))[0])


def add(db: Db, shop: str, who: str, origin: str, changes: Sequence[Mapping[str, Any]]) -> int:
    """Put changes into a shop's lists, very many of them as several versions; the newest. Raises InputError for no shop."""
    with db.transaction():
        company = hold(db, shop)
        version = max(newest(db, shop), heard(db, shop, "catalogue"))
        utc = datetime.now(UTC).isoformat(timespec="milliseconds")
        for first in range(0, len(changes), CHANGES_MOST):
            some, version = changes[first : first + CHANGES_MOST], version + 1
            db.execute(
                "insert into issue values (%s, %s, %s, %s, %s, %s, %s)",
                [company, shop, version, utc, who, origin, json.dumps(some, ensure_ascii=False)],
            )
            told = {"shop": shop, "version": version, "origin": origin, "changes": some}
            log(db, utc, who, "lists", told)
    return version


def newest(db: Db, shop: str) -> int:
    """The newest version of a shop's lists; 0 before the first."""
    return int(
        (db.execute("select max(version) from issue where shop = %s", [shop]).fetchone() or (0,))[0] or 0
    )


def heard(db: Db, shop: str, kind: str) -> int:
    """The highest version that a bay of the shop has in an entry of this kind: a roll-up that was put back to an older copy must not
    give a version out again."""
    (found,) = db.execute(_HEARD, {"shop": shop, "kind": kind}).fetchone() or (0,)
    return int(found)


_HEARD = """
    select coalesce(max(substring(e.body from '"version": ([0-9]{1,15})')::bigint), 0)
    from bay b join shop s on s.shop = b.shop cross join lateral (
        select body from event where shop = b.shop and bay = b.bay and kind = %(kind)s and body like '%%"version": %%'
            and (position('"series": "' || s.series || '"' in body) > 0 or position('"series": ' in body) = 0)
        order by seq desc limit 1) as e where b.shop = %(shop)s"""


def issued(db: Db, shops: Sequence[str], after: int = 0, most: int | None = None) -> list[Issued]:
    """Changes of shops' lists behind a version, oldest first."""
    with db.cursor(row_factory=class_row(Issued)) as cursor:
        return cursor.execute(
            "select shop, version, utc, who, origin, changes, series from issue join shop using (shop) where shop = any(%s) "
            "and version > %s order by shop, version limit %s",
            [list(shops), after, most],
        ).fetchall()


def bays_at(db: Db, shops: Sequence[str]) -> list[BayAt]:
    """What bays made of the shops' lists, the newest first."""
    rows = db.execute(
        "select shop, bay, utc, body from event where shop = any(%s) and kind = 'catalogue' "
        "and body like '%%\"version\"%%' order by utc desc",
        [list(shops)],
    ).fetchall()
    found = []
    for shop, bay, utc, body in rows:
        with suppress(ValidationError):  # one bay's record keeps nobody from the page of all
            met = _Met.model_validate_json(body)
            differed = [one.model_dump() for one in met.differed]
            found.append(BayAt(shop, bay, utc, met.version, differed, met.series))
    return found


class _Words(BaseModel):
    """As ``station.shop.lists.Differed`` writes them."""

    model_config = ConfigDict(strict=True)
    table: str
    key: list[str]
    field: str
    bay: str
    shop: str
    stands: str
    why: str = ""


class _Met(BaseModel):
    model_config = ConfigDict(strict=True)
    version: Annotated[int, Field(ge=0, lt=1 << 62)]
    differed: list[_Words]
    series: str = ""
