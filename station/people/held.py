"""What the file of people holds, and how it stands there as text."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated

from pydantic import Field

from station.common.schema import Table, read
from station.people.changed import Change
from station.people.downward import OfShop
from station.people.people import Kept, Person, Role


class _KeptTable(Table):
    name: str
    role: Role
    shops: tuple[str, ...] = ()
    secret: str | None = None
    code: str | None = None
    code_until: str = ""
    version: int
    unlocked: int = 0


class _ChangeTable(Table):
    id: str
    at_utc: str
    by: str
    name: str
    what: str
    old: str
    new: str
    stands: str = ""


class _OfShopTable(Table):
    version: int
    entries: dict[str, int]


class _PeopleFile(Table):
    device_key: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    people: tuple[_KeptTable, ...] = ()
    untold: tuple[_ChangeTable, ...] = ()
    version: int = 0
    of_shop: _OfShopTable | None = None


@dataclass(frozen=True)
class Held:
    """version: grows by one with each change of anybody, from a number that is drawn at the first. of_shop: what was last heard of the shop's people, at a bay. untold:
    changes that the record has not yet. stamp: of the file that it was read from."""

    stamp: tuple[int, int, int] | None = None
    people: Mapping[str, Kept] = field(default_factory=dict)
    device_key: bytes = b""
    untold: tuple[Change, ...] = ()
    version: int = 0
    of_shop: OfShop = field(default_factory=OfShop)


def of_text(text: str, name: str) -> Held:
    """Raises ValueError where it is none. name: of the file."""
    file = read(_PeopleFile, json.loads(text), name)
    people = {
        one.name: Kept(
            Person(one.name, one.role, one.shops),
            one.secret,
            one.code,
            one.code_until,
            one.version,
            one.unlocked,
        )
        for one in file.people
    }
    untold = tuple(Change(**change.model_dump()) for change in file.untold)
    heard = OfShop() if file.of_shop is None else OfShop(file.of_shop.version, file.of_shop.entries)
    return Held(None, people, bytes.fromhex(file.device_key), untold, file.version, heard)


def to_text(held: Held) -> str:
    rows = [
        {
            "name": kept.person.name,
            "role": kept.person.role.value,
            "shops": list(kept.person.shops),
            **{k: v for k, v in vars(kept).items() if k != "person"},
        }
        for kept in held.people.values()
    ]
    whole = {
        "device_key": held.device_key.hex(),
        "people": rows,
        "untold": [vars(change) for change in held.untold],
        "version": held.version,
        "of_shop": {"version": held.of_shop.version, "entries": dict(held.of_shop.entries)},
    }
    return json.dumps(whole, ensure_ascii=False, indent=1)
