"""Where an installed station's files are."""

from pathlib import Path

HOME = Path("/opt/tallypan")
RELEASES = HOME / "releases"
CURRENT, PREVIOUS = HOME / "current", HOME / "previous"
"""Links to the release that runs, and to the one before it."""
UNIT_COPY = "tallypan.service"
"""The unit that a release was started by, kept in it for the way back."""
BAY_FILE = Path("/etc/tallypan/bay.toml")
STATE = Path("/var/lib/tallypan")
RECORD = STATE / "ledger.sqlite"
COMMAND = Path("/usr/local/bin/tallypan")
ACCOUNTS = Path("/usr/lib/sysusers.d/tallypan.conf")
BOOT_FILES = (Path("/boot/firmware/config.txt"), Path("/boot/config.txt"))
USER = "tallypan"
PORT = 8765
UNIT = Path("/etc/systemd/system/tallypan.service")
FIRST_START = UNIT.with_suffix(".service.d") / "first-start.conf"
"""What is added to the unit (systemd.unit(5)) where only the system's own Python can compile the station."""
