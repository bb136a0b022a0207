"""Carries what was changed of the people into the record, from the file where it waits.

A page changes people while the station runs, and so does a command at the Pi, which cannot write the record then. Both
leave the change in the file of people, on disk before they answer; this thread enters it and then takes it out there. Ended
in between, it finds the change in both, and enters it no second time.
"""

import logging
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, Protocol

from station.errors import StationError

log = logging.getLogger(__name__)

LOOK_S = 2.0


class Waiting(Protocol):
    """Where changes wait; ``station.people.store.People`` is one."""

    def untold(self) -> Sequence[Any]: ...

    def told(self, ids: Collection[str]) -> None: ...


class PeopleBook:
    """enter: puts changes into the record, on disk when it returns; raises StationError where they are not."""

    def __init__(
        self, people: Waiting, enter: Callable[[Sequence[Mapping[str, str]]], None], every_s: float = LOOK_S
    ) -> None:
        self._people, self._enter, self._every_s = people, enter, every_s
        self._halt = threading.Event()
        self._thread = threading.Thread(target=self._run, name="people", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Carry over what there is, and stop; to be called before the record is closed."""
        self._halt.set()
        self._thread.join(10.0)

    def look(self) -> None:
        """Carry over what waits; what cannot be now, waits on."""
        try:
            waiting = self._people.untold()
            if waiting:
                self._enter([vars(change) for change in waiting])
                self._people.told({change.id for change in waiting})
        except StationError as error:
            log.warning("changes of people wait: %s", error)

    def _run(self) -> None:
        while not self._halt.wait(self._every_s):
            self.look()
        self.look()
