"""The engine's turns, counted, and word of them to systemd, where it started the service: that it is ready, and that
its engine still turns.

The pump does not wait for this: its guard switches off within 200 ms. Systemd restarts a service that hangs.
Source: sd_notify(3), whose protocol is one datagram of VARIABLE=value lines.
"""

import logging
import os
import socket
import time
from bisect import bisect_left
from collections.abc import Callable

BEAT_S = 1.0
BUCKETS_S = (0.005, 0.01, 0.02, 0.03, 0.05, 0.1, 0.2, 0.5, 1.0)
"""Upper limits. The pump's guard waits 0.2 s for a beat, and each turn sends one."""
log = logging.getLogger(__name__)


def notify(text: str) -> bool:
    """Send a word such as ``READY=1`` or ``WATCHDOG=1``. Returns False where nobody listens; never blocks or raises."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
            sender.setblocking(False)
            sender.sendto(text.encode(), "\0" + address[1:] if address.startswith("@") else address)
    except OSError as error:
        log.warning("systemd was not told %s: %s", text, error)
        return False
    return True


class Turns:
    """Written by the engine's thread alone; whoever reads takes what is there.

    n, samples: since the start. seconds, longest_s: between one turn's end and the next. last_s: the newest, by now_s.
    within: turns whose interval was within each of ``BUCKETS_S``, each counted once, the last for all above.
    """

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self.n = self.samples = 0
        self.seconds = self.longest_s = self._told_s = 0.0
        self.last_s = now_s()
        self.within = [0] * (len(BUCKETS_S) + 1)

    def over(self) -> None:
        """The engine has come round."""
        now_s = self._now_s()
        interval_s, self.last_s = now_s - self.last_s, now_s
        self.n += 1
        self.seconds += interval_s
        self.longest_s = max(self.longest_s, interval_s)
        self.within[bisect_left(BUCKETS_S, interval_s)] += 1
        if now_s - self._told_s >= BEAT_S:
            self._told_s = now_s
            notify("WATCHDOG=1")
