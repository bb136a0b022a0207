"""The page's hold-to-run control: one page at a time, and a hold that has ended stays ended."""

import threading
import time
from collections import deque
from collections.abc import Callable

from station.bay.engine import PAGE_LAPSE_S
from station.common.words import _
from web.frame.problem import Problem

REMEMBERED = 256


class Holder:
    """Turns the beats of pages into ``hold(True)`` and ``hold(False)``.

    Each press of the control is a grip with a name of its own. Beats travel on several connections, so one may arrive
    after the release that followed it; it must not start the pump again. Nor may the pump start again by itself when
    a network that had stalled comes back, or when the page that had it first lets go: the person has to let go and press
    again. lapses_s: how long beats may stay away, as for the station.
    """

    def __init__(
        self,
        hold: Callable[[bool], None],
        now_s: Callable[[], float] = time.monotonic,
        lapses_s: float = PAGE_LAPSE_S,
    ) -> None:
        self._hold, self._now_s, self._lapses_s = hold, now_s, lapses_s
        self._lock = threading.Lock()
        self._grip: str | None = None
        self._beat_s = 0.0
        self._over: deque[str] = deque(maxlen=REMEMBERED)
        self._stopped: str | None = None

    def beat(self, grip: str) -> None:
        """The control is held. Raises Problem where this grip holds nothing (any more)."""
        with self._lock:
            now_s = self._now_s()
            if self._grip is not None and now_s - self._beat_s > self._lapses_s:
                self._over.append(self._grip)
                self._grip = None
            if grip in self._over:
                why = _("The hold was interrupted. Let go, then press again.")
                if grip == self._stopped:
                    why = _("Stopped with STOP. Let go, and find out why before you press again.")
                raise Problem(409, _("Hold is over"), why)
            if self._grip not in (None, grip):
                # Beats of a refused press may still be on their way when the other page lets go: they start nothing.
                self._over.append(grip)
                raise Problem(409, _("Held elsewhere"), _("The pump is being held from another page."))
            self._hold(True)
            self._grip, self._beat_s = grip, now_s

    def let_go(self, grip: str) -> None:
        """The control was released. Stops what this grip held; another page's hold goes on."""
        with self._lock:
            self._over.append(grip)
            if self._grip in (None, grip):
                self._grip = None
                self._hold(False)

    def end(self, by_stop: bool = False) -> None:
        """Whatever is held, is held no more. by_stop: somebody pressed STOP, which whoever held it is told."""
        with self._lock:
            if self._grip is not None:
                self._over.append(self._grip)
                self._stopped = self._grip if by_stop else None
                self._grip = None
            self._hold(False)
