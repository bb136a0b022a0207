"""The simulated depot's past: two invented years, so that whoever looks for the first time has something to look at.

The seed beside this module holds what the station's own desks recorded while they played it (``python -m tests.depot``),
its days counted back from today. It is written into an empty record as it was recorded: chained, signed, and saying of
itself that it is simulated.
"""

import json
import math
import re
import zipfile
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

from calibration.certificates import Certificate
from hardware.simulated.fleet import WORN_REL
from station.record.archive import INVENTED, begins_invented
from station.record.blocks import decode
from station.record.chain import SamplesDigest
from station.record.ledger import Ledger, Moment

BOOT_ID = "invented"
SEEDS_BAY = "Bay 1"
DIGITS = 7
"""To so many digits a report's figures are kept: a thousandth of the least doubt that stands beside one."""
SINCE_S = 300.0
"""The newest entry is at least so old, or the clock would seem to stand behind the record."""
TEXT = (
    "What follows, up to where the software is named, is simulated: two invented years of an invented depot, played by "
    "the station itself."
)


def rounded(value: Any) -> Any:
    """A report or a row as the seed keeps it."""
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else value
    if isinstance(value, Mapping):
        return {name: rounded(one) for name, one in value.items()}
    return [rounded(one) for one in value] if isinstance(value, (list, tuple)) else value


def seed_path() -> Path:
    return Path(str(resources.files("station") / "rehearsing" / "depot.zip"))


_JOB = re.compile(r"@J(\d+)@")
"""Where the body of an entry names a job."""


class Told(NamedTuple):
    """An entry of the seed. day, at_s: from today's midnight of the depot. job: its number; None of what belongs to none.
    text: the body, in JSON."""

    day: int
    at_s: float
    job: int | None
    kind: str
    text: str


class Clock:
    """Days of the seed as moments. now: the moment of opening. zone: whose days they are.

    What the seed has of today is over by now: where it is too early in the day, it was so much earlier.
    """

    def __init__(self, now: datetime, zone: tzinfo, told: Sequence[Told]) -> None:
        self._today, self._zone = now.astimezone(zone).date(), zone
        self._earlier = timedelta()
        newest = max(self.at(entry.day, entry.at_s) for entry in told[-200:])
        self._earlier = max(timedelta(), newest - now + timedelta(seconds=SINCE_S))
        self._begin = self.at(told[0].day, 0.0)

    def at(self, day: int, at_s: float) -> datetime:
        midnight = datetime.combine(self._today + timedelta(days=day), time(), self._zone)
        moment = (midnight + timedelta(seconds=at_s)).astimezone(UTC)
        return moment - self._earlier if day == 0 else moment

    def moment(self, day: int, at_s: float) -> Moment:
        at = self.at(day, at_s)
        t_s = round((at - self._begin).total_seconds(), 3)
        return Moment(BOOT_ID, t_s, at.isoformat(timespec="milliseconds"), True)

    def local(self, day: int, at_s: float) -> datetime:
        return self.at(day, at_s).astimezone(self._zone)


@dataclass(frozen=True)
class Part:
    """What of the two years one bay among several has. container: the jobs and movements of that one alone. used: whether
    the used fluid of all stands there."""

    bay: str
    container: str
    used: bool = False

    def of(self, events: Iterable[Told]) -> list[Told]:
        """Its entries, the bay's name in them. What belongs to no container, such as certificates, every bay has."""
        own = [told._replace(text=told.text.replace(SEEDS_BAY, self.bay)) for told in events]
        jobs = {
            told.job for told in own if told.kind == "result" and self._holds(json.loads(told.text)["row"])
        }
        return [told for told in own if self._has(told, jobs)]

    def _has(self, told: Told, jobs: Collection[int | None]) -> bool:
        if told.kind == "movement":
            return self._holds(json.loads(told.text))
        after = _JOB.search(told.text) if told.job is None else None
        return int(after[1]) in jobs if after else told.job is None or told.job in jobs

    def _holds(self, facts: Mapping[str, Any]) -> bool:
        return bool(facts["container"] == self.container or (facts["container"] is None and self.used))


PARTS = (("Tank G", True), ("Keg T", False))
"""The depot's containers, and which of them stands where the used fluid is kept."""


def parts(bays: Sequence[str]) -> list[Part]:
    """The two years spread over several bays, each with a container of its own; the bays behind those begin anew."""
    return [Part(bay, *part) for bay, part in zip(bays, PARTS, strict=False)]


def begin(path: Path, zone: tzinfo, now: datetime | None = None, part: Part | None = None) -> bool:
    """Write the two years, or a part of them, into a record that has nothing in it; whether that was so.

    All of it is on disk together, or none is and the next start does it. Raises LedgerError.
    """
    if path.exists() and _begun(path):
        return False
    with zipfile.ZipFile(seed_path()) as archive:
        seed = json.loads(archive.read("record.json"))
        told = [Told(*entry) for entry in seed["events"]]
        told = told if part is None else part.of(told)
        clock = Clock(now or datetime.now(UTC), zone, told)
        ledger = Ledger(path)
        try:
            with ledger.transaction():
                # Of each bay its own first entry: records that begin alike are one record under two names.
                begins = {"text": TEXT} if part is None else {"text": TEXT, "bay": part.bay}
                ledger.append(None, INVENTED, begins, clock.moment(told[0].day, 0.0))
                writer = _Writer(ledger, clock, seed["jobs"])
                for entry in told:
                    if entry.kind == "result" and entry.job is not None and entry.job in seed["samples"]:
                        writer.samples[entry.job] = archive.read(f"samples/{entry.job}")
                    writer.write(entry)
        finally:
            ledger.close()
    return True


def worn_k_per_l(path: Path, new_k_per_l: float) -> float | None:
    """The true K-factor of the simulated meter whose record that is: the depot's has worn in its two years. None of any
    other, whose meter is what it is believed to be."""
    if not path.exists():
        return None
    ledger = Ledger(path, read_only=True)
    try:
        return new_k_per_l * (1.0 + WORN_REL) if begins_invented(ledger) else None
    finally:
        ledger.close()


def _begun(path: Path) -> bool:
    ledger = Ledger(path, read_only=True)
    try:
        return ledger.newest_utc() is not None
    finally:
        ledger.close()


class _Writer:
    """Puts today's dates, names of jobs and check sums of certificates in the places of the seed's own."""

    def __init__(self, ledger: Ledger, clock: Clock, jobs: Sequence[tuple[int, float, str]]) -> None:
        self._ledger, self._clock = ledger, clock
        self._opened = [clock.at(day, at_s) for day, at_s, _ in jobs]
        self._ids = [f"{at:%Y%m%d-%H%M%S}-{end}" for at, (_, _, end) in zip(self._opened, jobs, strict=True)]
        self._digests: dict[str, str] = {}
        self.samples: dict[int, bytes] = {}

    def write(self, told: Told) -> None:
        job_id = None if told.job is None else self._ids[told.job]
        text = _JOB.sub(lambda found: self._ids[int(found[1])], told.text)
        for seeds, own in self._digests.items() if told.kind == "job_open" else ():
            text = text.replace(seeds, own)
        body, row = json.loads(text), None
        at = self._clock.moment(told.day, told.at_s)
        if told.kind == "certificate":
            body = self._dated(body, told)
        if told.kind == "result" and told.job is not None and job_id is not None:
            opened_utc = self._opened[told.job].isoformat(timespec="milliseconds")
            row = body["row"] = {**body["row"], "opened_utc": opened_utc, "closed_utc": at.utc}
            body |= self._sampled(told.job, job_id)
        self._ledger.append(job_id, told.kind, body, at, row)

    def _dated(self, body: Mapping[str, str], told: Told) -> dict[str, str]:
        """A certificate that was made on that day of the depot's."""
        seeds = Certificate.from_json(body["certificate"])
        made = self._clock.local(told.day, told.at_s)
        holds = date.fromisoformat(seeds.valid_until) - datetime.fromisoformat(seeds.made_at).date()
        own = replace(seeds, made_at=made.isoformat(timespec="seconds"), valid_until=f"{made.date() + holds}")
        self._digests[seeds.digest[:16]] = own.digest[:16]
        return {**body, "certificate": own.to_json(), "sha256": own.digest}

    def _sampled(self, job: int, job_id: str) -> dict[str, Any]:
        """Store a job's samples, where the seed has them; what its result says of them."""
        if job not in self.samples:
            return {}
        samples, digest = decode(self.samples.pop(job)), SamplesDigest()
        for sample in samples:
            digest.add(sample)
        self._ledger.add_samples(job_id, 0, samples)
        return {"samples": len(samples), "samples_sha256": digest.hexdigest()}
