"""What is said of a bay that moves, from a page or a terminal: a moment of the former shop's clock, and what follows from the move."""

from station.common.days import now, zone_of
from station.learning import teaching
from station.record.many import moving
from station.record.many.ingest import Db, named
from station.record.many.stays import Name
from station.shop.movement import happened


def moment(db: Db, text: str, shop: str, time_zone: str = "") -> str:
    """A time of a shop's clock as the record writes times; "" for none. time_zone: of a shop that is not here yet. Raises InputError."""
    if not text.strip():
        return ""
    found = db.execute("select time_zone from shop where shop = %s", [shop]).fetchone()
    return happened(text, zone_of(time_zone if found is None else found[0]), now())


def move(
    db: Db, source: Name, target: Name, who: str, because: str, when: str = "", time_zone: str = ""
) -> int:
    """As ``moving.move``; when: of the former shop's clock. What the bay teaches its former sisters is of the jobs that stayed."""
    moved = moving.move(db, source, target, who, because, moment(db, when, source[0]), time_zone)
    former = named(db, *source)
    if former is not None:
        teaching.draw(db, former[0])
    return moved


def look(db: Db, source: Name, target: Name, when: str = "", time_zone: str = "") -> moving.Looked:
    """As ``moving.look``; when: of the former shop's clock."""
    return moving.look(db, source, target, moment(db, when, source[0]), time_zone)
