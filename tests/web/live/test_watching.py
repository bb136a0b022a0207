"""The station seen from outside: well or not, and its numbers, as a watcher reads them."""

from dataclasses import replace

import pytest
from prometheus_client.parser import text_string_to_metric_families

from station.bay import health
from station.bay.health import Check
from station.bay.watchdog import Turns
from tests.web.conftest import Bay
from tests.web.fake_views import JOB_ID


def numbers(bay: Bay) -> dict[tuple[str, str], float]:
    """Name and first label's value → number, read by the format's own parser."""
    reply = bay.send("GET", "/metrics")
    assert reply.status_code == 200
    assert reply.headers["content-type"].startswith("text/plain; version=")
    found = {}
    for family in text_string_to_metric_families(reply.text):
        assert family.documentation
        for sample in family.samples:
            found[sample.name, next(iter(sample.labels.values()), "")] = sample.value
    return found


def test_a_station_that_is_well_says_so(bay: Bay) -> None:
    reply = bay.send("GET", "/health")
    assert reply.status_code == 200
    assert reply.json() == {
        "ok": True,
        "checks": {
            "engine": {"ok": True, "vital": True, "text": "turns"},
            "clock": {"ok": False, "vital": False, "text": "not set from the network"},
        },
        "software": bay.engine.software,
    }


@pytest.mark.parametrize(
    "check",
    [
        health.engine_check(1.5),
        health.ledger_check("the disk is full"),
        health.disk_check(49_000_000, 50_000_000),
        health.disk_check(None, 50_000_000),
        health.guard_check("lost"),
        health.guard_check("stuck"),
        health.guard_check(None),
    ],
)
def test_what_keeps_a_job_from_being_measured_or_kept_is_503(bay: Bay, check: Check) -> None:
    bay.engine.well = replace(bay.engine.well, checks={**bay.engine.well.checks, "this": check})
    reply = bay.send("GET", "/health")
    assert reply.status_code == 503
    assert reply.json()["checks"]["this"] == {"ok": False, "vital": True, "text": check.text}
    assert numbers(bay)["tallypan_check_ok", "this"] == 0


@pytest.mark.parametrize(
    "check",
    [
        health.engine_check(0.9),
        health.ledger_check(None),
        health.disk_check(50_000_000, 50_000_000),
        health.guard_check("ok"),
        health.guard_check("tripped"),
    ],
)
def test_what_is_as_it_should_be_is_200(bay: Bay, check: Check) -> None:
    bay.engine.well = replace(bay.engine.well, checks={"this": check})
    assert bay.send("GET", "/health").status_code == 200


def test_the_numbers_are_those_that_were_counted(bay: Bay) -> None:
    now_s = 100.0
    turns = Turns(lambda: now_s)
    for interval_s in (0.02, 0.021, 0.15, 3.0):
        now_s += interval_s
        turns.over()
    turns.samples = 33
    bay.engine.well = replace(bay.engine.well, turns=turns)
    seen = numbers(bay)
    assert seen["tallypan_samples_total", ""] == 33
    assert seen["tallypan_record_writes_total", ""] == 7
    assert seen["tallypan_record_queue_units", ""] == 1
    assert seen["tallypan_disk_free_bytes", ""] == 9e9
    assert seen["tallypan_jobs_total", "closed"] == 3
    assert seen["tallypan_software_info", bay.engine.software] == 1
    loop = {limit: n for (name, limit), n in seen.items() if name == "tallypan_loop_interval_seconds_bucket"}
    assert (loop["0.02"], loop["0.03"], loop["0.2"], loop["1.0"], loop["+Inf"]) == (1, 2, 3, 3, 4)
    assert seen["tallypan_loop_interval_seconds_count", ""] == 4
    assert seen["tallypan_loop_interval_seconds_sum", ""] == pytest.approx(3.191)


def test_nobody_and_nothing_is_named(bay: Bay) -> None:
    text = bay.send("GET", "/metrics").text + bay.send("GET", "/health").text
    for word in ("Bus", "Okafor", "axle", "2026"):
        assert word not in text


@pytest.mark.parametrize("path", ["/setup", "/calibration"])
def test_the_pages_of_the_station_itself_show_its_software(bay: Bay, path: str) -> None:
    assert "Software 3f2a 91c0 3f2a 91c0 " in bay.html(path).text


def test_a_sheet_names_the_software_that_measured_and_not_what_runs_now(bay: Bay) -> None:
    assert "Software" not in bay.html(f"/jobs/{JOB_ID}/sheet").text
    bay.engine.records[JOB_ID] = replace(bay.engine.records[JOB_ID], software="0123456789abcdef" * 4)
    assert f"Software</th><td>{'0123456789abcdef' * 4}</td>" in bay.html(f"/jobs/{JOB_ID}/sheet").text
