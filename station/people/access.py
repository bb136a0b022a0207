"""Signing in and out: what a page asks for, put together from people, secrets, sessions and tries.

Every refusal is an ``InputError`` or a ``Refused`` with a sentence for the page. What takes a hash takes its time, and
belongs in a thread of its own; the rest is instant.
"""

import base64
import hashlib
import hmac
import json
import logging
import math
import secrets
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from station.common.words import N_, _
from station.errors import InputError, StationError
from station.people import secrets as kept_secrets
from station.people.lockout import Lockout
from station.people.people import DEMO_PEOPLE, Kept, Person, Role, clean_name
from station.people.sessions import Session, Sessions
from station.people.store import People

log = logging.getLogger(__name__)

NAMES_OF_A_DEVICE = 12
"""A shop's screen is shared; a cookie holds some four thousand characters."""
TELL_EVERY_S = 1.0
FIRST_OWNER = ""
"""Under which the tries at the code of a first start are counted."""


class Refused(StationError):
    """Not let in. The text is for the page, and tells nothing that a stranger could use."""


@dataclass(frozen=True)
class Tile:
    """Somebody on the sign-in page. asks: "pin", "passphrase", "code", "nothing", "shop" where a secret has to be chosen at the
    roll-up, whose codes never come down, or "help" where only a code from the owner or from the Pi helps."""

    person: Person
    asks: str


@dataclass(frozen=True)
class SignedIn:
    """token: what the browser shows from now on. device: what it shows when somebody signs in on it again."""

    person: Person
    token: str
    device: str = ""


class Access:
    """Who may come in. May be used from any thread.

    people: None on a simulated bay that is reached from this machine alone; there nothing is asked, and one tap says who
    somebody is. clock: monotonic, in seconds.
    """

    def __init__(self, people: People | None, clock: Callable[[], float] = time.monotonic) -> None:
        self.people = people
        self.sessions = Sessions(clock)
        self.lockout = Lockout(clock)
        self._clock = clock
        self._told_s, self._untold = -math.inf, 0
        self.shops: Callable[[], Sequence[str]] | None = None
        """At a roll-up, the shops that somebody may be bound to; None at a bay."""
        self._demo = {person.name: (person, 0) for person in DEMO_PEOPLE}
        self.first_code: str | None = None
        """What sets up the first owner; for the console alone."""
        if people is not None and not people.all():
            self.first_code = kept_secrets.new_code()

    @property
    def open(self) -> bool:
        """Whether everybody may do everything, said who they are or not."""
        return self.people is None

    def tiles(self) -> list[Tile]:
        if self.people is None:
            return [Tile(person, "nothing") for person in DEMO_PEOPLE]
        return [Tile(kept.person, _asks(kept, self.people.is_of_shop(kept))) for kept in self.people.all()]

    @property
    def wants_first_owner(self) -> bool:
        people = (
            () if self.people is None else self.people.all()
        )  # the shop's may have come before the bay has an owner
        return self.first_code is not None and not any(one.person.role is Role.OWNER for one in people)

    def session(self, token: str | None) -> Session | None:
        """Who shows this token; None where that is nobody."""
        return self.sessions.get(token, self._demo.get if self.people is None else self.people.current)

    def may_do_grave(self, session: Session | None) -> bool:
        """Whether the secret was entered lately enough; where none is asked it always was."""
        return self.open or (session is not None and self.sessions.proved(session))

    def is_locked(self, name: str) -> bool:
        """Whether somebody would be turned away on a device that they have not used before."""
        kept = None if self.people is None else self.people.get(name)
        return kept is not None and self.lockout.is_locked(name, kept.unlocked)

    # --- in and out ----------------------------------------------------------------------------------------

    def say(self, name: str, token: str | None) -> SignedIn:
        """Say who somebody is where no secret is asked. Raises InputError for a stranger's name, Refused elsewhere."""
        if not self.open:
            raise Refused(_("This station asks for a PIN or a passphrase."))
        if name not in self._demo:
            raise InputError(
                _("There is nobody by the name of {name!r} at this depot.").format(name=name[:80])
            )
        person, version = self._demo[name]
        return SignedIn(person, self.sessions.begin(person, version, token))

    def sign_in(self, name: str, secret: str, token: str | None, device: str | None) -> SignedIn:
        """Takes a hash. Raises Refused."""
        kept = self._checked(self._as_entered(name), secret, device)
        log.info("%r signed in", kept.person.name)
        return self._begin(kept, token, device)

    def prove(self, session: Session, secret: str, token: str | None, device: str | None) -> SignedIn:
        """Enter the secret again, for what is grave. Takes a hash. Raises Refused."""
        return self.sign_in(session.person.name, secret, token, device)

    def change_secret(
        self, session: Session, secret: str, new: str, token: str | None, device: str | None
    ) -> SignedIn:
        """Takes two hashes. Every other session of that person ends. Raises Refused, and InputError for a bad new one."""
        kept_secrets.check(session.person, new)
        self._checked(session.person.name, secret, device)
        kept = self._people().set_secret(session.person.name, kept_secrets.hashed(new))
        log.info("%r has a new secret", session.person.name)
        return self._begin(kept, token, device)

    def claim(self, name: str, code: str, secret: str, token: str | None, device: str | None) -> SignedIn:
        """Choose a first or a new secret by a code that is used up with it. While there is no owner, the code of the
        first start makes its bearer the owner. Takes two hashes. Raises Refused, and InputError for a bad secret."""
        people = self._people()
        before = people.get(self._as_entered(name))
        if self.wants_first_owner and (before is None or before.code is None):
            return self._claim_first(clean_name(name), code, secret, token, device)
        name = self._as_entered(name)
        kept, mark = self._matched(name, "code", kept_secrets.code_as_typed(code), device)
        self.lockout.was_right(name, kept.unlocked, mark)
        if not kept.code_is_good(datetime.now(UTC)):
            raise Refused(_("That code is too old. Have a new one made by the owner, or at the Pi."))
        kept_secrets.check(kept.person, secret)  # behind the code: what is expected tells what somebody is
        log.info("%r has a new secret, by a code", name)
        return self._begin(people.set_secret(name, kept_secrets.hashed(secret)), token, device)

    def _claim_first(
        self, name: str, code: str, secret: str, token: str | None, device: str | None
    ) -> SignedIn:
        kept_secrets.check(Person(name, Role.OWNER), secret)
        self._take_a_try(FIRST_OWNER, 0, None)
        if not hmac.compare_digest(
            kept_secrets.code_as_typed(code).encode(), (self.first_code or "").encode()
        ):
            log.warning("a wrong code for the first owner")
            raise Refused(_(_WRONG))
        kept = self._people().add(name, Role.OWNER, secret=kept_secrets.hashed(secret))
        self.first_code = None
        log.info("%r is set up as the owner", name)
        return self._begin(kept, token, device)

    def sign_out(self, token: str | None) -> None:
        self.sessions.end(token)

    # --- looking after others ------------------------------------------------------------------------------

    def add(self, name: str, role: Role, shops: Sequence[str] = ()) -> str:
        """Enter somebody; the code by which they choose their secret. Takes a hash."""
        code = kept_secrets.new_code()
        self._people().add(name, role, code=kept_secrets.hashed(code), shops=shops)
        log.info("%r was entered as %s", name, role.value)
        return code

    def reset(self, name: str) -> str:
        """Take somebody's secret away; the code by which they choose another. Takes a hash."""
        code = kept_secrets.new_code()
        self._people().set_code(name, kept_secrets.hashed(code))
        log.info("%r got a code for a new secret", name)
        return code

    # --- within --------------------------------------------------------------------------------------------

    def _tell(self, text: str, name: str) -> None:
        """Log what a flood of requests would fill the disk with: once a second, with how many were left out."""
        now_s = self._clock()
        if now_s - self._told_s < TELL_EVERY_S:
            self._untold += 1
            return
        log.warning(f"{text}; %d like it since the last", name, self._untold)
        self._told_s, self._untold = now_s, 0

    def _people(self) -> People:
        if self.people is None:
            raise Refused(_("A simulated bay that is reached from this machine alone keeps no secrets."))
        return self.people

    def _as_entered(self, typed: str) -> str:
        """The name of whoever is here, as it was entered: no two differ by spaces or capitals alone, and a phone adds both."""
        name = " ".join(typed.split()).casefold()
        return next((o.person.name for o in self._people().all() if o.person.name.casefold() == name), typed)

    def _checked(self, name: str, secret: str, device: str | None) -> Kept:
        kept, mark = self._matched(name, "secret", secret, device)
        self.lockout.was_right(name, kept.unlocked, mark)
        return kept

    def _matched(self, name: str, what: str, typed: str, device: str | None) -> tuple[Kept, str]:
        """Whose secret, or code, that is, and the device's sign. Whoever is not here costs a stranger's try and a hash too:
        neither an answer nor its time tells who is. Raises Refused."""
        kept = self._people().get(name)
        mark = self._take_a_try(name, 0 if kept is None else kept.unlocked, device)
        held: str | None = None if kept is None else getattr(kept, what)
        right = kept_secrets.matches(kept_secrets.nobodys() if held is None else held, typed)
        if kept is None or held is None or not right:
            if kept is None:
                self._tell("a try to sign in as %r, who is not here", name[:80])
            else:
                log.warning("a wrong %s for %r", what, name)
            raise Refused(_(_WRONG if what == "secret" else _WRONG_CODE))
        return kept, mark

    def _take_a_try(self, name: str, unlocked: int, device: str | None) -> str:
        """Raises Refused where too many were taken; the device's own sign, "" where it is a stranger's."""
        mark, names = self._device(device)
        mark = mark if name in names else ""
        wait_s = self.lockout.may_try(name, unlocked, mark)
        if wait_s > 0:
            self._tell("too many tries for %r; this one was not looked at", name)
            raise Refused(
                _(
                    "Too many tries. Wait {minutes} min, or use a device on which you have signed in before. At the Pi, tallypan people unlock gives the tries back."
                ).format(minutes=math.ceil(wait_s / 60.0))
            )
        return mark

    def _begin(self, kept: Kept, token: str | None, device: str | None) -> SignedIn:
        person = kept.person
        mark, names = self._device(device)
        names = [*(n for n in names if n != person.name), person.name][-NAMES_OF_A_DEVICE:]
        return SignedIn(
            person,
            self.sessions.begin(person, kept.version, token),
            self._signed(mark or secrets.token_urlsafe(16), names),
        )

    def _signed(self, mark: str, names: Sequence[str]) -> str:
        text = base64.urlsafe_b64encode(json.dumps([mark, *names], ensure_ascii=False).encode()).decode()
        return f"{text}.{self._seal(text)}"

    def _seal(self, text: str) -> str:
        return hmac.new(self._people().device_key, text.encode(), hashlib.sha256).hexdigest()

    def _device(self, shown: str | None) -> tuple[str, list[str]]:
        """A device's sign and who signed in on it before; nothing where it shows none of ours."""
        text, _, seal = (shown or "").partition(".")
        if (
            not seal
            or not self._people().device_key
            or not hmac.compare_digest(seal.encode(), self._seal(text).encode())
        ):
            return "", []
        mark, *names = json.loads(base64.urlsafe_b64decode(text))
        return mark, names


_WRONG = N_("Name and secret do not go together. Try again.")
_WRONG_CODE = N_(
    "Name and code do not go together. A code works once, and only the newest; write the name as the owner did."
)


def _asks(kept: Kept, of_shop: bool) -> str:
    if kept.secret is not None:
        return "pin" if kept.person.by_pin else "passphrase"
    if kept.code_is_good(datetime.now(UTC)):
        return "code"
    return "shop" if of_shop else "help"
