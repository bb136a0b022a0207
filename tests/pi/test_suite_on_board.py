"""The project's own tests where the card's Python and wheels for arm64 run them: figures, bytes and files come out as they do
here. In ``make pi-test`` those that turn on numbers; in ``make pi-soak`` more of them."""

from pathlib import Path

import pytest

from station.commands.installing.system import look
from tests.pi.suite import run, tried, userland

NUMBERS = """
    tests/calibration/test_budget.py tests/calibration/test_loadcell.py tests/calibration/test_student.py
    tests/published/test_c2sp_signed_note.py tests/published/test_nist_strd.py tests/published/test_rfc_6962_merkle.py
    tests/published/test_rfc_8032_ed25519.py
    tests/station/common/test_digits.py tests/station/common/test_spreadsheet.py tests/station/common/test_units.py
    tests/station/record/test_blocks.py tests/station/record/test_chain.py tests/station/record/test_samples.py
""".split()
"""Fits and quantiles, signatures by OpenSSL, hashes of canonical JSON, numbers as a person reads and writes them, samples packed
and read back from SQLite."""
MORE = """
    tests/calibration/test_meter.py tests/hardware/test_converters.py tests/hardware/test_serial.py tests/station/weighing/test_rest.py
""".split()
"""Fits of two kinds, fields of bits, and lines that are pseudo-terminals."""
PLAYED, REHEARSED = (
    "tests/station/rehearsing/test_golden.py",
    "test_a_rehearsal_gives_the_figures_that_were_kept",
)


ASKED = """
import gpiod, platform, sys
print(platform.machine(), *sys.version_info[:2], *platform.libc_ver(), gpiod.api_version.split(".")[0])
"""
"""The last is libgpiod's: Bookworm's own is its first version, Trixie's its second, and the package brings one of its own."""


@pytest.fixture(scope="module")
def few() -> Path:
    return userland()


@pytest.fixture(scope="module")
def newer() -> Path:
    return userland("trixie")


def test_it_is_the_card_s_python_on_its_processor(few: Path) -> None:
    assert run(few, "python", "-c", ASKED).stdout.split() == ["aarch64", "3", "11", "glibc", "2.36", "2"]


def numbers_and_a_whole_job(root: Path) -> None:
    passed, told = tried(root, *NUMBERS, PLAYED, "--deselect", f"{PLAYED}::{REHEARSED}[2]", "--deselect", f"{PLAYED}::{REHEARSED}[3]")  # fmt: skip
    assert told == []
    assert passed > 290


def test_what_turns_on_numbers_and_a_whole_job(few: Path) -> None:
    """Among it a replay and a rehearsal, whose figures are those that were kept."""
    numbers_and_a_whole_job(few)


@pytest.mark.long
def test_the_same_on_the_newer_debian(newer: Path) -> None:
    assert run(newer, "python", "-c", ASKED).stdout.split() == ["aarch64", "3", "13", "glibc", "2.41", "2"]
    numbers_and_a_whole_job(newer)


@pytest.mark.long
def test_an_installation_takes_the_newer_debian(newer: Path) -> None:
    """What it looks at is there as it takes it; the GPIO library is the one thing that has to come from the system."""
    seen = look(newer)
    assert (seen.version, seen.wide, seen.machine) == ((3, 13), True, "aarch64")
    assert "trixie" in seen.name
    assert seen.lacks == ("python3-lgpio",)


@pytest.mark.long
def test_more_rooms(few: Path) -> None:
    passed, told = tried(few, *MORE)
    assert told == []
    assert passed > 220


@pytest.mark.long
def test_every_rehearsal(few: Path) -> None:
    passed, told = tried(few, PLAYED, "-m", "")
    assert told == []
    assert passed == 22
