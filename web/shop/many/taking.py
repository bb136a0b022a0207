"""Batches taken in: parsed, checked, written, on disk. In this process, or in several beside it: one takes in what one core can.

A process beside the server has a connection of its own to the database and to the server a pipe, over which a token and a
batch come and the answer goes back. It ends when that pipe does, whatever became of the server. One that was killed is
replaced, and its batch refused: the bay sends it again, and what had been taken of it is known by its numbers.
"""

import contextlib
import logging
import multiprocessing
import os
import queue
import signal
import time
import traceback
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Any

from station.common.words import _, speak, spoken
from station.errors import InputError, StationError
from station.learning import teaching
from station.record.many import ingest, wire
from station.record.many.connecting import NoAnswer
from station.record.many.store import Store

log = logging.getLogger(__name__)

PROCESSES_MOST = 4
STOP_S = 5.0
"""What a batch that is under way gets when the server ends."""
_APART = multiprocessing.get_context("forkserver")
_APART.set_forkserver_preload([__name__])


def processes(asked: int | None) -> int:
    """How many processes take batches in: as many as were asked for, or as there are cores, 4 at most; none beside the server
    where there is one core alone. Raises InputError."""
    if asked is not None:
        if not 0 <= asked <= 64:
            raise InputError(f"processes is {asked}; expected 0 (in the server itself) to 64.")
        return asked
    cores = len(os.sched_getaffinity(0))
    return min(cores, PROCESSES_MOST) if cores > 1 else 0


def taken(store: Store, token: str, data: bytes) -> dict[str, Any]:
    """Take a batch in: what its bay is told, and beside it since when it is gone, and when it moved to its shop. On disk when it
    answers.

    Raises NotKnown for a token of no bay, InputError for what is no batch, StationError where the database does not answer.
    """
    with store.bay(token) as (db, bay):
        batch = wire.batch_of(data)
        found = ingest.take(db, bay, batch)
        if found.fault is None and found.seq >= batch.newest_seq:  # not of half a record
            teaching.draw(db, bay)
        return {**found.to_dict(), "gone": bay.gone, "moved": bay.moved}


class Takers:
    """So many processes beside this one, which take batches in. revive: as of the store. Any thread may hand them batches; no
    more at a time than there are processes, or some wait."""

    def __init__(self, dsn: str, count: int, revive: Callable[[], None] = lambda: None) -> None:
        self._dsn, self._revive, self._language = dsn, revive, spoken().language
        self._free: queue.SimpleQueue[_Taker] = queue.SimpleQueue()
        self._all = [self._new() for _ in range(count)]
        for one in self._all:
            self._free.put(one)

    @property
    def count(self) -> int:
        return len(self._all)

    @property
    def pids(self) -> list[int]:
        return [one.pid for one in self._all]

    def take(self, token: str, data: bytes) -> dict[str, Any]:
        """As ``taken`` does; StationError also where the process ended before it answered."""
        one = self._free.get()
        try:
            answer = one.ask(token, data)
        except (EOFError, OSError) as error:
            log.warning("a process that took batches in (%d) was lost; there is a new one", one.pid)
            one.end(0.0)
            new = self._new()  # where none can be had, the next batch asks again
            self._all[self._all.index(one)] = new
            one = new
            raise StationError(_("The entries were not taken in to their end. Send them again.")) from error
        finally:
            self._free.put(one)
        if isinstance(answer, NoAnswer):
            self._revive()
        if isinstance(answer, Exception):
            raise answer
        return answer

    def close(self) -> None:
        """End them all, each when it has taken what it has; after STOP_S without."""
        until_s = time.monotonic() + STOP_S
        with contextlib.suppress(queue.Empty):
            for _one in self._all:
                self._free.get(timeout=max(0.0, until_s - time.monotonic())).hang_up()
        for one in self._all:
            one.end(max(0.0, until_s - time.monotonic()))

    def _new(self) -> "_Taker":
        return _Taker(self._dsn, self._language)


class _Taker:
    """One process, as the server sees it."""

    def __init__(self, dsn: str, language: str) -> None:
        self._line, theirs = _APART.Pipe()
        self._process = _APART.Process(target=_serve, args=(theirs, dsn, language), name="takes batches in")
        self._process.start()
        theirs.close()  # or its end would not be felt here
        self.pid = self._process.pid or 0

    def ask(self, token: str, data: bytes) -> dict[str, Any] | Exception:
        self._line.send((token, data))
        answer: dict[str, Any] | Exception = self._line.recv()
        return answer

    def hang_up(self) -> None:
        self._line.close()

    def end(self, within_s: float) -> None:
        self._process.join(within_s)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        self.hang_up()


def _serve(line: Connection, dsn: str, language: str) -> None:
    """Take in what comes until the line ends. A signal is for the server, which ends this when its own work is done."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    speak(language)
    store: Store | None = None
    with contextlib.suppress(EOFError, OSError):
        while True:
            token, data = line.recv()
            try:
                store = store or Store(dsn, connections=1)
                answer: dict[str, Any] | Exception = taken(store, token, data)
            except NoAnswer as error:
                answer = error
                if store is not None:  # its connections would try again in seconds only
                    store.close()
                store = None
            except StationError as error:
                answer = error
            except Exception:
                answer = RuntimeError(f"in a process that takes batches in:\n{traceback.format_exc()}")
            line.send(answer)
