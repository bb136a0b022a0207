"""Goal W5 over real connections, in short; in full by ``make soak``."""

from pathlib import Path

from station.people.lockout import TRIES
from tests.soak.wrong_pins import EACH, w5


def test_wrong_pins_from_many_addresses_get_nowhere_and_lock_nobody_out(tmp_path: Path) -> None:
    seen, planted = w5(tmp_path, EACH, planted=TRIES + 1)
    assert (seen.trials, seen.failed) == (EACH, [])
    assert planted.failed, "tries that nobody counts would not be seen"
