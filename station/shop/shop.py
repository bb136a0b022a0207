"""What the shop keeps beside its jobs: catalogue, movements of fluid, the drained fluid's condition, photos."""

from collections.abc import Callable, Mapping
from typing import Any

from station.common.units import parse_volume_l
from station.errors import InputError
from station.given.config import BayConfig
from station.given.job import JobSpec
from station.learning import condition, expected, history, why
from station.record.ledger import Ledger, now, type_of
from station.record.recorder import Recorder
from station.shop import audit, catalogue, due, entering, offered
from station.shop.catalogue import Catalogue


def row_labels(config: BayConfig, labels: Mapping[str, str], method: str) -> dict[str, str]:
    """A job's labels with what its row in the ledger is charted and audited by."""
    return {**labels, "method": method, "bay": config.name, "meter": f"{config.name} meter"}


class Shop:
    """Enters things into the record. Used from the engine's thread alone, so that one connection writes."""

    def __init__(self, config: BayConfig, recorder: Recorder, ledger: Ledger) -> None:
        self._config, self._recorder = config, recorder
        self.catalogue: Catalogue = catalogue.read(ledger)
        if not any(self.catalogue.rows(table) for table in catalogue.TABLES):
            self._change(tuple(offered.from_config(config)), "configuration", "")

    def config(self) -> BayConfig:
        """The bay's configuration with the catalogue's entries in place of its own."""
        return offered.merged(self._config, self.catalogue)

    def do(self, action: str, values: Mapping[str, Any]) -> dict[str, Any]:
        """Enter one thing by its name. Raises InputError, leaving all as it was.

        enter (table, fields, by), retire (table, key, by), import (table, data, apply, by), movement (kind, fluid,
        volume, u95, container, vehicle, technician, note), condition (job_id and what condition.from_form takes).
        """
        actions: dict[str, Callable[[Mapping[str, Any]], dict[str, Any]]] = {
            "enter": self._enter,
            "retire": self._retire,
            "import": self._import,
            "movement": self._movement,
            "condition": self._condition,
        }
        if action not in actions:
            raise InputError(f"{action!r} is nothing to enter; known: {', '.join(actions)}.")
        return actions[action](values)

    def _change(self, changes: tuple[catalogue.Change, ...], origin: str, by: str) -> None:
        if not changes:
            return
        at, body = now(), catalogue.body(changes, origin, by)
        self._recorder.event(None, catalogue.EVENT, body, at)
        entries = {table: dict(rows) for table, rows in self.catalogue.entries.items()}
        for change in body["changes"]:
            catalogue.apply(entries, change, at.utc)
        self.catalogue = Catalogue(entries)

    def _enter(self, values: Mapping[str, Any]) -> dict[str, Any]:
        fields = values.get("fields")
        if not isinstance(fields, Mapping):
            raise InputError("fields are missing; expected the entry's texts by name.")
        texts = {str(name): str(text) for name, text in fields.items()}
        change = entering.enter(self.catalogue, str(values.get("table", "")), texts, self._config.country)
        if change is not None:
            self._change((change,), "page", str(values.get("by", "")))
        return {"changed": change is not None}

    def _retire(self, values: Mapping[str, Any]) -> dict[str, Any]:
        key = values.get("key")
        if not isinstance(key, list):
            raise InputError("key is missing; expected the entry's key as a list of texts.")
        change = entering.retire(self.catalogue, str(values.get("table", "")), [str(part) for part in key])
        self._change((change,), "page", str(values.get("by", "")))
        return {"changed": True}

    def _import(self, values: Mapping[str, Any]) -> dict[str, Any]:
        data = values.get("data")
        if not isinstance(data, bytes | str):
            raise InputError("data is missing; expected the text of a CSV file.")
        raw = data.encode() if isinstance(data, str) else data
        plan = entering.dry_run(self.catalogue, str(values.get("table", "")), raw, self._config.country)
        if values.get("apply") is True:
            self._change(entering.accept(plan), str(values.get("name", "a file")), str(values.get("by", "")))
        return plan.to_dict()

    def _movement(self, values: Mapping[str, Any]) -> dict[str, Any]:
        def volume_l(name: str, default: str) -> float:
            try:
                return parse_volume_l(str(values.get(name, default)), self._config.country)
            except ValueError as error:
                raise InputError(f"{name}: {error}") from error

        texts = {n: str(values[n]) for n in ("container", "vehicle", "technician") if values.get(n)}
        body = audit.movement(
            str(values.get("kind", "")),
            str(values.get("fluid", "")),
            volume_l("volume", ""),
            volume_l("u95", "0 L"),
            note=str(values.get("note", "")),
            **texts,
        )
        self._recorder.event(None, audit.EVENT, body, now())
        return body

    def _condition(self, values: Mapping[str, Any]) -> dict[str, Any]:
        body = condition.from_form(values).to_dict()
        self._recorder.event(str(values.get("job_id", "")), "condition", body, now())
        return body

    def photo(self, job_id: str, picture: condition.Photo, by: str, text: str) -> dict[str, Any]:
        """Name a photo, stored already, in a job's record."""
        body = picture.event_body(by, text)
        self._recorder.event(job_id, "photo", body, now())
        return body


def learned(config: BayConfig, ledger: Ledger, spec: JobSpec) -> expected.Expected:
    """What the shop's own closed jobs make of the listed capacity."""
    labels = spec.labels
    kind = type_of(
        labels.get("vehicle", ""), labels.get("compartment", ""), labels.get("compartment_type", "")
    )
    return expected.expected_fill(ledger, kind, spec.capacity_l, spec.method)


def facts(config: BayConfig, catalogue: Catalogue, ledger: Ledger, job: Mapping[str, Any]) -> why.Facts:
    """What likely causes are judged from, for a job that is open or closed.

    job: as ``station.record.archive.job`` gives one that has a report; its id, time, labels, capacity, method and report.
    """
    labels = job["labels"]
    listed = catalogue.get("compartment", labels.get("vehicle", ""), labels.get("compartment", ""))
    return history.facts(
        ledger,
        job["report"],
        job["capacity_text"],
        job["method"],
        row_labels(config, labels, job["method"]),
        job_id=job["job_id"],
        opened_utc=job["opened_utc"],
        country=config.country,
        interval_km=None if listed is None else due.interval_km(listed),
        meter_due=labels.get("calibration_due", ""),
        zone=config.zone,
    )


def causes(config: BayConfig, catalogue: Catalogue, ledger: Ledger, job: Mapping[str, Any]) -> dict[str, Any]:
    """Ranked likely causes of what a job came to, and what would settle it. job: as for ``facts``."""
    known = facts(config, catalogue, ledger, job)
    return {"causes": [c.to_dict() for c in why.causes(known)], "settles": why.what_settles(known)}
