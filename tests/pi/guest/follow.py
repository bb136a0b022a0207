"""Runs on the emulated board: somebody at its keyboard who follows the README's section on a real bay, command by command.

part=install: what stands before the Pi is restarted. part=after: the doctor, and the pan calibrated as the page does it.
part=update: a newer version, and back. part=uninstall: the end.
"""

import os
import pty
import re
import shutil
import time
from pathlib import Path

from tests.pi.guest.bench import OWNER, SECRET, Bench, Page, given, run, tell

FOLDER = Path("/home/pi/tallypan")
SECTION = re.compile(r"^## A real bay$(.*?)^## ", re.M | re.S)
COMMAND = re.compile(r"^(sudo .+)$|`(sudo [^`]+)`", re.M)
BAY_FILE, CODE = Path("/etc/tallypan/bay.toml"), Path("/root/code")
SCALE = """
[serial.pan]
port = "/run/bench/scale"
pattern = 'W *([+-]? *[0-9]+\\.[0-9]) *g'
unit = "g"
resolution_g = 0.1
"""
"""The emulated chip has no converter: the pan is a scale on a serial line, as hardware/README.md has it."""
COUNTS = {"kg_per_count": "0.0001", "noise_counts": "0.3"}
WEIGHTS_G = (500, 1000, 2000)
HEAVY = 1.002
"""What the scale shows too much."""
ANSWERS = {
    "What is the bay called": "Bay 7", "bare pint or quart": "neither", "how many kg|How many kg": "20", "mV per V": "2",
    "How is the pan weighed": "cells", "How does the meter come in": "pin", "pulses per litre": "402.5", "Is it wired": "yes", "1-Wire thermometers wired": "yes", "reach the page": "yes", "Who is the owner": "E. Brandvold",
    "Do this": "yes",
}  # fmt: skip


def commands() -> list[str]:
    """The section's commands in its order, those in its sentences among them."""
    found = SECTION.search((FOLDER / "README.md").read_text())
    assert found is not None, "the README has no section on a real bay"
    return [(one[1] or one[2]).strip() for one in COMMAND.finditer(found[1])]


def typed(command: str, folder: Path = FOLDER) -> str:
    """Type a command in the project's folder, and answer what it asks; what it said. Raises AssertionError at a question without
    answer."""
    pid, line = pty.fork()
    if pid == 0:
        os.chdir(folder)
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
    return text


def version() -> object:
    """What runs, once the page is open and says how it is."""
    end_s = time.monotonic() + 300.0
    while time.monotonic() < end_s:
        status, said = page.ask("GET", "/health")
        if status:
            return [status, said, os.readlink("/opt/tallypan/current")]
        time.sleep(0.2)
    return run("journalctl", "-u", "tallypan", "-o", "cat", "-n", "40", "--no-pager")


def come_in() -> None:
    """The owner, by the code that installing printed."""
    page.do("claim", name=OWNER, code=CODE.read_text(), secret=SECRET)


def read(load: str) -> None:
    """Wait until the pan is calm, and have it read. Raises AssertionError with the page's words."""
    end_s = time.monotonic() + 60.0
    status, words = 0, None
    while status != 200:
        assert time.monotonic() < end_s, f"{load}: {words}"
        time.sleep(2.0)
        status, words = page.ask("POST", "/api/calibration/read", {"step": "up", "load": load})


def calibrated() -> None:
    """Weights on the pan, one heavier than the other, as the page asks for them."""
    page.do("calibration/pan", loads=", ".join(f"{g} g" for g in WEIGHTS_G))
    for grams in (0, *WEIGHTS_G):
        bench.pan_g = grams * HEAVY
        read(f"{grams} g")
    page.do("prove", secret=SECRET)
    weights = [{"name": f"weight {g} g", "value": f"{g} g", "u": "0.05 g"} for g in WEIGHTS_G]
    page.do(
        "calibration/finish",
        made_by=OWNER,
        valid_until="2099-01-01",
        references=weights,
        use_from="0 kg",
        use_to="2 kg",
    )
    tell("certificates", [one["kind"] for one in page.ask("GET", "/calibration.json")[1]["certificates"]])


tell("commands", commands())
install, stop, doctor, start, update, back, uninstall = commands()
page = Page(secure=True)
part = given("part")
if part == "install":
    text = typed(install)
    tell("config", Path("/boot/firmware/config.txt").read_text())
    found = re.search(r"with the code (\S+) on", text)
    CODE.write_text(found[1] if found else "")
elif part == "after":
    bench = Bench()
    tell("health", version())
    tell("enabled", run("systemctl", "is-enabled", "tallypan"))
    come_in()
    typed(stop)
    typed(doctor)
    text = BAY_FILE.read_text()
    for name, value in COUNTS.items():
        text = re.sub(rf"^{name} = .*$", f"{name} = {value}", text, flags=re.M)
    BAY_FILE.write_text(text + SCALE)
    typed(start)
    tell("started", version())
    page.do("sign-in", name=OWNER, secret=SECRET)
    calibrated()
elif part == "update":
    bench = Bench()
    tell("before", version())
    newer = FOLDER.with_name("newer")
    shutil.copytree(FOLDER, newer)
    project = newer / "pyproject.toml"
    project.write_text(re.sub(r'^version = "(.*)"', r'version = "\1.1"', project.read_text(), flags=re.M))
    typed(update, newer)
    tell("newer", version())
    typed(back, newer)
    tell("older", version())
else:
    typed(uninstall)
    gone = ("/etc/systemd/system/tallypan.service", "/opt/tallypan", "/usr/local/bin/tallypan")
    tell(
        "left",
        [path for path in (*gone, str(BAY_FILE), "/var/lib/tallypan/ledger.sqlite") if os.path.lexists(path)],
    )
os.sync()
print("GUEST DONE 0", flush=True)
