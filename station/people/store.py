"""The file of people, beside the record and apart from it: secrets never enter a chain that cannot forget.

Written whole, synced and renamed, readable by the service alone. The station and a command at the Pi may both change it:
whoever does holds a lock, and the station looks again whenever the file is another one.
"""

import fcntl
import json
import os
import secrets
import threading
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

from pydantic import Field

from station.common.schema import Table, read
from station.common.words import _
from station.errors import InputError, StationError
from station.people.changed import Change, changes
from station.people.people import Kept, Person, Role, clean_name, new_version

CODE_HOURS = 24
FILE_NAME = "people.json"


class _KeptTable(Table):
    name: str
    role: Role
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


class _PeopleFile(Table):
    device_key: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    people: tuple[_KeptTable, ...] = ()
    untold: tuple[_ChangeTable, ...] = ()


@dataclass(frozen=True)
class _Read:
    stamp: tuple[int, int, int] | None
    people: Mapping[str, Kept] = field(default_factory=dict)
    device_key: bytes = b""
    untold: tuple[Change, ...] = ()


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
        self._read = _Read(None)

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
            kept.person.role is Role.OWNER and (kept.secret is not None or kept.code_is_good(now))
            for kept in self.all()
        )

    @property
    def device_key(self) -> bytes:
        """By which the station knows again the devices that somebody signed in on; b"" before there is anybody."""
        return self._now().device_key

    def untold(self) -> tuple[Change, ...]:
        """Changes that the record has not yet, oldest first."""
        return self._now().untold

    # --- changing ------------------------------------------------------------------------------------------

    def add(self, name: str, role: Role, secret: str | None = None, code: str | None = None) -> Kept:
        """secret, code: as hashes. Raises InputError where somebody of that name is here already."""
        name = clean_name(name)
        with self._changing() as people:
            taken = next((known for known in people if known.casefold() == name.casefold()), None)
            if taken is not None:
                raise InputError(
                    _("{taken} is here already. Change that entry, or take another name.").format(taken=taken)
                )
            people[name] = _with_code(Kept(Person(name, role), secret), code)
            return people[name]

    def set_secret(self, name: str, secret: str) -> Kept:
        """A new secret, as its hash. It ends every session and uses up a code."""
        return self._change(name, secret=secret, code=None, code_until="")

    def set_code(self, name: str, code: str) -> Kept:
        """Take the secret away and give a code, as its hash, by which a new one may be chosen. Sessions end."""
        until = (datetime.now(UTC) + timedelta(hours=CODE_HOURS)).isoformat()
        return self._change(name, secret=None, code=code, code_until=until)

    def set_role(self, name: str, role: Role) -> Kept:
        """Another role; sessions end. A PIN is no passphrase: whoever leaves the technicians for another role, or comes
        to them, needs a new secret, and has none until a code was given."""
        with self._changing() as people:
            kept = _known(people, name)
            person = Person(name, role)
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
            left = tuple(change for change in now.untold if change.id not in ids)
            self._write(now.people, now.device_key, left)

    def _change(self, name: str, **fields: str | None) -> Kept:
        with self._changing() as people:
            kept = _known(people, name)
            people[name] = replace(kept, version=new_version(), **fields)  # type: ignore[arg-type]  # texts only
            return people[name]

    # --- the file ------------------------------------------------------------------------------------------

    def _now(self) -> _Read:
        with self._lock:
            stamp = _stamp(self.path)
            if stamp != self._read.stamp:
                self._read = _Read(None) if stamp is None else self._load(stamp)
            return self._read

    def _load(self, stamp: tuple[int, int, int]) -> _Read:
        try:
            tables = json.loads(self.path.read_text(encoding="utf-8"))
            file = read(_PeopleFile, tables, str(self.path))
        except (OSError, ValueError) as error:
            raise StationError(
                f"{self.path}: cannot be read ({error}). Nobody can sign in. Put a backup of it back, or move it away "
                "and set people up again at the Pi with tallypan people add."
            ) from error
        people = {
            one.name: Kept(
                Person(one.name, one.role), one.secret, one.code, one.code_until, one.version, one.unlocked
            )
            for one in file.people
        }
        untold = tuple(Change(**change.model_dump()) for change in file.untold)
        return _Read(stamp, people, bytes.fromhex(file.device_key), untold)

    @contextmanager
    def _changing(self) -> Iterator[dict[str, Kept]]:
        """The newest entries to be changed; written when this ends without an error."""
        with self._lock, _locked(self.path):
            before = self._now()
            people = dict(before.people)
            yield people
            done = tuple(changes(before.people, people, self._by()))
            self._write(people, before.device_key or secrets.token_bytes(32), before.untold + done)

    def _write(self, people: Mapping[str, Kept], device_key: bytes, untold: Sequence[Change]) -> None:
        rows = [
            {
                "name": kept.person.name,
                "role": kept.person.role.value,
                **{k: v for k, v in vars(kept).items() if k != "person"},
            }
            for kept in people.values()
        ]
        whole = {
            "device_key": device_key.hex(),
            "people": rows,
            "untold": [vars(change) for change in untold],
        }
        text = json.dumps(whole, ensure_ascii=False, indent=1)
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


def _need_an_owner(people: Mapping[str, Kept]) -> None:
    if not any(kept.person.role is Role.OWNER for kept in people.values()):
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
