"""Who works here: names, and what each may do by role."""

from dataclasses import dataclass
from enum import StrEnum

from station.errors import InputError

NAME_MOST = 80


class Role(StrEnum):
    """What somebody is to the shop. ``web.frame.roles`` says which of them may do what."""

    TECHNICIAN = "technician"
    MANAGER = "manager"
    QUALITY_LEAD = "quality lead"
    OWNER = "owner"


@dataclass(frozen=True)
class Person:
    """name: as it goes into the record."""

    name: str
    role: Role

    @property
    def by_pin(self) -> bool:
        """Whether the secret is a PIN, for a gloved finger, and not a passphrase."""
        return self.role is Role.TECHNICIAN


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
        raise InputError(f"The name is {text[:NAME_MOST]!r}; write one of 1 to {NAME_MOST} characters.")
    return name


def role_of(text: str) -> Role:
    """Raises InputError for what is no role."""
    try:
        return Role(text)
    except ValueError:
        raise InputError(f"The role is {text[:40]!r}; expected one of: {', '.join(Role)}.") from None
