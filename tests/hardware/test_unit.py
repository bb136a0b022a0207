"""The unit file by systemd's own judgement: it is understood, and leaves little open."""

import re
import subprocess
import sys
from pathlib import Path

UNIT = Path(__file__).parents[2] / "hardware" / "tallypan.service"
EXPOSURE_MOST = 2.0


def judged(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True)


def exposure(unit: Path) -> float:
    said = judged("security", "--offline=true", "--no-pager", str(unit)).stdout
    found = re.search(r"exposure level for \S+: ([0-9.]+)", said)
    assert found, said
    return float(found[1])


def test_the_unit_leaves_little_open() -> None:
    assert exposure(UNIT) <= EXPOSURE_MOST


def test_what_keeps_the_kernel_apart_is_what_the_measure_sees(tmp_path: Path) -> None:
    """The proof's own proof: without those lines it would not pass."""
    bare = tmp_path / UNIT.name
    bare.write_text(
        re.sub(r"^(Protect(Kernel|Clock|Control)|RestrictSUID).*\n", "", UNIT.read_text(), flags=re.M)
    )
    assert exposure(bare) > EXPOSURE_MOST


def test_systemd_understands_every_line(tmp_path: Path) -> None:
    here = tmp_path / UNIT.name
    here.write_text(re.sub(r"/opt/tallypan/\.venv/bin/\w+", sys.executable, UNIT.read_text()))
    said = judged("verify", "--man=no", "--recursive-errors=no", str(here))
    assert (said.returncode, said.stderr) == (0, "")
    here.write_text(here.read_text().replace("UMask=0077", "UMusk=0077"))
    assert "UMusk" in judged("verify", "--man=no", "--recursive-errors=no", str(here)).stderr


def test_the_record_lies_where_it_survives_the_stop() -> None:
    unit = UNIT.read_text()
    assert "StateDirectory=tallypan\n" in unit
    assert '"/var/lib/tallypan/ledger.sqlite"' in unit
