"""What three people should meet is a table in tests/journeys/README.md: each row names the tests that say so."""

import re
from pathlib import Path

TESTS = Path(__file__).parent
TABLE = TESTS / "journeys" / "README.md"


def test_every_row_has_a_test_and_every_test_exists() -> None:
    rows = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if line.startswith("| ")]
    rows = [line for line in rows if not line.endswith("| Asserted by |")]
    assert len(rows) >= 39
    for row in rows:
        named = re.findall(r"`(\S+\.py)::(\w+)`", row)
        assert named, row
        for file, test in named:
            assert f"def {test}(" in (TESTS / file).read_text(encoding="utf-8"), f"{file}::{test}"
