"""Runs on the emulated board: somebody at its keyboard who follows the README's section on a real bay, command by command.

part=install: what stands before the Pi is restarted. part=after: the rest, on a board that has been started since.
"""

import json
import os
import pty
import re
import ssl
import subprocess
import time
import urllib.error
import urllib.request
from pathlib import Path

from tests.pi.guest.bench import given, run, tell

FOLDER = Path("/home/pi/tallypan")
SECTION = re.compile(r"^## A real bay$(.*?)^## ", re.M | re.S)
COMMAND = re.compile(r"^```\n(.+?)\n```$|`(sudo [^`]+)`", re.M | re.S)
ANSWERS = {
    "What is the bay called": "Bay 7", "bare pint or quart": "neither", "how many kg|How many kg": "20", "mV per V": "2",
    "pulses per litre": "402.5", "Is it wired": "yes", "reach the page": "yes", "Who is the owner": "E. Brandvold",
    "Do this": "yes",
}  # fmt: skip


def commands() -> list[str]:
    """The section's commands in its order, those in its sentences among them."""
    found = SECTION.search((FOLDER / "README.md").read_text())
    assert found is not None, "the README has no section on a real bay"
    return [(one[1] or one[2]).strip() for one in COMMAND.finditer(found[1])]


def typed(command: str) -> None:
    """Type a command in the project's folder, and answer what it asks. Raises AssertionError at a question without answer."""
    pid, line = pty.fork()
    if pid == 0:
        os.chdir(FOLDER)
        os.execv("/bin/bash", ["bash", "-c", command])
    text, seen = "", 0
    while True:
        try:
            piece = os.read(line, 4096)
        except OSError:  # the far end has gone
            break
        if not piece:
            break
        text += piece.decode("utf-8", "replace")
        os.write(1, piece)  # installing takes minutes: whoever waits sees where it is
        asked = text[seen:].rpartition("\n")[2]
        if asked.endswith(" ") and ("?" in asked):
            answer = next((said for words, said in ANSWERS.items() if re.search(words, asked)), None)
            assert answer is not None, f"{command} asks {asked!r}"
            os.write(line, answer.encode() + b"\n")
            seen = len(text)
    status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    tell(command.replace(" ", "_"), {"status": status, "said": text[-6000:]})


def healthy() -> object:
    """What /health says over TLS once the page is open, signed by itself as it is."""
    trust = ssl.create_default_context()
    trust.check_hostname, trust.verify_mode = False, ssl.CERT_NONE
    end_s = time.monotonic() + 300.0
    while time.monotonic() < end_s:
        try:
            with urllib.request.urlopen("https://127.0.0.1:8765/health", timeout=30, context=trust) as reply:
                return [reply.status, json.loads(reply.read())]
        except urllib.error.HTTPError as error:
            return [error.code, json.loads(error.read())]
        except OSError:
            time.sleep(0.2)
    return run("journalctl", "-u", "tallypan", "-o", "cat", "-n", "40", "--no-pager")


def there(*paths: str) -> dict[str, bool]:
    return {path: os.path.lexists(path) for path in paths}


tell("commands", commands())
install, doctor, _, _, uninstall = commands()
if given("part") == "install":
    typed(install)
    tell("config", Path("/boot/firmware/config.txt").read_text())
    os.sync()
else:
    tell("health", healthy())
    tell("enabled", run("systemctl", "is-enabled", "tallypan"))
    subprocess.run(["systemctl", "stop", "tallypan"], check=True)
    typed(doctor)
    typed(uninstall)
    tell("left", there("/etc/systemd/system/tallypan.service", "/opt/tallypan", "/usr/local/bin/tallypan",
                       "/var/lib/tallypan/ledger.sqlite", "/etc/tallypan/bay.toml"))  # fmt: skip
print("GUEST DONE 0", flush=True)
