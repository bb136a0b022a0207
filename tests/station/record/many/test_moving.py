"""In short what ``tests.soak.moving`` plays for long."""

from pathlib import Path

from station.record.many.store import Store
from tests.soak import moving


def test_a_bay_that_is_moved_and_retired_while_it_sends_has_each_job_under_one_name(
    store: Store, tmp_path: Path
) -> None:
    found = moving.play(store, tmp_path / "bay.sqlite", 6)
    assert (found.jobs, found.there, found.twice, found.wrong) == (48, 48, 0, ())
    assert found.done["moved"] > 0
