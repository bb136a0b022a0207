"""A thread that calls one function steadily until stopped."""

import logging
import threading
import time
from collections.abc import Callable

log = logging.getLogger(__name__)


class Ticker:
    """Calls ``poll`` every ``interval_s`` seconds (0: as often as it returns) in a thread of its own.

    clock: whose seconds interval_s counts. Deadlines, not pauses: a late call does not shift the ones after
    it. An exception in ``poll`` is handed to ``on_error`` and logged once per kind; the thread lives on, since
    a dead sampling thread looks like a quiet sensor.
    """

    def __init__(
        self,
        name: str,
        poll: Callable[[], None],
        interval_s: float,
        on_error: Callable[[Exception], None] | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._name = name
        self._poll = poll
        self._interval_s = interval_s
        self._clock = clock
        self._on_error = on_error
        self._halt = threading.Event()
        self._thread: threading.Thread | None = None
        self._last_error = ""

    def start(self) -> None:
        if self._thread is not None:
            raise RuntimeError(f"{self._name} is already running; stop it first")
        self._halt.clear()
        self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 3.0) -> None:
        """Ask the thread to end and wait for it. Harmless when it does not run."""
        thread, self._thread = self._thread, None
        self._halt.set()
        if thread is not None and thread is not threading.current_thread():
            thread.join(timeout_s)

    def _run(self) -> None:
        due_s = self._clock()
        while not self._halt.is_set():
            try:
                self._poll()
            except Exception as error:  # a sampling thread outlives every fault of its device
                self._report(error)
                self._halt.wait(max(self._interval_s, 0.1))
            due_s = max(due_s + self._interval_s, self._clock() - self._interval_s)
            # In short waits: a simulated bay's clock may change its speed meanwhile.
            while (left_s := due_s - self._clock()) > 0 and not self._halt.is_set():
                self._halt.wait(min(left_s / float(getattr(self._clock, "speed", 1.0)), 0.05))

    def _report(self, error: Exception) -> None:
        if repr(error) != self._last_error:
            self._last_error = repr(error)
            log.error("%s: %s", self._name, error, exc_info=error)
        if self._on_error is not None:
            self._on_error(error)
