"""Who is signed in: in memory alone, so that a restart signs everybody out, and by a monotonic clock."""

import hashlib
import secrets
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from station.people.people import Person

TOKEN_BYTES = 32
"""256 bits; OWASP ASVS 5.0, 7.2.3 asks for 128."""
IDLE_S = 2 * 3600.0
"""A drip and a cure go by without a touch (common practice, no source)."""
ABSOLUTE_S = 12 * 3600.0
"""A working day (common practice, no source)."""
PROVED_S = 600.0
"""So long after entering the secret a calibration may be finished and people changed."""
MOST = 5000
"""A company's roll-up has a manager for each of its shops; a session takes some hundred bytes."""
OF_ONE = 30
"""Of one person, on several devices; more of them sign that person out, not others."""


@dataclass(frozen=True)
class Session:
    """One device's signing in. version: the person's entry as it was then; a later one ends the session. proved_s: when
    the secret was last entered. Times by the clock that ``Sessions`` was given."""

    person: Person
    version: int
    began_s: float
    seen_s: float
    proved_s: float


def _kept(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


class Sessions:
    """May be used from any thread. clock: monotonic, in seconds. Tokens are kept as their digests only."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._open: dict[bytes, Session] = {}

    def begin(self, person: Person, version: int, instead_of: str | None = None) -> str:
        """Sign in; the new token. instead_of: the token that the device had before, which is dead from now on."""
        token, now_s = secrets.token_urlsafe(TOKEN_BYTES), self._clock()
        with self._lock:
            self._drop_what_is_over(now_s)
            if instead_of is not None:
                self._open.pop(_kept(instead_of), None)
            own = [kept for kept, one in self._open.items() if one.person.name == person.name]
            if len(own) >= OF_ONE:
                self._drop_oldest(own)
            elif len(self._open) >= MOST:
                self._drop_oldest(self._open)
            self._open[_kept(token)] = Session(person, version, now_s, now_s, now_s)
        return token

    def get(self, token: str | None, current: Callable[[str], tuple[Person, int] | None]) -> Session | None:
        """The session of a token; None where there is none any more.

        current: by name, somebody as they are now with their entry's version; None for who is not here any more.
        """
        if not token:
            return None
        kept = _kept(token)
        with self._lock:
            session, now_s = self._open.get(kept), self._clock()
            if session is None:
                return None
            if self._is_over(session, now_s) or current(session.person.name) != (
                session.person,
                session.version,
            ):
                del self._open[kept]
                return None
            self._open[kept] = session = replace(session, seen_s=now_s)
            return session

    def end(self, token: str | None) -> None:
        with self._lock:
            self._open.pop(_kept(token or ""), None)

    def proved(self, session: Session) -> bool:
        """Whether the secret was entered lately enough for what is grave."""
        return self._clock() - session.proved_s < PROVED_S

    def _is_over(self, session: Session, now_s: float) -> bool:
        return now_s - session.seen_s >= IDLE_S or now_s - session.began_s >= ABSOLUTE_S

    def _drop_oldest(self, among: Iterable[bytes]) -> None:
        del self._open[min(among, key=lambda kept: self._open[kept].seen_s)]

    def _drop_what_is_over(self, now_s: float) -> None:
        self._open = {kept: one for kept, one in self._open.items() if not self._is_over(one, now_s)}
