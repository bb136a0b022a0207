"""Carries a plan's steps out on a system, under the folder where its files are seen."""

import json
import os
import shutil
import ssl
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from pathlib import Path

from station.commands.installing import places
from station.commands.installing.plan import requirements
from station.commands.installing.steps import (
    Accounts,
    Certificate,
    CheckBay,
    Environment,
    Folder,
    Healthy,
    Owner,
    Packages,
    PutBack,
    Remove,
    Service,
    Step,
    Switch,
    Write,
)
from station.commands.installing.system import System, at
from station.errors import StationError

PARTS = ("calibration", "hardware", "station", "web")
GLIBC = ("2_36", "2_34", "2_31", "2_28", "2_17")
"""Of Bookworm and what came before it: a wheel says which one it was built on (PEP 600)."""
TRY_AGAIN_S = 1.0
"""A station that does not answer is asked once a second."""
Run = Callable[[Sequence[str]], None]


def run_it(words: Sequence[str]) -> None:
    """Run a program; its output is the person's to see. Raises StationError where it fails or is not there."""
    try:
        status = subprocess.run(list(words), check=False).returncode
    except OSError as error:
        raise StationError(f"{words[0]} could not be run ({error}).") from error
    if status:
        raise StationError(f"{' '.join(words)} failed (status {status}); its last lines say why.")


def _fetched(address: str) -> bytes:
    """What this machine's own station answers, whatever its status; nothing where nobody does."""
    trust = ssl.create_default_context()
    trust.check_hostname, trust.verify_mode = False, ssl.CERT_NONE  # signed by itself, and asked on loopback
    try:
        with urllib.request.urlopen(address, timeout=5, context=trust) as reply:
            return bytes(reply.read())
    except urllib.error.HTTPError as error:
        return error.read()
    except (OSError, ValueError):
        return b""


def job_is_open(address: str) -> bool:
    """Whether the station whose health is at an address is in the midst of a job."""
    return b"\ntallypan_job_open 1" in _fetched(address.replace("/health", "/metrics"))


def checks(address: str) -> dict[str, bool] | None:
    """What a station at an address says of itself: its vital checks; None where nothing answers there."""
    said = _fetched(address)
    try:
        return {name: bool(one["ok"]) for name, one in json.loads(said)["checks"].items() if one["vital"]}
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


class Shell:
    """system: where to. run: runs a program, as root of the machine."""

    def __init__(self, system: System, run: Run = run_it) -> None:
        self._system = system
        self._run = run
        self._release: str | None = system.current
        os.umask(0o022)

    def at(self, path: Path) -> Path:
        return at(self._system.root, path)

    def do(self, step: Step) -> None:  # noqa: C901  # one arm for each kind of step
        """Carry one step out. Raises StationError, InputError or OSError."""
        match step:
            case Packages():
                self._run(["apt-get", "update"])
                self._run(["apt-get", "install", "-y", *step.names])
            case Accounts():
                self._write(places.ACCOUNTS, step.text(), 0o644)
                self._run(["systemd-sysusers", f"--root={self._system.root}", places.ACCOUNTS.name])
            case Folder():
                self.at(step.path).mkdir(parents=True, exist_ok=True)
                self.at(step.path).chmod(step.mode)
                self._own(step.path, step.owner)
            case Write():
                here = self.at(step.path)
                if step.keep and here.exists() and here.read_text(errors="replace") != step.text:
                    shutil.copy2(here, here.with_name(here.name + step.keep))
                self._write(step.path, step.text, step.mode)
            case Environment():
                self._environment(step)
            case CheckBay():
                self._release = step.release
                self._tool("doctor", "--file-only", "--config", str(self.at(places.BAY_FILE)))
            case Certificate():
                self._tool("certificate", step.name, "--folder", str(self.at(places.STATE)))
                self._own_state()
            case Owner():
                record = str(self.at(places.RECORD))
                self._tool("people", "--ledger", record, "add", step.name, "--role", "owner")
                self._own_state()
            case Switch():
                unit = self.at(places.UNIT)
                if unit.exists():
                    self._write(places.RELEASES / step.current / places.UNIT_COPY, unit.read_text(), 0o644)
                if step.previous is not None and step.previous != step.current:
                    self._link(places.PREVIOUS, step.previous)
                self._link(places.CURRENT, step.current)
                self._release = step.current
            case Service():
                self._service(step.verb)
            case Healthy():
                self._wait(step)
            case PutBack():
                self._put_back(step)
            case Remove():
                here = self.at(step.path)
                if here.is_dir() and not here.is_symlink():
                    shutil.rmtree(here)
                else:
                    here.unlink(missing_ok=True)

    def _write(self, path: Path, text: str, mode: int) -> None:
        """All of it or nothing, also when the power goes."""
        here = self.at(path)
        here.parent.mkdir(parents=True, exist_ok=True)
        fresh = here.with_name(f".{here.name}.new")
        with fresh.open("w", encoding="utf-8") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        fresh.chmod(mode)
        fresh.replace(here)

    def _link(self, link: Path, release: str) -> None:
        fresh = self.at(link).with_name(f".{link.name}.new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(Path(places.RELEASES.name) / release)
        fresh.replace(self.at(link))

    def _own(self, path: Path, owner: str) -> None:
        if os.geteuid() != 0:
            return  # a trial under a folder of one's own: the command itself asks for root on a real system
        for row in self.at(Path("/etc/passwd")).read_text().splitlines():
            name, _, uid, gid, *_ = row.split(":")
            if name == owner:
                os.chown(self.at(path), int(uid), int(gid))
                return
        raise StationError(
            f"the user {owner} is not in {self.at(Path('/etc/passwd'))}; nothing can be its own."
        )

    def _own_state(self) -> None:
        self._own(places.STATE, places.USER)
        for name in os.listdir(self.at(places.STATE)):
            self._own(places.STATE / name, places.USER)

    def _tool(self, *words: str) -> None:
        """Run a command of the release; for another machine's system by this machine's own Python."""
        if self._system.native:
            self._run([f"{places.RELEASES}/{self._release}/bin/tallypan", *words])
        else:
            self._run([sys.executable, "-m", "station", *words])

    def _service(self, verb: str) -> None:
        manager = ["systemctl"] if self._system.native else ["systemctl", f"--root={self._system.root}"]
        if self._system.native:
            self._run([*manager, "daemon-reload"])
        if verb == "disable" and not self.at(places.UNIT).exists():
            return
        now = ["--now"] if verb == "disable" and self._system.native else []
        self._run([*manager, verb, *now, places.UNIT.name])

    def _environment(self, step: Environment) -> None:
        home = self.at(step.path)
        shutil.rmtree(home, ignore_errors=True)
        home.mkdir(parents=True)
        lock = (step.source / "requirements.lock").read_text(encoding="utf-8")
        needs = home / "requirements.txt"
        major, minor = self._system.version
        needs.write_text(requirements(lock, step.without, (major, minor)), encoding="utf-8")
        site = home / f"lib/python{major}.{minor}/site-packages"
        found = [] if step.wheels is None else ["--no-index", "--find-links", str(step.wheels)]
        pip = ["pip", "install", "-q", "--disable-pip-version-check", "--require-hashes", "--no-deps", *found]
        if self._system.native:
            beside = ["--system-site-packages"] if step.beside else []
            self._run([str(self._system.python), "-m", "venv", *beside, str(home)])
            self._run([str(home / "bin/python"), "-m", *pip, "-r", str(needs)])
        else:
            self._bare_environment(home, step.beside)
            platforms = [f"--platform=manylinux_{glibc}_{self._system.machine}" for glibc in GLIBC]
            pip += [
                "--only-binary=:all:",
                "--ignore-requires-python",  # pip holds this machine's against it, whichever it installs for
                "--implementation=cp",
                f"--python-version={major}.{minor}",
                *platforms,
            ]
            self._run([sys.executable, "-m", *pip, "--no-compile", "--target", str(site), "-r", str(needs)])
        for part in PARTS:
            shutil.copytree(
                step.source / part,
                site / part,
                ignore=shutil.ignore_patterns("__pycache__"),
                dirs_exist_ok=True,
            )
        script = (
            f"#!{step.path}/bin/python\nimport sys\n\nfrom station.__main__ import main\n\nsys.exit(main())\n"
        )
        self._write(step.path / "bin/tallypan", script, 0o755)
        # What the service may not write, it would compile anew at every start. Bytecode is the same on every machine.
        compiled = [f"{site}/web/templates/__pycache__"]
        if self._system.native:
            python = [str(home / "bin/python")]
        elif sys.version_info[:2] == self._system.version:
            python = [sys.executable]
        else:
            return  # its first start does it
        self._run([*python, "-m", "compileall", "-q", "-s", str(self._system.root), str(site)])
        # The templates by the release's own jinja2, by whose version they are known.
        self._run(["env", f"PYTHONPATH={site}", *python, "-m", "web.frame.compiled", *compiled])

    def _bare_environment(self, home: Path, beside: bool) -> None:
        """As python -m venv makes it, for a system whose Python cannot be run here."""
        python = self._system.python
        (home / "bin").mkdir()
        (home / "bin/python").symlink_to(python)
        (home / "bin/python3").symlink_to("python")
        version = ".".join(map(str, self._system.version))
        rows = (
            f"home = {python.parent}",
            f"include-system-site-packages = {str(beside).lower()}",
            f"version = {version}",
        )
        (home / "pyvenv.cfg").write_text("\n".join(rows) + "\n")

    def _wait(self, step: Healthy) -> None:
        said: dict[str, bool] | None = None
        for _ in range(round(step.limit_s)):
            said = checks(step.address)
            if said is not None and all(said.get(name, False) for name in step.well):
                return
            time.sleep(TRY_AGAIN_S)
        if said is None:
            raise StationError(
                f"{step.address} did not answer within {step.limit_s:.0f} s; journalctl -u tallypan says why."
            )
        worse = ", ".join(name for name in step.well if not said.get(name, False))
        raise StationError(
            f"not well any more after {step.limit_s:.0f} s: {worse}; journalctl -u tallypan says why."
        )

    def _put_back(self, step: PutBack) -> None:
        """A record's own copy from before it was brought up carries its version in its name."""
        state = self.at(places.STATE)
        fresh = sorted(one.name for one in state.glob("*-version-*.sqlite") if one.name not in step.known)
        if not fresh:
            return
        self._run(["systemctl", "stop", places.UNIT.name])
        self._tool("restore", str(state / fresh[0]), "--config", str(self.at(places.BAY_FILE)))
        self._own_state()
