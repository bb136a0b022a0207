"""What a figure or an interlock is taken from has a type and a place of its own; labels are free text."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from station.errors import InputError
from station.filling.drum import Drum
from station.given.job import HoseHeld, JobSpec, spec_from_tables
from station.record import archive
from station.record.ledger import Ledger, now
from station.rehearsing.scenario import read_scenario

OLD = {
    "vehicle": "Bus 12",
    "hose_l": "0.3500",
    "hose_fluid": "ATF, fresh",
    "hose_grade": "ATF",
    "distance_km": "122300.0",
    "grade_reason": "the owner wants it so",
    "calibration_due": "certificate Bay 1 pan 1 of the pan ran out on 2026-11-01",
}
"""As a record or an export kept them before they had keys of their own."""


def spec() -> JobSpec:
    return replace(read_scenario(None).spec, labels={"vehicle": "Bus 12"})


def old_tables(**changes: str) -> dict[str, Any]:
    tables = spec().to_table()
    return {**tables, "job": {**tables["job"], "labels": {**OLD, **changes}}}


def test_an_old_export_is_read_as_the_same_job() -> None:
    read = spec_from_tables(old_tables(), "JOB.toml")
    assert read.labels == {"vehicle": "Bus 12"}
    assert read.hose == HoseHeld(0.35, "ATF, fresh", "ATF")
    assert read.distance_km == 122300.0
    assert read.grade_reason == OLD["grade_reason"]
    assert read.calibration_due == OLD["calibration_due"]


def test_what_is_written_reads_back_equal_to_the_last_digit() -> None:
    known = replace(
        spec(),
        hose=HoseHeld(0.1 + 0.2, "ATF, fresh", "ATF"),
        distance_km=122300.7,
        grade_reason="the owner wants it so",
        calibration_due="certificate Bay 1 pan 1 of the pan ran out",
    )
    assert spec_from_tables(known.to_table(), "JOB.toml") == known
    assert spec_from_tables(spec().to_table(), "JOB.toml") == spec()


@pytest.mark.parametrize("retained_l", [4.795948790570215e-05, -4.440892098500626e-16])
def test_a_job_that_retains_next_to_nothing_reads_back(retained_l: float) -> None:
    """What a shop learned may come to what is listed but for some microlitres: the job could not be gone on with after a start."""
    known = replace(spec(), retained_l=retained_l, learned_from=3)
    assert spec_from_tables(known.to_table(), "JOB.toml") == known


@pytest.mark.parametrize(
    ("label", "value", "named"),
    [
        ("distance_km", "far", "distance_km"),
        ("distance_km", "-3", "distance_km"),
        ("distance_km", "nan", "distance_km"),
        ("hose_l", "half a litre", "hose"),
        ("hose_l", "-0.1", "hose"),
        ("hose_l", "inf", "hose"),
    ],
)
def test_an_old_text_that_is_no_such_fact_is_named(label: str, value: str, named: str) -> None:
    with pytest.raises(InputError, match=named):
        spec_from_tables(old_tables(**{label: value}), "JOB.toml")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    ledger = Ledger(tmp_path / "l.sqlite")
    yield ledger
    ledger.close()


@pytest.mark.parametrize("labels", [OLD, {**OLD, "hose_l": ""}])
def test_an_old_record_is_shown_with_its_facts_apart(ledger: Ledger, labels: dict[str, str]) -> None:
    job = {"capacity": "2.9 L", "method": "cover removed", "labels": labels}
    ledger.append("j1", "job_open", {"job": job}, now())
    shown = archive.job(ledger, "j1")
    assert shown.labels == {"vehicle": "Bus 12"}
    assert shown.distance_km == 122300.0
    assert shown.calibration_due == OLD["calibration_due"]


def test_a_drum_goes_through_a_sample_unchanged() -> None:
    drum = Drum("drum 2", "atf", "ATF", 37.999999999999996, 0.38, 1.25)
    assert Drum.from_text(drum.to_text()) == drum


@pytest.mark.parametrize(
    "text",
    [
        "",
        "drum 2",
        "[]",
        '{"container": "drum 2"}',
        '{"container": 2, "fluid": "atf", "grade": "", "left_l": 1.0}',
        '{"container": "d", "fluid": "atf", "grade": "", "left_l": "much"}',
        '{"container": "d", "fluid": "atf", "grade": "", "left_l": -1.0}',
        '{"container": "d", "fluid": "atf", "grade": "", "left_l": NaN}',
        '{"container": "d", "fluid": "atf", "grade": "", "left_l": 1.0, "colour": "blue"}',
    ],
)
def test_what_is_no_drum_is_said_to_be_none(text: str) -> None:
    with pytest.raises(ValueError, match="expected container, fluid, grade"):
        Drum.from_text(text)
