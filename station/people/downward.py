"""The people of the shop, as they come down from its roll-up, into a bay's own file: whose word stands where both said
something. Pure.

The shop's word stands, whoever was later, but for one whom the bay took out: they stay out there until the bay enters them
again, since whoever is let in by mistake cannot be undone. What was said otherwise goes into the record with both words.
Names, roles and hashes of secrets come; a code by which a secret may be chosen never does.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any

from pydantic import Field

from station.common.schema import Table, read
from station.common.words import _
from station.errors import InputError
from station.people.people import Kept, Person, Role, clean_name
from station.people.secrets import is_kept

ORIGIN = "roll-up"
MOST = 1000
SHOP, BAY = "shop", "bay"


class _PersonTable(Table):
    name: Annotated[str, Field(max_length=80)]
    role: Role
    secret: str | None = None
    version: int


class _ToldTable(Table):
    version: int
    people: Annotated[tuple[_PersonTable, ...], Field(max_length=MOST)]


@dataclass(frozen=True)
class OfShop:
    """What a bay last heard of its shop's people. version: of all of them; 0 before the first. entries: name → version of the
    entry, also of one whom the bay took out since."""

    version: int = 0
    entries: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Differed:
    """Where bay and shop said different things. stands: whose word is in force."""

    name: str
    what: str
    bay: str
    shop: str
    stands: str


@dataclass(frozen=True)
class Met:
    """The bay's people from now on, what it has heard by then, and where both had said something."""

    people: Mapping[str, Kept]
    heard: OfShop
    differed: tuple[Differed, ...]


def of_shop(everybody: Iterable[Kept], shop: str, version: int) -> dict[str, Any]:
    """What a shop's bays are told: those who are bound to it. Whoever sees more than a shop is told to no bay, so that a
    stolen card holds no secret that opens the whole company."""
    bound = [kept for kept in everybody if shop in kept.person.shops]
    rows = [
        {
            "name": kept.person.name,
            "role": kept.person.role.value,
            "secret": kept.secret,
            "version": kept.version,
        }
        for kept in bound
    ]
    return {"version": version, "people": rows}


def told(tables: Mapping[str, Any]) -> tuple[int, tuple[Kept, ...]]:
    """What a roll-up says of the shop's people: its version, and everybody. Raises InputError where it is none."""
    found = read(_ToldTable, dict(tables), _("the roll-up's people"))
    people = tuple(
        Kept(Person(clean_name(one.name), one.role), one.secret, version=one.version) for one in found.people
    )
    if len({kept.person.name.casefold() for kept in people}) < len(people):
        raise InputError(_("The roll-up names somebody twice among the shop's people. Update the roll-up."))
    if not all(kept.secret is None or is_kept(kept.secret) for kept in people):
        raise InputError(
            _("The roll-up sent a secret that is kept in another way than here. Update the station.")
        )
    return found.version, people


def meet(here: Mapping[str, Kept], heard: OfShop, version: int, theirs: Iterable[Kept]) -> Met:
    """Bring the shop's people among a bay's own."""
    people, differed = dict(here), []
    said = {kept.person.name: kept for kept in theirs}
    for name in heard.entries.keys() - said.keys():
        gone = people.pop(name, None)
        if gone is not None and gone.version != heard.entries[name]:
            differed.append(Differed(name, "role", gone.person.role.value, "", SHOP))
    for name, kept in said.items():
        if heard.entries.get(name) == kept.version:
            continue  # nothing new; what the bay said of them since stands
        before = next((known for known in people if known.casefold() == name.casefold()), None)
        if before is None and name in heard.entries:
            differed.append(Differed(name, "role", "", kept.person.role.value, BAY))
            continue
        own = None if before is None else people.pop(before)
        people[name] = kept if own is None else replace(kept, unlocked=own.unlocked)
        if own is not None and heard.entries.get(name) != own.version:
            differed += _words(name, own, kept)
    entries = {name: kept.version for name, kept in said.items()}
    return Met(people, OfShop(version, entries), tuple(differed))


def _words(name: str, own: Kept, kept: Kept) -> Iterable[Differed]:
    if own.person.role is not kept.person.role:
        yield Differed(name, "role", own.person.role.value, kept.person.role.value, SHOP)
    if own.secret != kept.secret:
        words = ["none" if one.secret is None else "chosen" for one in (own, kept)]
        yield Differed(name, "secret", words[0], words[1], SHOP)
