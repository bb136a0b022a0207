"""What was changed of the people, for the list of changes: drawn from two states of the file, so that no way of changing passes
it by. Names and roles; never a secret, nor its hash.
"""

import secrets
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from station.people.people import Kept


@dataclass(frozen=True)
class Change:
    """id: drawn, so that none is listed twice. by:
    who did it."""

    id: str
    at_utc: str
    by: str
    name: str
    what: str
    old: str
    new: str


def changes(before: Mapping[str, Kept], after: Mapping[str, Kept], by: str) -> Iterator[Change]:
    """What differs between two states of the file. by: "" where nobody is signed in; who chose a secret then is whoever it
    is of."""
    at_utc = datetime.now(UTC).isoformat(timespec="milliseconds")
    for name in sorted({*before, *after}):
        old, new = before.get(name), after.get(name)
        itself = new is not None and new.secret is not None
        for what, was, now in _differences(old, new):
            who = by or (name if itself else "")
            yield Change(secrets.token_hex(8), at_utc, who, name, what, was, now)


def _differences(old: Kept | None, new: Kept | None) -> Iterator[tuple[str, str, str]]:
    if old == new:
        return
    roles = ["" if kept is None else kept.person.role.value for kept in (old, new)]
    if roles[0] != roles[1]:
        yield "role", roles[0], roles[1]
    if old is None or new is None:
        return
    if old.secret != new.secret:
        yield "secret", "none" if old.secret is None else "chosen", "none" if new.secret is None else "chosen"
    if new.code is not None and old.code != new.code:
        yield "code for a new secret", "", "given"
    if old.unlocked != new.unlocked:
        yield "tries", "", "given back"
    if replace(old, version=new.version) == new:
        yield "sessions", "", "ended"
