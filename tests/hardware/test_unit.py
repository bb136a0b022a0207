"""The unit file by systemd's own judgement: it is understood, and leaves little open."""

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from hardware import guard
from hardware.errors import HardwareError
from hardware.pins import PinMap
from hardware.unit import last_resort, mismatch, unit_text
from station.__main__ import main
from station.bay import doctor
from station.given.config import demo_path, read_config

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


OPT, ETC = Path("/opt/tallypan/.venv"), Path("/etc/tallypan/bay.toml")


@pytest.fixture
def placed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The guard stands where an installed one would."""
    monkeypatch.setattr("hardware.guard.__file__", "/opt/tallypan/.venv/lib/guard.py")


@pytest.mark.usefixtures("placed")
def test_a_bays_unit_ends_on_its_own_pumps_pins() -> None:
    pins = PinMap(pump=13, pump_cutoff=26, pump_watch=16, meter=17)
    text = unit_text(pins, Path("/etc/depot/bay-2.toml"), Path("/srv/tallypan"))
    assert "ExecStart=/srv/tallypan/bin/tallypan serve --config /etc/depot/bay-2.toml" in text
    assert (
        "ExecStopPost=/srv/tallypan/bin/python -I -S /opt/tallypan/.venv/lib/guard.py "
        "--pin 13 --cutoff 26 --watch 16 --off\n"
    ) in text
    assert "22" not in text
    assert "/opt/tallypan/.venv/bin" not in text


def test_the_guard_takes_the_last_resort_as_it_is_written() -> None:
    pins = PinMap(pump=13, pump_fine=20, pump_cutoff=26, pump_watch=16)
    assert guard.options(last_resort(pins).split()) == {
        "--pin": "13", "--fine": "20", "--cutoff": "26", "--watch": "16", "--off": "",
    }  # fmt: skip


@pytest.mark.usefixtures("placed")
def test_the_shipped_unit_is_that_of_the_default_pins(tmp_path: Path) -> None:
    assert mismatch(PinMap(), UNIT) is None
    written = tmp_path / UNIT.name
    written.write_text(unit_text(PinMap(), ETC, OPT))
    assert exposure(written) <= EXPOSURE_MOST
    assert mismatch(PinMap(), written) is None


@pytest.mark.usefixtures("placed")
@pytest.mark.parametrize(
    "pins", [PinMap(pump=13), PinMap(pump_cutoff=26), PinMap(pump=26, pump_cutoff=22), PinMap(pump_fine=16)]
)
def test_a_unit_of_other_pins_is_told(pins: PinMap, tmp_path: Path) -> None:
    wrong = mismatch(pins, UNIT)
    assert wrong is not None
    assert "'--pin 22 --off' after a crash" in wrong
    assert "tallypan unit" in wrong
    written = tmp_path / UNIT.name
    written.write_text(unit_text(pins, ETC, OPT))
    assert mismatch(pins, written) is None
    assert mismatch(PinMap(), written) is not None
    written.write_text(re.sub(r"ExecStopPost.*\n", "", UNIT.read_text()))
    assert "switches off 'nothing'" in (mismatch(pins, written) or "")
    assert mismatch(pins, tmp_path / "none") is None


@pytest.mark.usefixtures("placed")
@pytest.mark.parametrize("path", ["bay.toml", "/etc/bay 1.toml", "/etc/50%.toml", "/etc/a\nUser=root"])
def test_a_path_that_a_unit_cannot_spell_is_refused(path: str) -> None:
    with pytest.raises(HardwareError, match="expected a full path of letters"):
        unit_text(PinMap(), Path(path), OPT)


@pytest.mark.usefixtures("placed")
@pytest.mark.parametrize("path", ["/home/depot/bay.toml", "/tmp/bay.toml"])
def test_a_place_that_the_service_does_not_see_is_refused(path: str) -> None:
    with pytest.raises(HardwareError, match="the service does not see; move it to /opt or /etc"):
        unit_text(PinMap(), Path(path), OPT)


@pytest.mark.usefixtures("placed")
def test_the_command_reads_the_bays_own_file(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "bay.toml"
    file.write_text(demo_path().read_text().replace("pump = 22", "pump = 21"))
    monkeypatch.setattr("hardware.unit.HIDDEN", ())
    monkeypatch.setattr("sys.prefix", str(OPT))
    assert main(["unit", "--config", str(file)]) == 0
    printed = capsys.readouterr().out
    assert "--pin 21 --off" in printed
    assert f"serve --config {file}\n" in printed
    assert main(["unit", "--config", str(tmp_path / "none.toml")]) == 2


def test_the_doctor_tells_of_a_unit_of_other_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    config = read_config(demo_path())
    monkeypatch.setattr(doctor, "mismatch", lambda pins: mismatch(pins, UNIT))
    assert doctor.unit(config, simulated=False) == []
    other = replace(config, pins=replace(config.pins, pump=21))
    (found,) = doctor.unit(other, simulated=False)
    assert not found.ok
    assert doctor.unit(other, simulated=True) == []
