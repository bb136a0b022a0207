"""Two shops on one's own machine: simulated bays, each a station of its own, and the roll-up over them, in one command.

The supervisor only starts, watches and ends. A bay that ends by itself is told, and the shop goes on without it, as a real one
does; when the roll-up ends, or the last bay, everything does.
"""

import argparse
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from types import FrameType
from typing import Any

from station.common.tabular import to_text
from station.common.words import SOURCE
from station.errors import InputError, StationError
from station.people.people import Role

COMPANY, SHOPS, ZONE = "saltings", ("reedbank", "millrace"), "Europe/Oslo"
"""Bays belong to the shops in turn: the first two, which have a past, to one each."""
PASSPHRASE, PIN = "heron on the mud", "471926"
PEOPLE = (
    ("E. Brandvold", Role.OWNER, ()),
    ("T. Vasquez-Ito", Role.QUALITY_LEAD, ()),
    ("R. Halloran-Mbeki", Role.MANAGER, SHOPS[:1]),
    ("N. Adeyemi", Role.MANAGER, SHOPS[1:]),
    ("J. Lindqvist", Role.TECHNICIAN, SHOPS[:1]),
)
"""Who signs in at the roll-up that is played, by --people; none of them is anybody. Who is a bay's, too, is the same there."""
ROLL_UP = "the roll-up"
BAYS_MOST = 8
STOP_S = 15.0
DONE = 0


def add(what: Any) -> None:
    """Add the command below ``tallypan roll-up``."""
    shop = what.add_parser("shop", help="simulated bays of two shops and a roll-up over them, in one command")
    shop.add_argument(
        "--data",
        type=Path,
        default=Path("var/shop"),
        metavar="DIR",
        help="where it all lies (default: var/shop)",
    )
    shop.add_argument("--bays", type=int, default=3, metavar="N", help="how many (default: 3)")
    shop.add_argument(
        "--port", type=int, default=8766, help="of the roll-up; the bays have those behind it (default: 8766)"
    )
    shop.add_argument("--empty", action="store_true", help="begin without the depot's two invented years")
    shop.add_argument(
        "--language",
        default=SOURCE,
        metavar="CODE",
        help=f"the language of all its pages (default: {SOURCE})",
    )
    shop.add_argument(
        "--receivers", type=Path, metavar="FILE", help="other systems that the roll-up tells, in a TOML file"
    )
    shop.add_argument(
        "--people", action="store_true", help="invented people of both shops, who sign in at the roll-up"
    )
    shop.set_defaults(run=_shop)


def bay_file(folder: Path, number: int, port: int, office: int, language: str = SOURCE) -> Path:
    """The file of one simulated bay: the demo's own, with its name, its record, its port and its roll-up."""
    import tomli_w  # late, both: `install` runs on a system's bare Python

    from station.given.config import demo_path

    tables = tomllib.loads(demo_path().read_text(encoding="utf-8"))
    tables["bay"] |= {
        "name": f"Bay {number}",
        "ledger": str(folder / f"bay-{number}.sqlite"),
        "time_zone": ZONE,
        "language": language,
    }
    tables["serve"] = {"port": port}
    tables["roll_up"] = {
        "address": f"http://127.0.0.1:{office}",
        "token_file": str(folder / f"bay-{number}.token"),
        "every_s": 1.0,
    }
    path = folder / f"bay-{number}.toml"
    path.write_text(tomli_w.dumps(tables), encoding="utf-8")
    return path


def _lived(folder: Path, numbers: range) -> None:
    """Give the first bays the depot's invented past, each the part of one container."""
    from station.common.days import zone_of
    from station.rehearsing import depot

    if not (folder / f"bay-{numbers[0]}.sqlite").exists():
        print("Two invented years are put into the bays' records: a minute or two, this once …", flush=True)
    for n, part in zip(numbers, depot.parts([f"Bay {n}" for n in numbers]), strict=False):
        depot.begin(folder / f"bay-{n}.sqlite", zone_of(ZONE), part=part)


def _entered(folder: Path, numbers: range, port: int) -> None:
    from station.record.many.embedded import Embedded
    from station.record.many.store import Store

    engine = Embedded(folder / "roll-up")
    try:
        store = Store(engine.dsn)
        bays = store.bays()
        known = {bay.bay: bay.shop for bay in bays}  # of one that was played before: a bay stays in its shop
        gone = {bay.bay for bay in bays if bay.gone_at is not None}
        for n in numbers:
            if f"bay-{n}" in gone:
                continue  # the token that it has leads to where it is now
            shop = known.get(f"bay-{n}", shop_of(n))
            token = store.enter_bay(COMPANY, shop, f"bay-{n}", ZONE, f"http://127.0.0.1:{port + n}")
            kept = folder / f"bay-{n}.token"
            kept.touch(mode=0o600)
            kept.write_text(f"{token}\n", encoding="utf-8")
        store.close()
    finally:
        engine.close()


def _self() -> str:
    """This command as it was typed: a fresh clone has it in its own environment alone."""
    path = Path(sys.argv[0])
    return str(path) if path.name == "tallypan" else "tallypan"


def shop_of(number: int) -> str:
    """To which shop a bay belongs that is played for the first time."""
    return SHOPS[(number - 1) % len(SHOPS)]


def peopled(folder: Path) -> list[dict[str, str]]:
    """Enter the invented people, those who are not there; everybody's row, with what they sign in with."""
    from station.people.secrets import hashed
    from station.people.store import People, path_beside

    people = People(path_beside(folder / "roll-up" / "roll-up.sqlite"))
    rows = []
    for name, role, shops in PEOPLE:
        secret = PIN if role is Role.TECHNICIAN else PASSPHRASE
        if people.get(name) is None:
            people.add(name, role, secret=hashed(secret), shops=shops)
        rows.append({"name": name, "role": role.value, "shop": ", ".join(shops), "signs in with": secret})
    return rows


def _shop(options: argparse.Namespace) -> int:
    if not 1 <= options.bays <= BAYS_MOST:
        raise InputError(f"bays is {options.bays}; expected 1 to {BAYS_MOST}.")
    folder: Path = options.data.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    numbers = range(1, options.bays + 1)
    if not options.empty:
        _lived(folder, numbers)
    _entered(folder, numbers, options.port)
    calls = {
        ROLL_UP: [
            "roll-up",
            "serve",
            "--simulated",
            "--data",
            str(folder / "roll-up"),
            "--port",
            str(options.port),
            "--language",
            options.language,
            "--processes",
            "0",  # a few bays are little, and the bays want the cores
            *([] if options.receivers is None else ["--receivers", str(options.receivers)]),
            *(["--sign-in"] if options.people else []),
        ]
    }
    if options.people:
        print(to_text(peopled(folder), ["name", "role", "shop", "signs in with"]), flush=True)
    for n in numbers:
        file = bay_file(folder, n, options.port + n, options.port, options.language)
        calls[f"bay {n}"] = ["serve", "--simulated", "--config", str(file)]
    print(
        f"The shops are at http://127.0.0.1:{options.port}/, their bays at the ports behind it (Ctrl-C ends it)",
        flush=True,
    )
    return watched(calls)


def watched(calls: dict[str, list[str]]) -> int:
    """Run commands of the station side by side until Ctrl-C, or until the roll-up or the last of the others ends. Raises
    StationError naming that."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    running: dict[str, subprocess.Popen[bytes]] = {}
    try:
        for name, words in calls.items():
            # In sessions of their own: a Ctrl-C at the terminal reaches the supervisor, which ends them in order.
            running[name] = subprocess.Popen(
                [sys.executable, "-m", "station", *words], start_new_session=True
            )
        while True:
            for name in [name for name, process in running.items() if process.poll() is not None]:
                how = f"{name} ended by itself with exit status {running.pop(name).returncode}"
                if name == ROLL_UP or running.keys() == {ROLL_UP}:
                    raise StationError(f"{how}; see above.")
                again = " ".join([_self(), *calls[name]])
                print(f"{how}; the shop goes on without it. It comes back by: {again}", flush=True)
            time.sleep(0.2)
    except KeyboardInterrupt:
        return DONE
    finally:
        signal.signal(signal.SIGTERM, before)
        for process in reversed(running.values()):
            process.terminate()
        for process in running.values():
            try:
                process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
