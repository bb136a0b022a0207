"""A station that keeps something of each job would be caught by goal L1, whose long form is ``make soak``."""

import pytest

from tests.soak.lasting import l1

JOBS = 16


@pytest.mark.long
@pytest.mark.parametrize(("leak", "told"), [("memory", "pieces of memory"), ("files", "files: ")])
def test_a_leak_would_be_caught(leak: str, told: str) -> None:
    seen, _ = l1(3600.0, JOBS, leak)
    assert [text for text in seen.failed if told in text]


@pytest.mark.long
def test_without_one_nothing_grows() -> None:
    seen, _ = l1(3600.0, JOBS)
    assert seen.failed == []
