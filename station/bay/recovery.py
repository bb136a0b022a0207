"""What a job is made of: anew when it is opened, and out of the record when a stopped station left it open."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from hardware.sample import Sample
from station.bay.supply_book import Learned
from station.common.words import _
from station.core import interruption
from station.core.state import BayState, Pump
from station.core.step import step
from station.given.job import JobSpec, spec_from_tables
from station.given.settings import Settings
from station.record import archive
from station.record.ledger import Ledger, Moment

CAPACITY_NOTE = "capacity:"
"""A note that begins so confirms the listed capacity."""
STEP_S = 2.0
"""A clock that is only slewed moves by 0.5 ms in a second; between two looks that is nothing. Source: adjtimex(2)."""
RESUMED_S = 1.0
"""How long the station was away where no clock says: the least, so that no sealant counts as cured too early."""


def why_given_up(simulated: bool) -> str:
    """In words, of a job that is not gone on with after a restart."""
    if simulated:
        return _(
            "The station was stopped during this job, and a simulated axle is gone with it. So the job was given up, with its figures as of the last reading kept; a real bay goes on with it."
        )
    return _("The station stopped during this job; its figures are as of the last reading kept.")


def first_state(spec: JobSpec, settings: Settings, learned: Learned) -> BayState:
    """A job at its beginning: with what was known then of pump and fluid."""
    return BayState(spec, settings, pump=Pump(overrun=learned.overrun, usual=learned.usual))


@dataclass(frozen=True)
class LeftOpen:
    """A job that a stopped station left open, as its record has it: where it stands, and what was said in it.

    ahead_s: how far its stream's time was ahead of the newest boot's clock. stepped: whether the wall clock was set anew in
    that boot, once it had been set.
    """

    job_id: str
    opening: Mapping[str, Any]
    opened_utc: str
    clock_synced: bool
    samples: Sequence[Sample]
    state: BayState
    newest: Mapping[str, Any]
    ticked: frozenset[str]
    capacity_confirmed: bool
    came_utc: Mapping[str, str]
    ahead_s: float = 0.0
    stepped: bool = False

    def goes_on_at_s(self, at: Moment) -> float:
        """Where its stream's time stands at a moment: the boot's own clock says it in the same boot. Another boot's says
        nothing of the one before; the wall clock does, if it was set both times and nobody moved it."""
        if self.newest["boot_id"] == at.boot_id:
            return at.t_s + self.ahead_s
        reached_s = max([self.newest["t_s"], *(s.t_s for s in self.samples[-1:])]) + RESUMED_S
        if self._timed(at):
            gone = datetime.fromisoformat(at.utc) - datetime.fromisoformat(self.newest["utc"])
            reached_s = max(reached_s, self.newest["t_s"] + gone.total_seconds())
        return round(float(reached_s), 3)

    def question(self, at: Moment) -> str:
        """What is asked in the stream when it is gone on with at a moment."""
        same_boot = self.newest["boot_id"] == at.boot_id
        return interruption.ASKED if same_boot or self._timed(at) else interruption.UNTIMED

    def _timed(self, at: Moment) -> bool:
        """Whether the wall clocks of two boots say how long the station was away."""
        return bool(self.newest["clock_synced"]) and at.clock_synced and not self.stepped


def left_open(ledger: Ledger, job_id: str, settings: Settings) -> LeftOpen:
    """Read such a job and step through all its readings again."""
    events, samples = list(ledger.events(job_id)), ledger.samples(job_id)
    opened = events[0]
    spec = spec_from_tables(archive.spec_tables(opened["body"]), f"ledger, job {job_id}")
    state = first_state(spec, settings, Learned.from_dict(opened["body"].get("learned")))
    for sample in samples:
        state, _ = step(state, sample)
    ticked: set[str] = set()
    for event in events:
        if event["kind"] == "check" and "key" in event["body"]:
            (ticked.add if event["body"]["done"] else ticked.discard)(event["body"]["key"])
    texts = [(event["kind"], event["body"].get("text", ""), event["utc"]) for event in events]
    return LeftOpen(
        job_id,
        opened["body"],
        opened["utc"],
        bool(opened["clock_synced"]),
        samples,
        state,
        events[-1],
        frozenset(ticked),
        any(kind == "note" and text.startswith(CAPACITY_NOTE) for kind, text, _ in texts),
        {text.partition(":")[0]: utc for kind, text, utc in texts if kind == "step"},
        *_clocks(events),
    )


def _clocks(events: Sequence[Mapping[str, Any]]) -> tuple[float, bool]:
    """Of the newest boot in a job: how far the stream's time was ahead of its clock, and whether the wall clock was moved
    after it had been set."""
    here = [event for event in events if event["boot_id"] == events[-1]["boot_id"]]
    ahead_s = [event["body"]["ahead_s"] for event in here if "ahead_s" in event["body"]]
    walls_s = [
        datetime.fromisoformat(event["utc"]).timestamp() - event["t_s"]
        for event in here
        if event["clock_synced"]
    ]
    return float(ahead_s[-1]) if ahead_s else 0.0, bool(walls_s) and max(walls_s) - min(walls_s) >= STEP_S
