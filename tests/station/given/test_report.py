"""A report is the same before and after its record's JSON; one of an older version can still be read."""

import pytest

from station.given.report import Report
from tests import golden


@pytest.mark.parametrize("name", ["rehearse_1", "replay_bus7_axle"])
def test_a_report_comes_back_from_its_json_unchanged(name: str) -> None:
    assert list(golden.differences(golden.kept(name), golden.json_of(Report.read(golden.kept(name))))) == []


def test_what_another_version_keeps_beside_is_passed_over_and_what_it_lacks_is_not_known() -> None:
    kept = golden.kept("rehearse_1")
    older = {name: kept[name] for name in Report.__dataclass_fields__ if name in kept and name not in LATER}
    report = Report.read({**older, "mood": "good"})
    assert (report.witnesses, report.topped_up, report.truth) == ((), None, None)
    assert report.filled_l == kept["filled_l"]


LATER = {"witnesses", "topped_up", "leak_watched_s", "leak_watch_s", "pump_runs", "truth"}


def test_what_is_no_report_is_refused() -> None:
    with pytest.raises(ValueError, match="filled_l"):
        Report.read({"verdict": "full"})


def test_a_record_that_kept_a_null_for_a_number_is_read() -> None:
    """An older version kept no air where it had seen none."""
    table = {**golden.kept("rehearse_1"), "air_l": None, "expected_fill_u95_l": None, "filled_l": None}
    report = Report.read(table)
    assert (report.air_l, report.expected_fill_u95_l, report.filled_l) == (0.0, 0.0, None)
