"""The service's unit for one bay: the shipped one with this environment's paths and the pins of the bay's own file.

The pump's pin stands twice, in the bay's file and in the unit's last resort. Written by hand they part one day, and what
then switches off after a crash is not the pump.
"""

import re
from importlib import resources
from pathlib import Path

from hardware import guard
from hardware.errors import HardwareError
from hardware.pins import PinMap

INSTALLED = Path("/etc/systemd/system/tallypan.service")
SHIPPED_HOME, SHIPPED_FILE = "/opt/tallypan/.venv", "/etc/tallypan/bay.toml"
HIDDEN = ("/home/", "/root/", "/run/user/", "/tmp/", "/var/tmp/")
"""Folders that the unit hides from the service (ProtectHome, PrivateTmp)."""
_PLAIN = re.compile(r"/[A-Za-z0-9/_.+@-]+")
_LAST_RESORT = re.compile(r"^ExecStopPost=.*$", re.M)


def last_resort(pins: PinMap) -> str:
    """Get the options that switch off everything that the guard may have left on."""
    fitted = {
        "--pin": pins.pump,
        "--fine": pins.pump_fine,
        "--cutoff": pins.pump_cutoff,
        "--watch": pins.pump_watch,
    }
    return " ".join([f"{name} {pin}" for name, pin in fitted.items() if pin is not None] + ["--off"])


def unit_text(
    pins: PinMap,
    bay_file: Path,
    environment: Path,
    guard_file: Path | None = None,
    backup: Path | None = None,
) -> str:
    """Get the unit for a bay. environment: the folder with ``bin/tallypan``. guard_file: the guard as it stands there,
    where that is not the one that runs here. backup: another folder that the service writes into. Raises HardwareError for a place that the service could not read or that a
    unit cannot spell."""
    guard_file = Path(guard.__file__) if guard_file is None else guard_file
    places = {"the bay's file": bay_file, "the environment": environment, "the guard": guard_file}
    if backup is not None:
        places["the folder for copies"] = backup
    for what, path in places.items():
        if not _PLAIN.fullmatch(str(path)):
            raise HardwareError(
                f"{what} is {path}; expected a full path of letters, digits and /_.+@-: move it."
            )
        if str(path).startswith(HIDDEN):
            raise HardwareError(
                f"{what} is {path}, which the service does not see; move it to /opt or /etc, such as {SHIPPED_FILE}."
            )
    text = (resources.files("hardware") / "tallypan.service").read_text()
    text = text.replace(SHIPPED_HOME, str(environment)).replace(SHIPPED_FILE, str(bay_file))
    command = f"{environment}/bin/python -I -S {guard_file} {last_resort(pins)}"
    if backup is not None:
        # The rest of the system is not the service's to write; a medium that is not there keeps nothing from starting.
        text = text.replace("ProtectSystem=strict\n", f"ProtectSystem=strict\nReadWritePaths=-{backup}\n")
    return _LAST_RESORT.sub(f"ExecStopPost={command}", text)


def mismatch(pins: PinMap, installed: Path = INSTALLED) -> str | None:
    """Get what is wrong with the installed unit's last resort; None where there is no unit, or it holds."""
    try:
        text = installed.read_text()
    except OSError:
        return None
    found = _LAST_RESORT.search(text)
    said = re.sub(r"^.*?(?=--)", "", found[0]) if found else ""
    if sorted(re.findall(r"--\w+(?: \d+)?", said)) == sorted(
        re.findall(r"--\w+(?: \d+)?", last_resort(pins))
    ):
        return None
    return (
        f"{installed} switches off '{said or 'nothing'}' after a crash, [pins] ask for '{last_resort(pins)}': "
        "write it again with tallypan unit"
    )
