"""The file of people, beside the record and apart from it: secrets never enter a chain that cannot forget.

Written whole, synced and renamed, readable by the service alone. The station and a command at the Pi may both change it:
whoever does holds a lock, and the station looks again whenever the file is another one.
"""

import fcntl
import os
import secrets
import threading
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from station.common.words import _
from station.errors import InputError, StationError
from station.people import downward
from station.people.changed import Change, changes, differed
from station.people.held import Held, of_text, to_text
from station.people.people import Kept, Person, Role, clean_name, new_version

CODE_HOURS = 24
FILE_NAME = "people.json"


def path_beside(ledger: Path) -> Path:
    return ledger.with_name(FILE_NAME)


class People:
    """The people of a shop. May be used from any thread, and by several processes at once.

    Raises StationError where the file cannot be read or written. A method that names somebody raises InputError where
    there is nobody of that name. by: who makes the changes, asked at each.

    Each change waits in the file, written with it, until the record has it (``untold``, ``told``): a command at the Pi
    cannot write the record while the station does.
    """

    def __init__(self, path: Path, by: Callable[[], str] = lambda: "") -> None:
        self.path, self._by = path, by
        self._lock = threading.RLock()
        self._read = Held(None)

    # --- reading -------------------------------------------------------------------------------------------

    def all(self) -> list[Kept]:
        """Everybody, by name."""
        return sorted(self._now().people.values(), key=lambda kept: kept.person.name.casefold())

    def get(self, name: str) -> Kept | None:
        return self._now().people.get(name)

    def current(self, name: str) -> tuple[Person, int] | None:
        """Somebody as they are now, with their entry's version; what a session is held against."""
        kept = self.get(name)
        return None if kept is None else (kept.person, kept.version)

    def has_owner(self) -> bool:
        """Whether somebody could look after the others: an owner with a secret, or with a code to choose one by."""
        now = datetime.now(UTC)
        return any(
            _is_owner(kept.person) and (kept.secret is not None or kept.code_is_good(now))
            for kept in self.all()
        )

    def is_of_shop(self, kept: Kept) -> bool:
        """Whether an entry stands as the shop's roll-up told it."""
        return self._now().of_shop.entries.get(kept.person.name) == kept.version

    @property
    def device_key(self) -> bytes:
        """By which the station knows again the devices that somebody signed in on; b"" before there is anybody."""
        return self._now().device_key

    def untold(self) -> tuple[Change, ...]:
        """Changes that the record has not yet, oldest first."""
        return self._now().untold

    @property
    def version(self) -> int:
        """Grows by one with each change of anybody; 0 before there is a file."""
        return self._now().version

    # --- changing ------------------------------------------------------------------------------------------

    def add(
        self,
        name: str,
        role: Role,
        secret: str | None = None,
        code: str | None = None,
        shops: Sequence[str] = (),
    ) -> Kept:
        """secret, code: as hashes. shops: as of ``Person``. Raises InputError where somebody of that name is here already."""
        name = clean_name(name)
        with self._changing() as people:
            taken = next((known for known in people if known.casefold() == name.casefold()), None)
            if taken is not None:
                raise InputError(
                    _("{taken} is here already. Change that entry, or take another name.").format(taken=taken)
                )
            people[name] = _with_code(Kept(Person(name, role, tuple(shops)), secret), code)
            return people[name]

    def set_secret(self, name: str, secret: str) -> Kept:
        """A new secret, as its hash. It ends every session and uses up a code."""
        return self._change(name, secret=secret, code=None, code_until="")

    def set_code(self, name: str, code: str) -> Kept:
        """Take the secret away and give a code, as its hash, by which a new one may be chosen. Sessions end."""
        until = (datetime.now(UTC) + timedelta(hours=CODE_HOURS)).isoformat()
        return self._change(name, secret=None, code=code, code_until=until)

    def set_role(self, name: str, role: Role, shops: Sequence[str] = ()) -> Kept:
        """Another role, or other shops; sessions end. A PIN is no passphrase: whoever leaves the technicians for another role, or comes
        to them, needs a new secret, and has none until a code was given."""
        with self._changing() as people:
            kept = _known(people, name)
            person = Person(name, role, tuple(shops))
            changed = replace(kept, person=person, version=new_version())
            if person.by_pin != kept.person.by_pin:
                changed = replace(changed, secret=None, code=None, code_until="")
            people[name] = changed
            _need_an_owner(people)
            return changed

    def unlock(self, name: str) -> Kept:
        """Give back the tries that wrong secrets took."""
        with self._changing() as people:
            kept = _known(people, name)
            people[name] = replace(kept, unlocked=kept.unlocked + 1)
            return people[name]

    def end_sessions(self, name: str) -> Kept:
        return self._change(name)

    def retire(self, name: str) -> None:
        """Take somebody out. What they did stays in the record under their name."""
        with self._changing() as people:
            _known(people, name)
            del people[name]
            _need_an_owner(people)

    def told(self, ids: Collection[str]) -> None:
        """These changes are in the record."""
        with self._lock, _locked(self.path):
            now = self._now()
            self._write(replace(now, untold=tuple(one for one in now.untold if one.id not in ids)))

    def take(self, tables: Mapping[str, Any] | None = None) -> int:
        """Bring the shop's people in, as its roll-up tells them; the version that is here then, also of nothing told.

        Whoever is not told any more is out when this returns, the last owner too: the Pi lets another in. Raises InputError
        where it is nothing that a roll-up tells."""
        if tables is None:
            return self._now().of_shop.version
        version, theirs = downward.told(tables)
        with self._lock, _locked(self.path):
            before = self._now()
            met = downward.meet(before.people, before.of_shop, version, theirs)
            done = tuple(differed(met, before.people))
            self._write(replace(self._changed(before, met.people, done), of_shop=met.heard))
        return version

    def _change(self, name: str, **fields: str | None) -> Kept:
        with self._changing() as people:
            kept = _known(people, name)
            people[name] = replace(kept, version=new_version(), **fields)  # type: ignore[arg-type]  # texts only
            return people[name]

    # --- the file ------------------------------------------------------------------------------------------

    def _now(self) -> Held:
        with self._lock:
            stamp = _stamp(self.path)
            if stamp != self._read.stamp:
                self._read = Held(None) if stamp is None else self._load(stamp)
            return self._read

    def _load(self, stamp: tuple[int, int, int]) -> Held:
        try:
            held = of_text(self.path.read_text(encoding="utf-8"), str(self.path))
        except (OSError, ValueError) as error:
            raise StationError(
                f"{self.path}: cannot be read ({error}). Nobody can sign in. Put a backup of it back, or move it away "
                "and set people up again at the Pi with tallypan people add."
            ) from error
        return replace(held, stamp=stamp)

    @contextmanager
    def _changing(self) -> Iterator[dict[str, Kept]]:
        """The newest entries to be changed; written when this ends without an error."""
        with self._lock, _locked(self.path):
            before = self._now()
            people = dict(before.people)
            yield people
            done = tuple(changes(before.people, people, self._by()))
            self._write(self._changed(before, people, done))

    @staticmethod
    def _changed(before: Held, people: Mapping[str, Kept], done: tuple[Change, ...]) -> Held:
        return replace(
            before,
            people=people,
            device_key=before.device_key or secrets.token_bytes(32),
            untold=before.untold + done,
            # Drawn at first: a roll-up that is set up anew is at no version that its bays have had.
            version=before.version + 1 if before.version else new_version(),
        )

    def _write(self, now: Held) -> None:
        text = to_text(now)
        new = self.path.with_name(f"{self.path.name}.new")
        try:
            file = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
            with os.fdopen(file, "w", encoding="utf-8") as out:
                os.fchmod(out.fileno(), 0o600)
                out.write(text)
                out.flush()
                os.fsync(out.fileno())
            os.rename(new, self.path)
            folder = os.open(self.path.parent, os.O_RDONLY | os.O_CLOEXEC)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as error:
            raise StationError(
                _("{path}: cannot be written ({error}). Nothing was changed.").format(
                    path=self.path, error=error
                )
            ) from error
        self._read = self._load(_stamp(self.path) or (0, 0, 0))


def _with_code(kept: Kept, code: str | None) -> Kept:
    if code is None:
        return kept
    until = (datetime.now(UTC) + timedelta(hours=CODE_HOURS)).isoformat()
    return replace(kept, code=code, code_until=until)


def _known(people: Mapping[str, Kept], name: str) -> Kept:
    if name not in people:
        here = ", ".join(sorted(people)) or _("nobody yet")
        raise InputError(
            _("There is nobody by the name of {name!r}; here are: {here}.").format(name=name[:80], here=here)
        )
    return people[name]


def _is_owner(person: Person) -> bool:
    """Whether somebody may look after everybody; an owner of some of the shops may not."""
    return person.role is Role.OWNER and not person.shops


def _need_an_owner(people: Mapping[str, Kept]) -> None:
    if not any(_is_owner(kept.person) for kept in people.values()):
        raise InputError(
            _("That is the last owner; somebody has to look after the others. Name another owner first.")
        )


def _stamp(path: Path) -> tuple[int, int, int] | None:
    try:
        about = path.stat()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StationError(f"{path}: cannot be read ({error}).") from error
    return about.st_ino, about.st_mtime_ns, about.st_size


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = os.open(path.with_name(f"{path.name}.lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise StationError(f"{path}: cannot be written ({error}). Nothing was changed.") from error
    try:
        fcntl.flock(file, fcntl.LOCK_EX)  # held for as long as a small file takes to be written
        yield
    finally:
        os.close(file)
