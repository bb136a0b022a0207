"""An emulated board: what it boots, what its guest says, and how its pins are seen from outside.

QEMU's raspi3b runs Debian's own arm64 kernel with the real ``pinctrl-bcm2835``. It shows levels that a program writes,
claims and releases; it has no pulls and no edges on the header's pins, and its seconds are not a Pi's.
"""

import contextlib
import json
import os
import re
import select
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.pi.stock import CACHE, KERNEL, PYTHONS, ROOT, USERLAND, kept, key, unpack_debs, unpack_wheels

GUESTS = Path(__file__).parent / "guest"
SMALL = ("python3.11-minimal", "libpython3.11-stdlib", "busybox-static")
GPIO_LIBRARIES = ("gpiozero>=2.0.1,<3", "colorzero", "lgpio>=0.2.2,<0.3", "rpi-lgpio>=0.6,<0.7", "gpiod>=2.2,<3",
                  "hx711>=1.1.2.3,<1.2", "pyserial>=3.5,<4")  # fmt: skip
READY = "GUEST DONE"
LIMIT_S = 1800.0
"""Of the emulator's own processor time from one of the guest's lines to the next: far more than anything takes. A machine that
does other work is not the board's fault."""
STILL_S, STILL_BUSY_S = 600.0, 1.0
"""An emulator that takes so little processor time in so long waits for something that does not come."""
LINE = rf"(?m)^(?:MOMENT|RESULT) .*\n|{READY}|Traceback"
END_OF_TRACEBACK = r"\n\w+(Error|Exception|Exit).*\n"
CLOCK = ("-icount", "shift=0,sleep=off")
"""The board's clock counts instructions, one to the nanosecond, and leaps over idleness: no load on this machine makes a
beat late. Its four processors then take turns; where they do not, on a busy machine each spins for one that is not running."""
INIT = """#!/bin/busybox sh
b=/bin/busybox
$b mount -t proc none /proc; $b mount -t sysfs none /sys; $b mount -t devtmpfs none /dev
$b mount -t debugfs none /sys/kernel/debug; $b ifconfig lo 127.0.0.1 up
export PATH=/usr/bin:/bin PYTHONPATH=/app:/site LG_WD=/tmp HOME=/tmp PYTHONDONTWRITEBYTECODE=1
for word in $($b cat /proc/cmdline); do case $word in guests=*) guests=${word#guests=};; esac; done
for guest in $(echo $guests | $b tr , ' '); do /usr/bin/python3.11 /guest/$guest || break; done
echo "GUEST DONE $?"
while true; do $b sleep 1; done
"""
REVISION = """/dts-v1/; /plugin/;
/ { fragment@0 { target-path = "/"; __overlay__ { system { linux,revision = <0x00a02082>; }; }; }; };
"""
"""A Pi 3's revision: without it the GPIO libraries do not know the board."""


def kernel() -> Path:
    """A folder with Debian's kernel for arm64, its modules and device trees."""
    home, filled = kept("kernel", key(KERNEL))
    if not filled:
        fresh = CACHE / "kernel.new"
        shutil.rmtree(fresh, ignore_errors=True)
        unpack_debs(["linux-image-arm64"], KERNEL, fresh)
        fresh.rename(home)
    return home


def device_tree() -> Path:
    """A Pi 3's device tree with its revision."""
    plain = next(kernel().glob("usr/lib/linux-image*/broadcom/bcm2837-rpi-3-b.dtb"))
    tree, filled = kept("board", key(REVISION, plain))
    if not filled:
        source, overlay = CACHE / "revision.dtso", CACHE / "revision.dtbo"
        source.write_text(REVISION)
        subprocess.run(["dtc", "-q", "-I", "dts", "-O", "dtb", "-o", str(overlay), str(source)], check=True)
        subprocess.run(["fdtoverlay", "-i", str(plain), "-o", str(tree), str(overlay)], check=True)
    return tree


def compile_all(folder: Path, version: str = PYTHONS[USERLAND]) -> None:
    """Compile a folder's modules for the guest: bytecode of one minor version is the same on every machine. Where this machine
    has no such Python, every start on the board compiles them anew."""
    own = ".".join(map(str, sys.version_info[:2]))
    python = sys.executable if version == own else shutil.which(f"python{version}")
    if python is not None:
        subprocess.run([python, "-m", "compileall", "-q", str(folder)], check=False)


def small_root() -> Path:
    """A root with Python and the GPIO libraries, without the project."""
    root, filled = kept("small", key(USERLAND, SMALL, GPIO_LIBRARIES))
    if not filled:
        fresh = CACHE / "small.new"
        shutil.rmtree(fresh, ignore_errors=True)
        unpack_debs(SMALL, USERLAND, fresh)
        for name in ("proc", "sys", "dev", "tmp", "run", "site"):
            (fresh / name).mkdir(exist_ok=True)
        unpack_wheels(GPIO_LIBRARIES, fresh / "site")
        for folder in (fresh / "site", fresh / "usr/lib/python3.11"):
            compile_all(folder)
        fresh.rename(root)
    return root


def pack(root: Path, packed: Path) -> None:
    """Pack a folder as the kernel takes it."""
    line = f"find . | cpio -o -H newc --quiet -R 0:0 | gzip -1 > {packed}"
    subprocess.run(line, shell=True, cwd=root, check=True)


def initrd() -> Path:
    """The small root with the project's hardware room and the guests' scripts, as the kernel takes it."""
    packages = ("hardware", "calibration")
    told = [
        path
        for folder in (ROOT / "hardware", ROOT / "calibration", GUESTS)
        for path in sorted(folder.rglob("*.*"))
    ]
    parts = [f"{path} {key(path.read_bytes())}" for path in told if path.suffix != ".pyc"]
    packed, filled = kept("boot", key(INIT, small_root(), *parts))
    if filled:
        return packed
    root = CACHE / "packing"
    shutil.rmtree(root, ignore_errors=True)
    shutil.copytree(small_root(), root, symlinks=True)
    (root / "app").mkdir()
    for package in packages:
        shutil.copytree(ROOT / package, root / "app" / package, ignore=shutil.ignore_patterns("__pycache__"))
    compile_all(root / "app")
    shutil.copytree(GUESTS, root / "guest")
    (root / "init").write_text(INIT)
    (root / "init").chmod(0o755)
    pack(root, packed)
    shutil.rmtree(root)
    return packed


def command(machine: str, guests: str, append: str = "", more: tuple[str, ...] = ()) -> list[str]:
    """The emulator's command line for one boot of guest scripts from memory. guests: with commas between."""
    image = next(kernel().glob("boot/vmlinuz-*"))
    line = f"console=ttyAMA0,115200 rdinit=/init panic=1 quiet loglevel=1 guests={guests} {append}"
    board = ["-M", machine, "-dtb", str(device_tree())] if machine == "raspi3b" else ["-M", machine]
    if machine == "virt":
        board += ["-cpu", "cortex-a53", "-m", "1G", "-smp", "1"]
    return [
        "qemu-system-aarch64", *board, "-kernel", str(image), "-initrd", str(initrd()), "-append", line,
        "-nographic", "-no-reboot", "-nic", "none", *more,
    ]  # fmt: skip


def card_command(
    card: Path,
    guest: str,
    machine: str = "raspi3b",
    append: str = "",
    more: tuple[str, ...] = (),
    log: Path | None = None,
) -> list[str]:
    """The command line for one boot from a card, which is written to. guest: the script that systemd starts on it. log:
    where every write to the card is recorded, with its data."""
    from tests.pi.card import start_root

    image = next(kernel().glob("boot/vmlinuz-*"))
    device = "/dev/mmcblk0" if machine == "raspi3b" else "/dev/vda"
    line = (
        f"console=ttyAMA0,115200 panic=1 quiet loglevel=1 iomem=relaxed systemd.show_status=no card={device} "
        f"now={int(time.time())} guest={guest} {append}"
    )
    board = ["-M", machine, "-dtb", str(device_tree())] if machine == "raspi3b" else ["-M", machine]
    if machine == "virt":
        board += ["-cpu", "cortex-a53", "-m", "1G", "-smp", "1"]
    drive = f"if={'sd' if machine == 'raspi3b' else 'virtio'}"
    if log is None:
        drive += f",format=raw,file={card}"
    else:
        log.touch()
        drive += f",driver=blklogwrites,file.driver=raw,file.file.driver=file,file.file.filename={card}"
        # The head of the recording is written with every 256th write: by default with every 4,096th, and a start has fewer.
        drive += f",log.driver=file,log.filename={log},log-super-update-interval=256"
    return [
        "qemu-system-aarch64", *board, "-kernel", str(image), "-initrd", str(start_root()), "-append", line,
        "-nographic", "-no-reboot", "-nic", "none", "-drive", drive, *more,
    ]  # fmt: skip


class Console:
    """A running board's serial console, read as it comes."""

    def __init__(self, line: list[str]) -> None:
        # It goes with whoever started it, also where that was killed.
        self._process = subprocess.Popen(
            ["setpriv", "--pdeathsig", "KILL", *line],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            bufsize=0,
        )
        assert self._process.stdout is not None
        self._out = self._process.stdout
        self._text, self._seen = "", 0

    def busy_s(self) -> float:
        """The emulator's processor time until now (proc(5), /proc/pid/stat, fields 14 and 15)."""
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def wait_for(self, pattern: str, limit_s: float) -> str:
        """Read on until something matches behind the last match; what matched. limit_s: of the emulator's processor time.
        Raises TimeoutError with the last words."""
        moved_s, moved_at_s = self.busy_s(), time.monotonic()
        end_s = moved_s + limit_s
        while (found := re.compile(pattern).search(self._text, self._seen)) is None:
            busy_s, now_s, last = self.busy_s(), time.monotonic(), f"last words:\n{self._text[-3000:]}"
            if busy_s - moved_s > STILL_BUSY_S:
                moved_s, moved_at_s = busy_s, now_s
            if READY in self._text[self._seen :]:
                raise TimeoutError(f"the guest ended without {pattern!r}; {last}")
            if busy_s > end_s:
                raise TimeoutError(
                    f"no {pattern!r} in {limit_s:.0f} s of the emulator's processor time; {last}"
                )
            if now_s - moved_at_s > STILL_S:
                raise TimeoutError(f"no {pattern!r}, and the emulator stands still; {last}")
            if not select.select([self._out], [], [], 1.0)[0]:
                continue
            piece = self._out.read(65536)
            if not piece:
                raise TimeoutError(f"the board ended without {pattern!r}; {last}")
            self._text += piece.decode("utf-8", "replace")
        self._seen = found.end()
        return found[0]

    def drain(self) -> None:
        """Leave behind what has been said until now."""
        while select.select([self._out], [], [], 0.0)[0] and (piece := self._out.read(65536)):
            self._text += piece.decode("utf-8", "replace")
        self._seen = len(self._text)

    @property
    def text(self) -> str:
        return self._text

    def results(self, say: Callable[[str], object] = str) -> dict[str, Any]:
        """Wait until the guest is done, and switch the board off; what it told. say: hears each of its moments and results as
        it comes, behind the emulator's processor time; by default nobody does. Raises AssertionError where it ended in a traceback, and as
        ``wait_for``."""
        try:
            while (line := self.wait_for(LINE, LIMIT_S)).startswith(("MOMENT", "RESULT")):
                say(f"{self.busy_s():.0f} s: {line.strip()[:160]}")
            if line != READY:
                with contextlib.suppress(TimeoutError):
                    self.wait_for(END_OF_TRACEBACK, 60.0)
        finally:
            self.close()
        return read_results(self._text)

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        self._out.close()


def boot_card(card: Path, guest: str, append: str = "", log: Path | None = None) -> Console:
    """Start a board from a card, which is written to, and have systemd start a guest script on it. log: as for
    ``card_command``."""
    return Console(card_command(card, guest, append=append, more=CLOCK, log=log))


def from_card(card: Path, guest: str, append: str = "", say: Callable[[str], object] = str) -> dict[str, Any]:
    """The same until the guest is done; what it told. say: as for ``Console.results``."""
    return boot_card(card, guest, append).results(say)


def read_results(text: str) -> dict[str, Any]:
    """What a guest printed as results. Raises AssertionError where it ended in a traceback."""
    assert "Traceback (most recent call last)" not in text, text[text.index("Traceback") :][:4000]
    return {m[1]: json.loads(m[2]) for m in re.finditer(r"^RESULT (\S+) (.*?)\r?$", text, re.M)}


def boot(guests: str, append: str = "") -> dict[str, Any]:
    """Boot guest scripts from memory, with commas between, wait until they are done, and switch the board off."""
    return Console(command("raspi3b", guests, append, CLOCK)).results()
