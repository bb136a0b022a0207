"""What was changed of the people, for the list of changes: drawn from two states of the file, so that no way of changing passes
it by. Names and roles; never a secret, nor its hash.
"""

import secrets
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from station.common.words import N_
from station.people.downward import BAY, ORIGIN, SHOP, Met
from station.people.people import Kept


@dataclass(frozen=True)
class Change:
    """id: drawn, so that none is listed twice. by: who did it. stands: whose word is in force, "shop" or "bay", where both
    had said something; "" elsewhere."""

    id: str
    at_utc: str
    by: str
    name: str
    what: str
    old: str
    new: str
    stands: str = ""


def differed(met: Met, before: Mapping[str, Kept]) -> Iterator[Change]:
    """What the shop's people change at a bay. Where it is the shop's word that stands, the change has both words; where it
    is the bay's, nothing changes, and the shop's word is the new one of a change that says so."""
    both = {(one.name, one.what) for one in met.differed}
    for change in changes(before, met.people, ORIGIN):
        yield replace(change, stands=SHOP if (change.name, change.what) in both else "")
    for one in met.differed:
        if one.stands == BAY:
            yield _change(ORIGIN, one.name, one.what, one.bay, one.shop, BAY)


def _change(by: str, name: str, what: str, old: str, new: str, stands: str = "") -> Change:
    at_utc = datetime.now(UTC).isoformat(timespec="milliseconds")
    return Change(secrets.token_hex(8), at_utc, by, name, what, old, new, stands)


def changes(before: Mapping[str, Kept], after: Mapping[str, Kept], by: str) -> Iterator[Change]:
    """What differs between two states of the file. by: "" where nobody is signed in; who chose a secret then is whoever it
    is of."""
    for name in sorted({*before, *after}):
        old, new = before.get(name), after.get(name)
        itself = new is not None and new.secret is not None
        for what, was, now in _differences(old, new):
            who = by or (name if itself else "")
            yield _change(who, name, what, was, now)


def _differences(old: Kept | None, new: Kept | None) -> Iterator[tuple[str, str, str]]:
    if old == new:
        return
    roles = ["" if kept is None else kept.person.role.value for kept in (old, new)]
    if roles[0] != roles[1]:
        yield N_("role"), roles[0], roles[1]
    shops = ["" if kept is None else ", ".join(kept.person.shops) for kept in (old, new)]
    if shops[0] != shops[1]:
        yield N_("shops"), shops[0], shops[1]
    if old is None or new is None:
        return
    if old.secret != new.secret:
        yield (
            N_("secret"),
            "none" if old.secret is None else "chosen",
            "none" if new.secret is None else "chosen",
        )
    if new.code is not None and old.code != new.code:
        yield N_("code for a new secret"), "", "given"
    if old.unlocked != new.unlocked:
        yield N_("tries"), "", "given back"
    if replace(old, version=new.version) == new:
        yield N_("sessions"), "", "ended"
