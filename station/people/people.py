"""Who works here: names, and what each may do by role."""

import secrets
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from station.common.words import N_, _
from station.errors import InputError

NAME_MOST = 80


class Role(StrEnum):
    """What somebody is to the shop. ``web.frame.roles`` says which of them may do what."""

    TECHNICIAN = "technician"
    MANAGER = "manager"
    QUALITY_LEAD = N_("quality lead")
    OWNER = "owner"


@dataclass(frozen=True)
class Person:
    """name: as it goes into the record. shops: at a roll-up over many, those that somebody is bound to; empty for whoever is
    of the whole company. At a bay it is empty."""

    name: str
    role: Role
    shops: tuple[str, ...] = ()

    @property
    def by_pin(self) -> bool:
        """Whether the secret is a PIN, for a gloved finger, and not a passphrase."""
        return self.role is Role.TECHNICIAN

    def sees(self, shop: str) -> bool:
        return not self.shops or shop in self.shops

    def may_look_after(self, other: "Person") -> bool:
        """Whether the other one is of this one's shops and of no more."""
        return not self.shops or (bool(other.shops) and set(other.shops) <= set(self.shops))


DEMO_PEOPLE = (
    Person("M. Okafor", Role.TECHNICIAN),
    Person("J. Lindqvist", Role.TECHNICIAN),
    Person("S. Adebayo-Reyes", Role.TECHNICIAN),
    Person("R. Halloran-Mbeki", Role.MANAGER),
    Person("T. Vasquez-Ito", Role.QUALITY_LEAD),
    Person("E. Brandvold", Role.OWNER),
)
"""The people of the demo's bus depot, all invented. A simulated bay offers them; a real bay knows nobody at first."""


def clean_name(text: str) -> str:
    """A name with its spaces put in order. Raises InputError where it is none."""
    name = " ".join(text.split())
    if not name or len(name) > NAME_MOST or not name.isprintable():
        raise InputError(
            _("The name is {text!r}; write one of 1 to {most} characters.").format(
                text=text[:NAME_MOST], most=NAME_MOST
            )
        )
    return name


def role_of(text: str) -> Role:
    """Raises InputError for what is no role."""
    try:
        return Role(text)
    except ValueError:
        raise InputError(
            _("The role is {text!r}; expected one of: {roles}.").format(text=text[:40], roles=", ".join(Role))
        ) from None


def new_version() -> int:
    """One that no entry had before."""
    return secrets.randbits(53)


@dataclass(frozen=True)
class Kept:
    """One person's entry. secret: its hash, None before one was chosen. code: the hash of a code by which one may be
    chosen, until ``code_until``. version: another one with every change that ends the sessions begun before it; drawn, so
    that whoever is taken out and entered again has none of the old. unlocked: how often tries were given back by hand."""

    person: Person
    secret: str | None = None
    code: str | None = None
    code_until: str = ""
    version: int = field(default_factory=new_version)
    unlocked: int = 0

    def code_is_good(self, now: datetime) -> bool:
        return self.code is not None and now.isoformat() < self.code_until
