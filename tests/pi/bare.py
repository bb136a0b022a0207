"""A card as a Pi's own imager leaves it, for whoever follows the README: Debian, the project's folder at somebody's home, and no
station. The board has no network, so pip finds the packages of ``requirements.lock`` in a folder, by the system's own pip.conf.
"""

import re
import shutil
from pathlib import Path

from tests.pi.card import PACKAGES, debian, file_system, locked, project, settle
from tests.pi.stock import CACHE, ROOT, download_wheels, kept, key

MORE = [
    "sudo",
    "python3-venv",
    "libpam-modules",
    "libpam-modules-bin",
    "libpam-runtime",
    "libpango-1.0-0",
    "libpangoft2-1.0-0",
]
"""Among them what apt would bring for the station, had the board a network."""
FOLDER = "home/pi/tallypan"
FILES_MIB, CARD_MIB = 1984, 2048
"""A release is 420 MB, and an update puts another one beside it."""
CONFIG = "# For more options see the documentation\ndtparam=audio=on\n\n[all]\nenable_uart=1\n"
PIP = "[global]\nno-index = true\nfind-links = /srv/wheels\n"
PAM = {
    "auth": "pam_permit.so",
    "account": "pam_permit.so",
    "password": "pam_deny.so",
    "session": "pam_permit.so",
}


def bare_card() -> Path:
    """The card. Copy it before it is written."""
    told = [key(path.read_bytes()) + str(path) for path in [*project(), Path(__file__)]]
    image, filled = kept("bare", key(PACKAGES, locked(), FILES_MIB, CARD_MIB, *told))
    if filled:
        return image
    root = CACHE / "bare.new"
    debian(root, [*PACKAGES, *MORE])
    settle(root)
    for name in ("passwd", "group", "shadow"):  # the station's user comes with the station
        file = root / "etc" / name
        file.write_text(re.sub(r"^tallypan:.*\n", "", file.read_text(), flags=re.M))
    shutil.rmtree(root / "etc/tallypan")
    for name, module in PAM.items():
        # What libpam-runtime's own script would have written, for a machine without passwords.
        for kind in ("", "-noninteractive") if name == "session" else ("",):
            (root / f"etc/pam.d/common-{name}{kind}").write_text(f"{name} required {module}\n")
    for name in ("tmp", "var/tmp"):
        (root / name).chmod(0o1777)
    (root / "boot/firmware").mkdir(parents=True)
    (root / "boot/firmware/config.txt").write_text(CONFIG)
    (root / "etc/pip.conf").write_text(PIP)
    download_wheels(locked(), root / "srv/wheels")
    for path in project():
        there = root / FOLDER / path.relative_to(ROOT)
        there.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, there)
    file_system(root, image, FILES_MIB, CARD_MIB)
    return image
