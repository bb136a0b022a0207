"""What the shop keeps beside its jobs: catalogue, movements of fluid, the drained fluid's condition, photos."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from station.common import days
from station.common.units import parse_volume_l
from station.common.words import _
from station.given.config import BayConfig
from station.given.evidence import MeterRecord
from station.given.job import JobSpec
from station.given.listing import rounding_l
from station.given.report import Report
from station.learning import asking, condition, expected, history, settling, sisters, why
from station.learning.cause import Cause
from station.record.archive import JobRecord
from station.record.changes import PEOPLE
from station.record.ledger import Ledger, now, type_of
from station.record.recorder import Recorder
from station.record.versions import At
from station.shop import catalogue, changes, due, entering, lists, movement, offered
from station.shop.catalogue import Catalogue
from station.shop.rows import TABLES, CompartmentRow


def row_labels(config: BayConfig, labels: Mapping[str, str], method: str) -> dict[str, str]:
    """A job's labels with what its row in the ledger is charted and audited by."""
    return {**labels, "method": method, "bay": config.name, "meter": f"{config.name} meter"}


class Shop:
    """Enters things into the record. Used from the engine's thread alone, so that one connection writes."""

    def __init__(self, config: BayConfig, recorder: Recorder, ledger: Ledger) -> None:
        self._config, self._recorder = config, recorder
        changes.note_file(config.stated, recorder, ledger)
        self.catalogue: Catalogue = catalogue.read(ledger)
        self.standing = lists.standing(ledger.shop_events(catalogue.EVENT))
        self._fills = sisters.newest(ledger)
        if not any(self.catalogue.rows(table) for table in TABLES):
            self._change(tuple(offered.from_config(config)), "configuration", "")

    def config(self) -> BayConfig:
        """The bay's configuration with the catalogue's entries in place of its own."""
        return offered.merged(self._config, self.catalogue)

    def _change(self, changes: tuple[catalogue.Change, ...], origin: str, by: str) -> None:
        if not changes:
            return
        self._record(catalogue.body(changes, origin, by))

    def _record(self, body: dict[str, Any]) -> None:
        at = now()
        self._recorder.event(None, catalogue.EVENT, body, at)
        self.standing = self.standing.after(body)
        entries = {table: dict(rows) for table, rows in self.catalogue.entries.items()}
        for change in body["changes"]:
            catalogue.apply(entries, change, at.utc)
        self.catalogue = Catalogue(entries)

    def enter(self, table: str, texts: Mapping[str, str], by: str = "") -> bool:
        """Add or change an entry of the catalogue; whether that changed anything. Raises InputError."""
        change = entering.enter(self.catalogue, table, texts, self._config.country, self._today())
        if change is not None:
            self._change((change,), "page", by)
        return change is not None

    def _today(self) -> str:
        return f"{days.today(self._config.zone)}"

    def retire(self, table: str, key: Sequence[str], by: str = "") -> None:
        """Take an entry out of the lists; its past stays. Raises InputError if it is not listed."""
        self._change((entering.retire(self.catalogue, table, key),), "page", by)

    def import_file(self, table: str, data: bytes, name: str = "", by: str = "") -> entering.Import:
        """Import a CSV file. name: the file's. Raises InputError where any row is rejected; then nothing is imported."""
        plan = entering.dry_run(self.catalogue, table, data, self._config.country, self._today())
        self._change(entering.accept(plan), name or _("a file"), by)
        return plan

    def take_lists(self, issues: Sequence[lists.Issue]) -> At:
        """Bring the shop's lists into the catalogue, each issue by an event of its own; how far the bay is then."""
        for issue in issues:
            if issue.version > self.standing.at.behind(At(issue.version, issue.series)):
                met = lists.meet(self.catalogue, self.standing, issue, self._config.country)
                self._record(lists.body(issue, met))
        return self.standing.at

    def take_fills(self, issues: Sequence[sisters.Told]) -> At:
        """Put what the shop's other bays filled into the record, each version once; how far the bay is then."""
        for issue in issues:
            at = At(issue.version, issue.series)
            if issue.version > self._fills.behind(at):
                self._recorder.event(None, sisters.EVENT, issue.body(), now())
                self._fills = at
        return self._fills

    def people_changed(self, changes: Sequence[Mapping[str, str]]) -> None:
        """Put changes of who may sign in into the record, each with its number."""
        for change in changes:
            self._recorder.event(None, PEOPLE, dict(change), now())

    def note(self, kind: str, body: Mapping[str, Any]) -> None:
        """Put an entry of that kind into the record, which changes nothing in the books."""
        self._recorder.event(None, kind, dict(body), now())

    def move(self, moved: movement.Movement) -> None:
        """Put a movement of fluid into the books."""
        self._recorder.event(None, movement.EVENT, moved.to_dict(), now())

    def note_condition(self, job_id: str, noted: condition.Condition) -> None:
        """Note what a job's drained fluid looked and smelled like."""
        self._recorder.event(job_id, condition.EVENT, noted.to_dict(), now())

    def photo(self, job_id: str, picture: condition.Photo, by: str, text: str) -> None:
        """Name a photo, stored already, in a job's record."""
        self._recorder.event(job_id, condition.PHOTO_EVENT, picture.event_body(by, text), now())


def learned(config: BayConfig, ledger: Ledger, spec: JobSpec) -> expected.Expected:
    """What the shop's own closed jobs make of the listed capacity."""
    labels = spec.labels
    kind = type_of(
        labels.get("vehicle", ""), labels.get("compartment", ""), labels.get("compartment_type", "")
    )
    u_rounding_l = rounding_l(spec.capacity_text, spec.capacity_l)
    return expected.expected_fill(ledger, kind, spec.capacity_l, spec.method, u_rounding_l=u_rounding_l)


def meter_record(config: BayConfig, ledger: Ledger, spec: JobSpec) -> MeterRecord:
    """What the record says of the bay's meter, for the verdict of a job that is about to begin."""
    proved = "meter" in spec.certificates and not spec.calibration_due
    return history.meter_record(ledger, row_labels(config, spec.labels, spec.method)["meter"], proved)


def planned(config: BayConfig, ledger: Ledger, spec: JobSpec) -> tuple[JobSpec, expected.Expected]:
    """The job as its plan has it, with what the record knows of its compartment and of the bay's meter; and what that is
    of the compartment."""
    shop, record = learned(config, ledger, spec), meter_record(config, ledger, spec)
    spec = replace(spec, labels={**spec.labels, "expected_from": shop.words}, meter_record=record)
    if shop.n:
        spec = replace(spec, retained_l=shop.retained_l, u_retained_l=shop.u_l, learned_from=shop.n)
    return spec, shop


EARLIER = 5
"""So many of a compartment's newest jobs are asked what came out."""


def capacity_question(
    catalogue: Catalogue, ledger: Ledger, spec: JobSpec, known: expected.Expected, country: str | None
) -> asking.Question | None:
    """Whether the capacity as typed contradicts what is listed for this compartment, the shop's own fills of it, or what came
    out of it earlier."""
    names = spec.labels.get("vehicle", ""), spec.labels.get("compartment", "")
    listed = catalogue.get("compartment", *names)
    text = None if listed is None else listed.typed(CompartmentRow).capacity
    told = None if text is None else (text, parse_volume_l(text, country))
    earlier = history.compartment_jobs(ledger, *names, limit=EARLIER)
    alike = [job for job in earlier if job.method == spec.method]  # another one leaves another share behind
    return asking.capacity_question(
        spec.capacity_text, spec.capacity_l, told, known
    ) or asking.earlier_question(alike, known)


def facts(
    config: BayConfig, catalogue: Catalogue, ledger: Ledger, job: JobRecord, report: Report
) -> why.Facts:
    """What likely causes are judged from, for a job that is open or closed. report: the job's."""
    labels = job.labels
    listed = catalogue.get("compartment", labels.get("vehicle", ""), labels.get("compartment", ""))
    return history.facts(
        ledger,
        report,
        job.capacity_text,
        job.method,
        row_labels(config, labels, job.method),
        job_id=job.job_id,
        country=config.country,
        interval_km=None if listed is None else due.interval_km(listed),
        meter_due=job.calibration_due,
        distance_km=job.distance_km,
        zone=config.zone,
    )


@dataclass(frozen=True)
class Causes:
    """Ranked likely causes of what a job came to, and what would settle it."""

    causes: tuple[Cause, ...] = ()
    settles: tuple[str, ...] = ()


def causes(config: BayConfig, catalogue: Catalogue, ledger: Ledger, job: JobRecord) -> Causes:
    """Of a job; none of one without a report."""
    if job.report is None:
        return Causes()
    known = facts(config, catalogue, ledger, job, job.report)
    return Causes(tuple(why.causes(known)), tuple(settling.what_settles(known)))
