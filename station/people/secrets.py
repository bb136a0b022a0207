"""PINs and passphrases: what is taken as one, and how it is kept so that the file does not give it away.

Argon2id with 19 MiB, two passes and one lane, the least that the OWASP Password Storage Cheat Sheet names (second
hand: several libraries' documentation quotes it). A PIN's hash can still be tried out within hours by whoever has the
file, so the file is the service's alone to read, and a backup of it is to be kept like a key.
"""

import functools
import secrets
import threading
import unicodedata
from itertools import pairwise

from argon2 import PasswordHasher, Type, extract_parameters
from argon2.exceptions import InvalidHashError, VerificationError

from station.common.words import _
from station.errors import InputError
from station.people.people import Person

MEMORY_KIB, PASSES, LANES = 19 * 1024, 2, 1
PIN_LEAST = 6
"""A deliberate departure from OWASP ASVS 5.0, 6.2.1 (eight characters or more): a technician signs in with a glove on,
at a bay that stands in the shop. Five tries in a quarter of an hour make a million PINs last for years, and a
technician's role reaches neither calibration, people nor money."""
PASSPHRASE_LEAST = 10
LONGEST = 128
CODE_LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Without letters and digits that are taken for one another."""
CODE_LENGTH = 12

_hasher = PasswordHasher(PASSES, MEMORY_KIB, LANES, type=Type.ID)
_one_at_a_time = threading.Lock()
"""Each hash takes 19 MiB and a core: however many sign in at once, the pump's loop keeps its machine."""


def check(person: Person, secret: str) -> None:
    """Whether a secret is good enough to be that person's. Raises InputError saying what is expected."""
    if len(secret) > LONGEST:
        raise InputError(
            _("That is longer than {most} characters. Choose a shorter one.").format(most=LONGEST)
        )
    if person.by_pin:
        if not (secret.isascii() and secret.isdecimal() and len(secret) >= PIN_LEAST):
            raise InputError(
                _("A PIN has {least} digits or more, and nothing but digits.").format(least=PIN_LEAST)
            )
        if _is_plain(secret):
            raise InputError(_("That PIN is among the first that anybody tries. Choose another."))
        return
    if len(secret) < PASSPHRASE_LEAST:
        raise InputError(
            _("A passphrase has {least} characters or more; several words are good.").format(
                least=PASSPHRASE_LEAST
            )
        )
    if len(set(secret.casefold())) < 4 or person.name.casefold() == secret.casefold():
        raise InputError(_("That passphrase is among the first that anybody tries. Choose another."))


def _is_plain(pin: str) -> bool:
    """One or two digits over and over, or a run up or down."""
    steps = {(int(b) - int(a)) % 10 for a, b in pairwise(pin)}
    return len(set(pin)) <= 2 or steps in ({1}, {9})


def hashed(secret: str) -> str:
    """What is kept of a secret. Takes tens of milliseconds, on a Pi more: never on the engine's thread."""
    with _one_at_a_time:
        return _hasher.hash(_same_everywhere(secret))


def matches(kept: str, secret: str) -> bool:
    """Whether a secret is the one of which that was kept. As slow as ``hashed``."""
    if len(secret) > LONGEST:
        return False
    with _one_at_a_time:
        try:
            return _hasher.verify(kept, _same_everywhere(secret))
        except (VerificationError, InvalidHashError):
            return False


def is_kept(text: str) -> bool:
    """Whether that is a hash as ``hashed`` makes them: trying another could take any time and memory."""
    try:
        cost = extract_parameters(text)
    except InvalidHashError:
        return False
    return cost.type is Type.ID and (cost.time_cost, cost.memory_cost, cost.parallelism) == (
        _hasher.time_cost,
        _hasher.memory_cost,
        _hasher.parallelism,
    )


@functools.cache
def nobodys() -> str:
    """What is kept of a secret that nobody has: trying it takes as long as trying somebody's."""
    return hashed(secrets.token_urlsafe(32))


def _same_everywhere(secret: str) -> str:
    """Keyboards write an accented letter in two ways."""
    return unicodedata.normalize("NFKC", secret)


def new_code() -> str:
    """A code to be used once, by which somebody chooses a secret: 58 bits, in groups of four to be read out."""
    letters = [secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH)]
    return "-".join("".join(letters[n : n + 4]) for n in range(0, CODE_LENGTH, 4))


def code_as_typed(text: str) -> str:
    """A code however it was typed: small letters, spaces and no dashes are as good."""
    letters = [c for c in text.upper() if c.isascii() and c.isalnum()]
    return "-".join("".join(letters[n : n + 4]) for n in range(0, len(letters), 4))
