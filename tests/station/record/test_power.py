"""What a power cut, a full card and a failing card leave of the record; each proof is shown to see its planted fault.

In full length by ``make soak``.
"""

from pathlib import Path

import pytest

from tests.soak.one_writer import one_writer
from tests.soak.power import STRACE, failing, power_cuts

needs_strace = pytest.mark.skipif(STRACE is None, reason="strace is not installed; make test puts it there")


@needs_strace
def test_after_a_power_cut_everything_acknowledged_is_there(tmp_path: Path) -> None:
    seen = power_cuts(tmp_path, 40)
    assert (seen.trials, seen.failed) == (40, [])
    assert max(seen.values) > 40  # cuts fell all along


@needs_strace
@pytest.mark.parametrize("synchronous", ["normal", "off"])
def test_a_record_that_does_not_sync_would_be_caught(synchronous: str, tmp_path: Path) -> None:
    assert power_cuts(tmp_path, 10, synchronous).failed != []


@needs_strace
@pytest.mark.parametrize(("call", "error"), [("pwrite64", "ENOSPC"), ("fdatasync", "EIO")])
@pytest.mark.parametrize("lasting", [False, True])
def test_nothing_is_acknowledged_that_a_full_or_failing_card_did_not_take(
    call: str, error: str, lasting: bool, tmp_path: Path
) -> None:
    seen = failing(tmp_path, call, error, 6, lasting)
    assert (seen.trials, seen.failed) == (6, [])
    assert sum(seen.values) >= 4


@needs_strace
@pytest.mark.parametrize(("call", "error"), [("pwrite64", "ENOSPC"), ("fdatasync", "EIO")])
def test_a_writer_that_swallows_what_it_is_told_would_be_caught(
    call: str, error: str, tmp_path: Path
) -> None:
    assert failing(tmp_path, call, error, 10, lasting=False, planted=True).failed != []


def test_one_writes_and_four_read(tmp_path: Path) -> None:
    seen = one_writer(tmp_path, seconds=2.0)
    assert seen.failed == []
    assert seen.trials > 0


def test_a_second_writer_would_be_caught(tmp_path: Path) -> None:
    assert one_writer(tmp_path, seconds=1.0, planted=True).failed != []
