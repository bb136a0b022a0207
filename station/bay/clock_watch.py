"""Watches the wall clock against the monotonic one: whoever sets it is written down, and no order depends on it.

A Pi has no clock of its own that runs without power: after a cut it stands where it stood until the network sets it.
"""

import time
from collections.abc import Callable
from datetime import datetime

from station.bay.desk import Desk
from station.bay.recovery import STEP_S
from station.common.digits import number
from station.common.words import N_, _
from station.record.ledger import Ledger, Moment, now
from station.record.recorder import Recorder

KIND = "clock_stepped"


def in_words(by_s: float) -> str:
    """A step with its sign, in a unit that a person can picture."""
    sign, size_s = ("+" if by_s > 0 else "−"), abs(by_s)
    for unit, unit_s in ((N_("days"), 86400.0), ("h", 3600.0), ("min", 60.0)):
        if size_s >= 2.0 * unit_s:
            return f"{sign}{number(size_s / unit_s, '.1f')} {_(unit)}"
    return f"{sign}{number(size_s, '.1f')} s"


class ClockWatch:
    """Used from the engine's thread alone. wall_s: seconds since 1970; monotonic_s: seconds that no one sets."""

    def __init__(
        self,
        recorder: Recorder,
        wall_s: Callable[[], float] = time.time,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._recorder, self._wall_s, self._monotonic_s = recorder, wall_s, monotonic_s
        self._ahead_s = wall_s() - monotonic_s()

    def begin(self, ledger: Ledger, desk: Desk) -> None:
        """Compare the clock with the record's newest entry: time does not run back while a station is off."""
        newest = ledger.newest_utc()
        if newest is None:
            return
        behind_s = datetime.fromisoformat(newest).timestamp() - self._wall_s()
        if behind_s > STEP_S:
            self._tell(
                -behind_s,
                desk,
                _(
                    "The clock stands behind the record's newest entry by {step}. The order of entries is that of the record, not of their times."
                ),
            )

    def look(self, desk: Desk) -> None:
        """Write down a step since the last look, in the open job's record too."""
        ahead_s = self._wall_s() - self._monotonic_s()
        step_s, self._ahead_s = ahead_s - self._ahead_s, ahead_s
        if abs(step_s) >= STEP_S:
            self._tell(
                step_s,
                desk,
                _(
                    "The clock was set: it stepped by {step}. The order of entries is that of the record, not of their times."
                ),
            )

    def _tell(self, by_s: float, desk: Desk, text: str) -> None:
        at: Moment = now(desk.t_s)
        text = text.format(step=in_words(by_s))
        body = {"text": text, "by_s": round(by_s, 3), "set": at.clock_synced}
        self._recorder.event(None, KIND, body, at)
        if desk.job_id is not None and not desk.done:
            desk.event("clock", text)
