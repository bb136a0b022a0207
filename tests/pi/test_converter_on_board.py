"""How much work a clock pulse to the converter is, by reader, on the kernel's real pin driver.

With -icount shift=0 the board's clock counts instructions, one to the nanosecond, so no other load changes the figure. A
pulse may last 60 µs: what that leaves of a Pi's speed is an estimate, 60 to 190 instructions a microsecond from a Zero 2 W
to a Pi 4.
"""

from tests.pi.board import boot

LINES_MOST = 8_000
PACKAGE_LEAST = 3 * LINES_MOST
"""Should the package become as short, the wiring guide's advice is out of date."""


def test_a_pulse_by_direct_calls_is_short_and_auto_prefers_it() -> None:
    seen = boot("converter.py", more=("-icount", "shift=0,sleep=off")).results
    print(seen)
    assert seen["instructions"]["lgpio"][0] <= LINES_MOST
    assert seen["instructions"]["package"][0] >= PACKAGE_LEAST
    assert [said.split(":")[0] for said in seen["told"]] == ["lgpio", "package"]
