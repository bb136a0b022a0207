"""How often a secret may be tried, so that guessing gets nowhere and nobody can be locked out by a stranger.

Each person's secret is checked five times in a quarter of an hour at most, and all strangers' tries together are bound
too. A device on which that person has signed in before is counted by itself: whoever guesses from elsewhere uses up
the strangers' tries, and the shop's own screen still lets its people in. (The idea of a cookie that tells such a device
is the OWASP's, "Slow Down Online Guessing Attacks with Device Cookies"; from memory.)
"""

import threading
from collections import OrderedDict
from collections.abc import Callable

TRIES, WINDOW_S = 5, 900.0
STRANGERS_TRIES = 30
"""All strangers' together in the same time: a shop has no thirty new devices in a quarter of an hour."""
BUCKETS_MOST = 5000

Bucket = tuple[str, int, str]


class Lockout:
    """May be used from any thread. clock: monotonic, in seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._tries: OrderedDict[Bucket, list[float]] = OrderedDict()
        self._strangers: list[float] = []

    def may_try(self, name: str, unlocked: int, device: str) -> float:
        """Take one try; 0, or in how many seconds the next one may be had. Call it before the secret is looked at.

        unlocked: how often the person was unlocked by hand; once more begins with five tries. device: its own sign where
        this person has signed in on it before, else "".
        """
        bucket, now_s = (name, unlocked, device), self._clock()
        with self._lock:
            tries = self._fresh(self._tries.get(bucket, []), now_s)
            self._strangers = self._fresh(self._strangers, now_s)
            wait_s = self._wait_s(tries, TRIES, now_s)
            if not device:
                wait_s = max(wait_s, self._wait_s(self._strangers, STRANGERS_TRIES, now_s))
            if wait_s > 0:
                return wait_s
            tries.append(now_s)
            if not device:
                self._strangers.append(now_s)
            self._tries[bucket] = tries
            self._tries.move_to_end(bucket)
            while len(self._tries) > BUCKETS_MOST:
                self._tries.popitem(last=False)
        return 0.0

    def was_right(self, name: str, unlocked: int, device: str) -> None:
        """Give the try back that a right secret took; wrong ones before it stay counted."""
        with self._lock:
            for tries in (self._tries.get((name, unlocked, device)), None if device else self._strangers):
                if tries:
                    tries.pop()

    def is_locked(self, name: str, unlocked: int) -> bool:
        """Whether a device that this person has not used before would be turned away."""
        with self._lock:
            return (
                self._wait_s(
                    self._fresh(self._tries.get((name, unlocked, ""), []), self._clock()),
                    TRIES,
                    self._clock(),
                )
                > 0
            )

    @staticmethod
    def _fresh(tries: list[float], now_s: float) -> list[float]:
        return [at_s for at_s in tries if now_s - at_s < WINDOW_S]

    @staticmethod
    def _wait_s(tries: list[float], most: int, now_s: float) -> float:
        return 0.0 if len(tries) < most else tries[-most] + WINDOW_S - now_s
