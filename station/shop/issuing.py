"""Changing the lists of a shop at the roll-up, from where its bays take them over: what a bay's own set-up does to its own catalogue."""

from collections.abc import Mapping, Sequence

from station.common import days
from station.common.words import _
from station.record.many import lists
from station.record.many.ingest import Db
from station.shop import catalogue, entering
from station.shop.catalogue import Catalogue, Change


def present(db: Db, shop: str) -> Catalogue:
    """The lists as every change so far has left them."""
    issued = (one.told() for one in lists.issued(db, [shop]))
    return catalogue.fold({"utc": one["utc"], "body": one} for one in issued)


def enter(db: Db, shop: str, table: str, texts: Mapping[str, str], who: str) -> bool:
    """Add or change an entry; whether that changed anything. Raises InputError."""
    lists.hold(db, shop)
    change = entering.enter(present(db, shop), table, texts, today=_today(db, shop))
    if change is not None:
        _issue(db, shop, who, "page", [change])
    return change is not None


def retire(db: Db, shop: str, table: str, key: Sequence[str], who: str, origin: str) -> Change:
    """Take an entry out of use. Raises InputError if it is not listed."""
    lists.hold(db, shop)
    change = entering.retire(present(db, shop), table, key)
    _issue(db, shop, who, origin, [change])
    return change


def import_file(
    db: Db, shop: str, table: str, data: bytes, name: str, who: str, apply: bool
) -> entering.Import:
    """Import a CSV file whole, or say what it would change. Raises InputError where any row is rejected and it is to be applied."""
    lists.hold(db, shop)
    plan = entering.dry_run(present(db, shop), table, data, today=_today(db, shop))
    if apply:
        _issue(db, shop, who, name or _("a file"), entering.accept(plan))
    return plan


def _today(db: Db, shop: str) -> str:
    return f"{days.today(days.zone_of(lists.zone_name(db, shop)))}"


def _issue(db: Db, shop: str, who: str, origin: str, changes: Sequence[Change]) -> None:
    if changes:
        lists.add(db, shop, who, origin, [one.to_dict() for one in changes])
