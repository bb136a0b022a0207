"""What will be done to a system, as a list of typed steps: nothing here touches anything."""

import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from hardware.unit import unit_text
from station.commands.installing import boot, places
from station.commands.installing.bay_file import Said
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
from station.commands.installing.system import OLDEST, WITHOUT_WHEEL, System
from station.errors import InputError

GROUPS = ("gpio", "dialout", "spi")
PEOPLE = "people.json"
"""Beside the record: somebody is set up already."""
FROM_SYSTEM = ("lgpio",)
FOR_PYTHON = re.compile(r" ; python_full_version (<|>=) '(\d+)\.(\d+)'(?= )")
LOCKED = re.compile(r"^([A-Za-z0-9._-]+)==.*(?:\\\n.*)*\n?", re.M)


@dataclass(frozen=True)
class Wishes:
    """source: the folder of the version to be installed. bay_text: the bay's file. owner: who signs in first; None where
    nobody was named. boot: whether config.txt may be added to. wheels: a folder with the packages, for a Pi without a network.
    python: the version of the one that installs.
    """

    source: Path
    version: str
    bay_text: str
    said: Said
    owner: str | None = None
    boot: bool = True
    wheels: Path | None = None
    python: tuple[int, int] = sys.version_info[:2]


@dataclass(frozen=True)
class Plan:
    """notes: what a person has to know or do beside it."""

    steps: tuple[Step, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Failed:
    """An update that did not do. before: the system as it was. well: the checks that were well then."""

    before: System
    well: tuple[str, ...]


def fit(system: System) -> None:
    """Raises InputError for a system that the station cannot live in."""
    name = system.name or f"the system in {system.root}"
    if not system.wide:
        raise InputError(
            f"{name} is 32 bits wide, and what the station needs is made for 64 bits only: write the 64-bit system on a card "
            "and install there."
        )
    if system.version < OLDEST:
        have = ".".join(map(str, system.version))
        raise InputError(f"{name} has Python {have}; expected 3.11 or newer, as Bookworm and Trixie have.")
    if not system.has_systemd:
        raise InputError(
            f"{name} has no systemd, which starts the station and switches its pump off after it."
        )
    if not system.native and system.lacks:
        raise InputError(
            f"the system in {system.root} lacks {', '.join(system.lacks)}; put it into the image first."
        )


def install(system: System, wishes: Wishes) -> Plan:
    """From nothing, or over what is there: the record, the people and a bay's file are kept. Raises InputError."""
    fit(system)
    said, release = wishes.said, _environment(system, wishes)
    if not said.local and not said.tls:
        raise InputError(
            "[serve] host: beyond this machine the pages are only served under TLS; name certificate and key too."
        )
    if said.record.parent != places.STATE:
        raise InputError(
            f"[bay] ledger is {str(said.record)!r}; the service writes in {places.STATE} alone: write {str(places.RECORD)!r}."
        )
    steps, hints = _packages(system, wishes)
    steps += [
        Accounts(places.USER, GROUPS),
        Folder(places.BAY_FILE.parent, 0o755),
        Folder(places.RELEASES, 0o755),
        Folder(places.STATE, 0o700, places.USER),
        release,
        Write(
            places.BAY_FILE, wishes.bay_text, "what this bay is", keep=".before" if system.bay_file else ""
        ),
        CheckBay(release.name),
    ]
    if said.certificate is not None and said.certificate.name not in system.state:
        steps.append(Certificate(said.certificate.stem))
    if said.reached and PEOPLE not in system.state:
        if wishes.owner is None:
            raise InputError(
                "other machines shall reach the pages, and nobody is set up: name the owner with --owner."
            )
        steps.append(Owner(wishes.owner))
    lines = boot.wanted(said.pins, said.reader, said.one_wire)
    added, notes = _boot(system, lines, wishes.boot)
    steps += [
        _unit(system, said, release.name),
        Switch(release.name, system.current),
        Write(places.COMMAND, _command(), "the command, for whoever works at the Pi", 0o755),
        *added,
        Service("enable"),
    ]
    first, said_first = _first_start(system, wishes)
    steps, notes = steps + first, notes + said_first
    if system.native and not added:
        steps += [Service("restart"), Healthy(health_address(said))]
    elif added:
        notes.append(
            "Restart the Pi (sudo reboot): what was added to its config.txt holds from then on, and the station starts with it."
        )
    if said.one_wire and not said.named:
        notes.append(
            "No thermometer has a name yet: run install again once the kernel finds them, and it asks which of them is where."
        )
    if said.backup is not None:
        notes.append(
            f"Copies go to {said.backup}: the folder has to be there and has to be the user {places.USER}'s."
        )
    return Plan(
        (*steps, *_old(system, release.name)),
        (*notes, *hints, *_reached(system, said), *_first_visit(steps)),
    )


def _first_visit(steps: Sequence[Step]) -> Iterator[str]:
    """What a browser and the owner want at the first visit, and which step printed it."""
    for number, step in enumerate(steps, 1):
        if isinstance(step, Certificate):
            yield f"A browser shows the certificate's fingerprint once: let it in where it is the one that step {number} prints."
        if isinstance(step, Owner):
            yield f"{step.name} signs in there with the code that step {number} prints."


def update(system: System, wishes: Wishes, well: Sequence[str]) -> Plan:
    """A new version beside the old. well: the checks that are well today. Raises InputError."""
    fit(system)
    if system.current is None or not system.bay_file:
        raise InputError("no station is installed here; tallypan install does that.")
    release = _environment(system, wishes)
    steps, hints = _packages(system, wishes)
    first, said_first = _first_start(system, wishes)
    steps += [
        release,
        CheckBay(release.name),
        _unit(system, wishes.said, release.name),
        Switch(release.name, system.current),
        *first,
        *_started(system, wishes.said, well),
    ]
    return Plan((*steps, *_old(system, release.name)), (*hints, *said_first))


def back(system: System, unit: str, said: Said, failed: Failed | None = None) -> Plan:
    """To the release before, by the unit that it ran by. failed: what there was before an update that did not do; None
    where a person wants to go back, and the record is left as it is. Raises InputError."""
    if system.current is None or system.previous is None or system.previous not in system.releases:
        raise InputError("there is no earlier release to go back to.")
    write = Write(places.UNIT, unit, f"the service, with the pump's pins and the paths of {system.previous}")
    if failed is None:
        return Plan((write, Switch(system.previous, system.current), *_started(system, said, ())))
    forget = [] if failed.before.previous is not None else [Remove(places.PREVIOUS, "a release that failed")]
    return Plan(
        (
            write,
            Switch(system.previous, failed.before.previous),
            *forget,
            PutBack(failed.before.state),
            *_started(system, said, failed.well),
            Remove(places.RELEASES / system.current, "it was not well"),
        )
    )


def uninstall(system: System) -> Plan:
    """Take the station away; its record, the bay's file and the user that owns the record stay."""
    steps: list[Step] = [
        Service("disable"),
        Remove(places.UNIT, "the service"),
        Remove(places.FIRST_START, "what its first start would have done, where there was none"),
        Remove(places.COMMAND, "the command"),
        Remove(places.ACCOUNTS, "what made its user; the user itself stays, since the record is its own"),
        Remove(places.HOME, "the station and its environments"),
    ]
    if system.boot_file is not None and boot.without_ours(system.boot_text) != system.boot_text:
        steps.append(
            Write(
                system.boot_file,
                boot.without_ours(system.boot_text),
                "without the station's lines",
                mode=0o755,
            )
        )
    notes = (
        f"The record stays in {places.STATE}, and the bay's file at {places.BAY_FILE}.",
        f"Copy {places.STATE} elsewhere before you clear the card: nothing else has those jobs.",
    )
    return Plan(tuple(steps), notes)


def requirements(lock: str, without: Sequence[str], python: tuple[int, int]) -> str:
    """A lock file without some packages, each with its hashes, as a Python wants it: pip itself would go by the version of the
    one that it runs on."""

    def kept(entry: re.Match[str]) -> str:
        marked = FOR_PYTHON.search(entry[0])
        older = marked is not None and python < (int(marked[2]), int(marked[3]))
        if entry[1].lower() in without or (marked is not None and older != (marked[1] == "<")):
            return ""
        return FOR_PYTHON.sub("", entry[0])

    return LOCKED.sub(kept, lock)


def _packages(system: System, wishes: Wishes) -> tuple[list[Step], tuple[str, ...]]:
    """What apt brings, and what a person is told to bring. Without a network, and into another system, apt brings nothing that
    the station can live without."""
    told: tuple[str, ...] = ()
    by_apt = system.lacks_for_pdf if system.native and wishes.wheels is None else ()
    if system.lacks_for_pdf and not by_apt:
        told = (
            f"To make a sheet a PDF, that system needs Debian's {' and '.join(system.lacks_for_pdf)}; all else works without.",
        )
    names = (*system.lacks, *by_apt)
    return [Packages(names, by_apt)] if names else [], told


def _environment(system: System, wishes: Wishes) -> Environment:
    number = max((int(name[:4]) for name in system.releases if name[:4].isdecimal()), default=0) + 1
    new = system.version >= WITHOUT_WHEEL
    return Environment(
        f"{number:04d}-{wishes.version}",
        wishes.source,
        wishes.version,
        beside=new,
        without=FROM_SYSTEM if new else (),
        wheels=wishes.wheels,
    )


def _unit(system: System, said: Said, release: str) -> Write:
    version = f"python{system.version[0]}.{system.version[1]}"
    guard = places.CURRENT / "lib" / version / "site-packages/hardware/guard.py"
    text = unit_text(said.pins, places.BAY_FILE, places.CURRENT, guard, said.backup)
    return Write(places.UNIT, text, f"the service, with the pump's pins and the paths of {release}")


def _first_start(system: System, wishes: Wishes) -> tuple[list[Step], list[str]]:
    """What has a release compiled where only its own Python can do it: by root, since the service may not write there, before
    it first serves. That adds itself to the unit, and takes itself away; a station that is not compiled starts all the same."""
    if system.native or system.version == wishes.python:
        return [], []
    has, here = (".".join(map(str, version)) for version in (system.version, wishes.python))
    python, file = f"{places.CURRENT}/bin/python", places.FIRST_START
    compiled = f"{python} -m compileall -q {places.CURRENT}/lib; {python} -m web.frame.compiled; rm {file}"
    text = (
        f"[Service]\nTimeoutStartSec=30min\nExecStartPre=-+/bin/sh -c 'test -e {file} && {{ {compiled}; }}'\n"
    )
    return [Write(file, text, "has the first start compile the station")], [
        f"That system has Python {has}, this machine {here}: so the first start compiles the station, and takes minutes longer."
    ]


def _command() -> str:
    return f'#!/bin/sh\nexec {places.CURRENT}/bin/tallypan "$@"\n'


def _started(system: System, said: Said, well: Sequence[str]) -> list[Step]:
    return [Service("restart"), Healthy(health_address(said), tuple(well))] if system.native else []


def _boot(system: System, lines: dict[str, str], may: bool) -> tuple[list[Step], list[str]]:
    if system.boot_file is None:
        return [], ["No config.txt was found. On a Pi it has to say: " + "; ".join(lines) + "."]
    missing = boot.missing(boot.without_ours(system.boot_text), list(lines))
    text = boot.with_ours(system.boot_text, {line: lines[line] for line in missing})
    if not missing or text == system.boot_text:
        return [], []
    if not may:
        return [], [f"{system.boot_file} should say {line}: it {lines[line]}." for line in missing]
    what = "; ".join(f"{line} ({lines[line]})" for line in missing)
    return [Write(system.boot_file, text, f"adds {what}", mode=0o755, keep=".before-tallypan")], []


def _old(system: System, new: str) -> list[Step]:
    """What goes: every release but the new one and the one that ran until now."""
    return [
        Remove(places.RELEASES / name, "an older release")
        for name in system.releases
        if name not in (new, system.current)
    ]


def health_address(said: Said) -> str:
    """Where the station says how it is, asked on its own machine."""
    return f"{'https' if said.tls else 'http'}://127.0.0.1:{said.port}/health"


def _reached(system: System, said: Said) -> list[str]:
    if said.local:
        return [
            f"The page is at http://127.0.0.1:{said.port}/ on the Pi itself; [serve] of {places.BAY_FILE} opens it to others."
        ]
    name = said.names[0] if said.names else f"{system.host}.local"
    rows = [
        f"The page is at https://{name}:{said.port}/. It needs this one TCP port, {said.port}, and calls nothing outside the shop."
    ]
    return rows + ([f"Where ufw guards this Pi: sudo ufw allow {said.port}/tcp."] if system.has_ufw else [])
