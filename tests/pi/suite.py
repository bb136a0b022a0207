"""The project's own tests on a Pi's userland: Debian's Python for arm64 with the wheels of ``requirements.lock``, in a folder of
this machine, each program of it run by QEMU's emulation of the processor alone.

The kernel is this machine's own. So it shows what the processor, its C library and its wheels make of figures, files and
sockets, far sooner than a whole board would; pins, systemd and the card are the board's.
"""

import inspect
import re
import shutil
import subprocess
from functools import cache
from importlib.metadata import requires, version
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.pi.board import compile_all
from tests.pi.card import HOME, base, debian, environment, locked
from tests.pi.stock import CACHE, PYTHONS, ROOT, USERLAND, kept, key, unpack_wheels

EMULATOR = "qemu-aarch64-static"
SMALL = ["python3", "libstdc++6", "dash", "coreutils", "libc-bin", "base-files"]
BROUGHT = ("pytest", "hypothesis")
"""What the tests of the station's own rooms import beside its own packages."""
KNOWN = r":arm64:M::\x7fELF\x02\x01\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00\x02\x00\xb7\x00:\xff\xff\xff\xff\xff\xff\xff\x00\xff\xff\xff\xff\xff\xff\xff\xff\xfe\xff\xff\xff:"
"""How a 64-bit Arm program begins, as the kernel's binfmt_misc takes it (Documentation/admin-guide/binfmt-misc.rst): ELF, its
class, order and version; any system; a program of either kind; machine 183."""
ENTER = """set -e
root=$1 project=$2 known=$3; shift 3
if ! chroot "$root" /bin/true 2> /dev/null; then
    mount -t binfmt_misc none /proc/sys/fs/binfmt_misc
    printf '%s' "$known" > /proc/sys/fs/binfmt_misc/register
fi
mount -t proc none "$root/proc"
mount --rbind /dev "$root/dev"
mount --bind "$project" "$root/srv"
mount -t tmpfs none "$root/tmp"
cd "$root"
exec chroot . "$@"
"""
"""Debian's package has told the kernel of the emulator where its scripts ran. Else that is done in a namespace of its own, for
these programs alone (since Linux 6.7), and nobody needs to be root."""
SURROUNDINGS = {
    "PATH": f"/{HOME}/bin:/usr/bin:/bin", "HOME": "/tmp", "LANG": "C.UTF-8", "TZ": "UTC", "PYTHONPATH": "/srv",
    "QEMU_CPU": "cortex-a53",
}  # fmt: skip
"""The processor is a Pi 3's: numpy's linear algebra takes its instructions by what it finds."""


def _pinned() -> list[str]:
    """What is brought with what that needs, in the versions that this machine's own tests have."""
    own = {canonicalize_name(line.split("==")[0]) for line in locked().splitlines() if "==" in line}
    found: dict[str, str] = {}
    left = [Requirement(name) for name in BROUGHT]
    while left:
        name = canonicalize_name(left.pop().name)
        if name not in own | found.keys():
            found[name] = version(name)
            needs = map(Requirement, requires(name) or [])
            left += [need for need in needs if need.marker is None or need.marker.evaluate({"extra": ""})]
    return [f"{name}=={number}" for name, number in sorted(found.items())]


@cache
def userland(suite: str = USERLAND) -> Path:
    """A Debian's root with its Python, the station's packages and pytest: the card's own, or the newer one's."""
    pinned, python = _pinned(), PYTHONS[suite]
    own = suite == USERLAND
    made = (
        base()
        if own
        else key(SMALL, locked(suite), inspect.getsource(debian), inspect.getsource(environment))
    )
    root, filled = kept("few" if own else "newer", key(made, pinned))
    if not filled:
        fresh = CACHE / "few.new"
        shutil.rmtree(fresh, ignore_errors=True)
        if own:
            subprocess.run(["cp", "-al", str(base()), str(fresh)], check=True)
        else:
            debian(fresh, SMALL, suite)
            environment(fresh, suite)
        for name in ("srv", "proc", "dev", "tmp"):
            (fresh / name).mkdir(exist_ok=True)
        site = fresh / HOME / f"lib/python{python}/site-packages"
        unpack_wheels(pinned, site, python)
        compile_all(site, python)
        fresh.rename(root)
    return root


def run(root: Path, *command: str) -> "subprocess.CompletedProcess[str]":
    """Run a program of a root in the project's folder, with what it says on both lines. It ends with whoever started it."""
    emulator = shutil.which(EMULATOR)
    assert emulator is not None, f"{EMULATOR} is not installed; make emulator does that"
    line = ["unshare", "--user", "--map-root-user", "--mount", "--pid", "--fork", "--kill-child", "sh", "-c", ENTER, "enter"]  # fmt: skip
    line += [str(root), str(ROOT), f"{KNOWN}{emulator}:F", "/usr/bin/env", "-i"]
    line += [f"{name}={value}" for name, value in SURROUNDINGS.items()]
    line += ["/bin/sh", "-c", 'cd /srv; exec "$0" "$@"', *command]
    return subprocess.run(line, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False)


def tried(root: Path, *more: str) -> tuple[int, list[str]]:
    """Run the project's tests there. more: as pytest takes it. How many passed, and what else pytest has to say of any."""
    done = run(root, "python", "-m", "pytest", "-q", "-rfEs", "-p", "no:cacheprovider", *more)
    passed = re.search(r"(\d+) passed", done.stdout)
    assert passed is not None, done.stdout[-4000:]
    return int(passed[1]), re.findall(r"^(?:FAILED|ERROR|SKIPPED) .*", done.stdout, re.M)
