"""Goal W5 over real connections, in short; in full by ``make soak``."""

from pathlib import Path

import pytest

from tests.soak.wrong_pins import EACH, w5


@pytest.mark.parametrize("planted", [False, True], ids=["as it is", "tries uncounted"])
def test_wrong_pins_from_many_addresses_get_nowhere_and_lock_nobody_out(
    planted: bool, tmp_path: Path
) -> None:
    seen = w5(tmp_path, 8 if planted else EACH, planted)
    assert bool(seen.failed) is planted, seen.failed
