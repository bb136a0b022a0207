"""Doubles of the calibration desk and of the shop's books: what is asked of them is kept in order."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from calibration.certificates import Certificate, Kind, Reference
from station.bay.notice_book import Lacking
from station.calibrating.calibrating import CertificateEntry, PanStep, Reading, Run
from station.calibrating.density_desk import DensityPlan, Vessel
from station.calibrating.views import CalibrationView, RegisterRow
from station.learning.condition import Condition, Photo
from station.shop import entering
from station.shop.catalogue import Catalogue
from station.shop.movement import Movement

CERTIFICATES = (
    Certificate(
        number="Bay 1 pan 1",
        kind="pan",
        instrument="Bay 1 pan",
        made_at="2026-11-02T08:10:00+00:00",
        made_by="S. Adebayo-Reyes",
        valid_until="2099-11-02",
        references=(Reference("weights, set W3", 5.0, 0.00002, "kg", "W3-0417", "2099-05-01"),),
        conditions={"air °C": 18.0},
        data={"step": ["up", "up"], "load_kg": [0.0, 2.0], "count": [84213.0, 504304.0]},
        result={"line": {"u_rel": 0.0001}},
        statement="Chosen form: line. Relative standard uncertainty of the slope: 0.0001.",
    ),
    Certificate(
        number="Bay 1 meter 1",
        kind="meter",
        instrument="Bay 1 meter",
        made_at="2025-11-02T09:30:00+00:00",
        made_by="S. Adebayo-Reyes",
        valid_until="2026-11-01",
        references=(Reference("Bay 1 pan", 0.44, 0.00005, "kg", "Bay 1 pan 1"),),
        conditions={"air °C": 18.0},
        data={"pulses": [201, 202], "k_factor_per_l": [402.4, 402.6]},
        result={"k_factor_per_l": 402.5},
        statement="K-factor 402.5 pulses/L, U95 0.6 pulses/L (0.15%).",
    ),
)
"""A pan's certificate that holds and a meter's that ran out."""


READING = Reading(PanStep.UP, 0.5, 189233.0, 24.0, 100.0)


def calibration_of(kind: Kind | None = None, **changes: Any) -> CalibrationView:
    """What the station says of its calibrations, with changes."""
    view = CalibrationView(
        kind=kind,
        readings=(),
        runs=(),
        run_open=False,
        run_volume_l=0.5 if kind == "meter" else None,
        run_metered_l=0.0 if kind == "meter" else None,
        due="certificate Bay 1 meter 1 of the meter ran out on 2026-11-01",
        certificates=tuple(RegisterRow.of(c, "2026-11-25", True) for c in reversed(CERTIFICATES)),
    )
    return replace(view, **changes)


class FakeCalibrations:
    """Follows web.frame.port.Calibrations. called: told of each change, may refuse it."""

    def __init__(self, called: Callable[..., None]) -> None:
        self.current = calibration_of()
        self._called = called

    def view(self) -> CalibrationView:
        return self.current

    def certificate(self, number: str) -> Certificate:
        return {c.number: c for c in CERTIFICATES}[number]

    def begin_pan(self, pan: str = "pan") -> None:
        self._called("begin_pan", pan)

    def begin_meter(self, fluid: str, volume_l: float) -> None:
        self._called("begin_meter", fluid, volume_l)

    def read(self, step: PanStep, load_kg: float, place: str) -> Reading:
        self._called("read", step, load_kg, place)
        return READING

    def strike(self, index: int, reason: str) -> Reading | Run:
        self._called("strike", index, reason)
        rows: Sequence[Reading | Run] = self.current.readings or self.current.runs
        return rows[index] if index < len(rows) else READING

    def begin_run(self) -> None:
        self._called("begin_run")

    def end_run(self) -> None:
        self._called("end_run")

    def drop_run(self) -> None:
        self._called("drop_run")

    def finish(self, entry: CertificateEntry) -> Certificate:
        self._called("finish", entry)
        return CERTIFICATES[-1]

    def abandon(self, reason: str) -> None:
        self._called("abandon_calibration", reason)

    def begin_density(self, plan: DensityPlan) -> None:
        self._called("begin_density", plan)

    def weigh_vessel(self, vessel: Vessel, temperature_c: float | None) -> None:
        self._called("weigh_vessel", vessel, temperature_c)

    def save_density(self, by: str) -> None:
        self._called("save_density", by)

    def give_up_density(self, reason: str) -> None:
        self._called("give_up_density", reason)


class FakeEntries:
    """Follows web.frame.port.Entries. Nothing that is entered changes the catalogue."""

    def __init__(self, called: Callable[..., None], catalogue: Catalogue) -> None:
        self._called, self._catalogue = called, catalogue

    def enter(self, table: str, texts: Mapping[str, str], by: str) -> bool:
        self._called("enter", table, dict(texts), by)
        return True

    def retire(self, table: str, key: Sequence[str], by: str) -> None:
        self._called("retire", table, list(key), by)

    def dry_run(self, table: str, data: bytes) -> entering.Import:
        self._called("dry_run", table, data)
        return entering.dry_run(self._catalogue, table, data)

    def import_file(self, table: str, data: bytes, name: str, by: str) -> entering.Import:
        self._called("import_file", table, data, name, by)
        return entering.dry_run(self._catalogue, table, data)

    def move(self, movement: Movement) -> None:
        self._called("move", movement)

    def note_condition(self, job_id: str, noted: Condition) -> None:
        self._called("note_condition", job_id, noted)

    def photo(self, job_id: str, data: bytes, by: str, text: str) -> Photo:
        self._called("photo", job_id, data, by, text)
        return Photo(data, f"{'0' * 64}.jpg", "image/jpeg", 40, 30)


class FakeNotices:
    """Follows web.frame.port.Notices: of two receivers the first one refuses one notice and has not taken two others."""

    def __init__(self, called: Callable[..., None]) -> None:
        self._called = called

    def lacking(self) -> list[Lacking]:
        return [Lacking("accounts", 2, 1, 9000.0, "503"), Lacking("workshop board", 0, 0, 0.0, "204")]

    def again(self, receiver: str) -> int:
        self._called("again", receiver)
        return 3
