"""Which certificate of each instrument is in force at many bays, what is due, and which bays have none."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from calibration.certificates import KINDS
from station.record.many.ingest import Db
from station.record.many.queries import OF_COMPANY, Scope, ask

_IN_FORCE = f"""{OF_COMPANY} and in_force and kind = any(%(kinds)s) and valid_until <= %(last)s
    and not exists (select from bay b where b.shop = certificate.shop and b.bay = certificate.bay and b.gone_at is not null)"""
NEEDED: Final = ("pan", "meter")
"""What each bay has, and so has certified; a second pan need not be there."""
STATEMENTS: Final = {
    "certificates": f"""select shop, bay, kind, instrument, number, made_at, valid_until from certificate where {_IN_FORCE}
        order by valid_until, shop, bay, kind, instrument limit %(most)s""",
    "certificates counted": f"select count(*) from certificate where {_IN_FORCE}",
    "bays without": """select b.shop, b.bay, k.kind, count(*) over () as bays from bay b, unnest(%(kinds)s::text[]) as k (kind)
        where b.company = %(company)s and b.shop = any(%(shops)s) and b.gone_at is null and not exists (
            select from certificate c where c.shop = b.shop and c.bay = b.bay and c.kind = k.kind and c.in_force)
        order by b.shop, b.bay, k.kind desc limit %(most)s""",
}  # fmt: skip


@dataclass(frozen=True)
class Certified:
    """An instrument's certificate that is in force: its newest that no other replaces."""

    shop: str
    bay: str
    kind: str
    instrument: str
    number: str
    made_at: str
    valid_until: date


@dataclass(frozen=True)
class Without:
    """A bay that has no certificate in force of a kind. bays: so many there are of these, with the one for each kind."""

    shop: str
    bay: str
    kind: str
    bays: int


def certificates(
    db: Db, scope: Scope, kinds: Sequence[str] = KINDS, last: date = date.max, most: int | None = None
) -> list[Certified]:
    """Certificates in force, the soonest to end on top. last: those that end by this day. most: of very many the first; None for
    all."""
    values = {**scope.values(), "kinds": list(kinds), "last": last, "most": most}
    return ask(db, STATEMENTS["certificates"], Certified, **values)


def counted(db: Db, scope: Scope, kinds: Sequence[str] = KINDS, last: date = date.max) -> int:
    """How many of them there are."""
    values = {**scope.values(), "kinds": list(kinds), "last": last}
    (n,) = db.execute(STATEMENTS["certificates counted"].encode(), values, prepare=False).fetchone() or (0,)
    return int(n)


def without(db: Db, scope: Scope, most: int) -> list[Without]:
    """Bays that need a certificate and have none, the first of them."""
    return ask(db, STATEMENTS["bays without"], Without, **scope.values(), kinds=list(NEEDED), most=most)
