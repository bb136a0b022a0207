"""A memory card for the emulated board: Debian with systemd, and the station installed as on a Pi.

It is put together on this machine from Debian's packages for arm64 and the wheels of ``requirements.lock``; no script of a
package runs, so what those would have made (users, groups, links) is made here. The card is one ext4 file system with some
room behind it, where a test keeps marks of its own.
"""

import inspect
import lzma
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from hardware.pins import PinMap
from hardware.unit import unit_text
from station.commands.installing.plan import FROM_SYSTEM, requirements
from station.commands.installing.system import WITHOUT_WHEEL
from tests.pi.board import GUESTS, compile_all, kernel, pack
from tests.pi.stock import CACHE, PYTHONS, ROOT, USERLAND, kept, key, unpack_debs, unpack_wheels

PACKAGES = [
    "systemd-sysv", "libstdc++6", "python3", "bash", "dash", "coreutils", "util-linux", "mount", "grep", "sed", "libc-bin", "passwd",
    "login", "base-files", "busybox-static",
]  # fmt: skip
MODULES = ("bcm2835", "ext4", "crc32c_generic", "autofs4", "virtio_blk")
"""The kernel's own for the card's reader on a Pi 3, a disk on the virt machine, and what systemd asks for."""
HOME = "opt/tallypan/.venv"
SITE = f"{HOME}/lib/python{PYTHONS[USERLAND]}/site-packages"
FILES_MIB, CARD_MIB = 992, 1024
"""The emulated reader takes powers of two only."""
USERS = "tallypan:x:990:990::/nonexistent:/usr/sbin/nologin"
GROUPS = ("root:0", "tty:5", "disk:6", "gpio:991", "dialout:20", "spi:992", "systemd-journal:101", "tallypan:990", "nogroup:65534",
          "shadow:42", "utmp:43", "kmem:15", "users:100", "lp:7", "cdrom:24", "audio:29", "video:44", "tape:26",
          "input:102", "kvm:103", "render:104", "sgx:105", "staff:50")  # fmt: skip
LEFT_OUT = """
    cryptsetup.target dev-hugepages.mount dev-mqueue.mount getty.target kmod-static-nodes.service modprobe@.service
    proc-sys-fs-binfmt_misc.automount remote-fs.target sys-fs-fuse-connections.mount sys-kernel-config.mount
    sys-kernel-debug.mount sys-kernel-tracing.mount systemd-ask-password-console.path systemd-ask-password-wall.path
    systemd-binfmt.service systemd-boot-system-token.service systemd-firstboot.service systemd-hwdb-update.service
    systemd-journal-catalog-update.service systemd-journal-flush.service systemd-logind.service
    systemd-machine-id-commit.service systemd-modules-load.service systemd-pcrphase.service
    systemd-pcrphase-sysinit.service systemd-random-seed.service systemd-remount-fs.service systemd-repart.service
    systemd-sysctl.service systemd-sysusers.service systemd-tmpfiles-clean.timer systemd-tmpfiles-setup-dev.service
    systemd-tmpfiles-setup.service systemd-udevd.service systemd-udev-trigger.service systemd-udevd-kernel.socket
    systemd-udevd-control.socket systemd-update-done.service systemd-update-utmp.service
    systemd-update-utmp-runlevel.service systemd-user-sessions.service
""".split()
"""Under emulation each costs a second or more, and none of it does anything for the station."""
LINE = {"kg_per_count": "0.0001", "zero_count": "0", "noise_counts": "0.3"}
SENSORS = """[serial.pan]
port = "/run/bench/scale"
pattern = 'W *([+-]? *[0-9]+\\.[0-9]) *g'
unit = "g"
resolution_g = 0.1

[serial.meter]
port = "/run/bench/counter"

"""
THERMOMETERS = """fluid_supply_c = "/run/bench/supply"
fluid_drained_c = "/run/bench/drained"
air_c = "/run/bench/air"
"""
HANDS = """[Unit]
Description=The bench around the board
[Service]
ExecStart=/bin/sh /run/guest/start
"""
INIT = """#!/bin/busybox sh
b=/bin/busybox
$b mount -t proc none /proc; $b mount -t devtmpfs none /dev
for m in %s; do $b insmod /$m.ko; done
for word in $($b cat /proc/cmdline); do case $word in card=*) card=${word#card=};; guest=*) guest=${word#guest=};; now=*) $b date -u -s @${word#now=} >/dev/null;; esac; done
while ! [ -b $card ]; do $b usleep 20000; done
$b mount -t ext4 -o noatime $card /root || echo "GUEST DONE no file system on $card"
$b mount -t tmpfs -o mode=755 none /root/run; $b cp -a /run/. /root/run
echo "PYTHONPATH=/run/guest exec /usr/bin/python3 -u /run/guest/tests/pi/guest/$guest >/dev/console 2>&1" > /root/run/guest/start
$b chown 0:991 /dev/gpiochip0; $b chmod 660 /dev/gpiochip0  # what Pi OS has udev do
$b umount /proc; $b mount --move /dev /root/dev
exec $b switch_root /root /sbin/init
"""


def locked(suite: str = USERLAND) -> str:
    """The lines of ``requirements.lock`` for a Debian's Python, without what the installer leaves to that Debian."""
    major, minor = map(int, PYTHONS[suite].split("."))
    without = FROM_SYSTEM if (major, minor) >= WITHOUT_WHEEL else ()
    return requirements((ROOT / "requirements.lock").read_text(), without, (major, minor))


def base() -> Path:
    """A root with systemd, Python, and an environment with all that the station needs, without the station."""
    made = "".join(inspect.getsource(part) for part in (base, debian, environment, settle))
    root, filled = kept("base", key(PACKAGES, locked(), made, USERS, GROUPS))
    if not filled:
        fresh = CACHE / "base.new"
        debian(fresh, PACKAGES)
        environment(fresh, USERLAND)
        settle(fresh)
        fresh.rename(root)
    return root


def debian(fresh: Path, packages: Sequence[str], suite: str = USERLAND) -> None:
    """Lay a Debian's packages out in a folder, without what only a reader wants."""
    shutil.rmtree(fresh, ignore_errors=True)
    for name in ("bin", "sbin", "lib"):
        (fresh / "usr" / name).mkdir(parents=True)
        (fresh / name).symlink_to(f"usr/{name}")
    unpack_debs(packages, suite, fresh)
    for name in ("share/doc", "share/locale", "share/man", "lib/udev/hwdb.d"):
        shutil.rmtree(fresh / "usr" / name, ignore_errors=True)


def environment(fresh: Path, suite: str) -> None:
    """Add an environment for its Python with all that the station needs, without the station, and compile it."""
    python, wanted = PYTHONS[suite], CACHE / "locked.txt"
    wanted.write_text(locked(suite))
    site = fresh / HOME / f"lib/python{python}/site-packages"
    unpack_wheels(["--require-hashes", "-r", str(wanted)], site, python)
    (fresh / HOME / "bin").mkdir()
    (fresh / HOME / "bin/python").symlink_to("/usr/bin/python3")
    (fresh / HOME / "pyvenv.cfg").write_text(
        f"home = /usr/bin\ninclude-system-site-packages = false\nversion = {python}\n"
    )
    for folder in (site, fresh / f"usr/lib/python{python}"):
        compile_all(folder, python)


def settle(root: Path) -> None:
    """What the packages' own scripts and an installer would have done."""
    etc = root / "etc"
    (etc / "passwd").write_text(
        f"root:x:0:0:root:/root:/bin/bash\n{USERS}\nnobody:x:65534:65534::/:/usr/sbin/nologin\n"
    )
    (etc / "group").write_text("".join("{}:x:{}:\n".format(*group.split(":")) for group in GROUPS))
    (etc / "shadow").write_text("root:*:20000:0:99999:7:::\ntallypan:!:20000:0:99999:7:::\n")
    (etc / "hostname").write_text("bay-1\n")
    (etc / "hosts").write_text("127.0.0.1 localhost bay-1\n")
    (etc / "machine-id").write_text(key("the emulated board") * 2 + "\n")
    (etc / "fstab").touch()
    for name in (
        "proc",
        "sys",
        "dev",
        "tmp",
        "run",
        "root",
        "var/tmp",
        "var/log",
        "var/lib",
        "etc/tallypan",
    ):
        (root / name).mkdir(parents=True, exist_ok=True)
    shutil.rmtree(root / "var/run", ignore_errors=True)
    (root / "var/run").symlink_to("/run")
    (etc / "systemd/journald.conf").write_text("[Journal]\nStorage=volatile\n")


def _brought(run: Path) -> None:
    """What a test brings along in /run: its script, what starts it, and what of Debian's own is left out to save time."""
    shutil.copytree(GUESTS, run / "guest/tests/pi/guest", ignore=shutil.ignore_patterns("__pycache__"))
    units = run / "systemd/system"
    (units / "multi-user.target.wants").mkdir(parents=True)
    for name in LEFT_OUT:
        (units / name).symlink_to("/dev/null")
    (units / "hands.service").write_text(HANDS)
    (units / "multi-user.target.wants/hands.service").symlink_to("../hands.service")


def bay_file() -> str:
    """The demo's bay with its scale and its meter's counter on serial lines: the emulated chip shows no pulses."""
    text = (ROOT / "station/demo_bay.toml").read_text()
    text = re.sub(r'^ledger = ".*?"', 'ledger = "/var/lib/tallypan/ledger.sqlite"', text, flags=re.M)
    text = re.sub(
        r"^(kg_per_count|zero_count|noise_counts) = .*$", lambda m: f"{m[1]} = {LINE[m[1]]}", text, flags=re.M
    )
    return text.replace("[thermometers]", SENSORS + "[thermometers]").replace(
        "the simulated bay brings its own\n", "\n" + THERMOMETERS
    )


def project() -> list[Path]:
    found = [ROOT / name for name in ("pyproject.toml", "README.md", "LICENSE", "requirements.lock")]
    for package in ("calibration", "hardware", "station", "web"):
        found += [p for p in (ROOT / package).rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    return sorted(found)


@cache
def card() -> Path:
    """The card with the project as it stands in this folder. Copy it before it is written."""
    told = [key(path.read_bytes()) + str(path) for path in [*project(), Path(__file__)]]
    image, filled = kept("card", key(base(), *told))
    if filled:
        return image
    root = CACHE / "card.new"
    shutil.rmtree(root, ignore_errors=True)
    subprocess.run(["cp", "-al", str(base()), str(root)], check=True)
    wheels = CACHE / "wheel"
    shutil.rmtree(wheels, ignore_errors=True)
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(wheels), str(ROOT)], check=True
    )
    site = root / SITE
    unpack_wheels([str(next(wheels.glob("*.whl")))], CACHE / "project.new")
    for entry in (CACHE / "project.new").iterdir():
        if entry.name != "bin":
            shutil.move(entry, site / entry.name)
            if entry.name != "__pycache__" and not entry.name.endswith("-info"):
                compile_all(site / entry.name)
    shutil.rmtree(CACHE / "project.new")
    if sys.version_info[:2] == (3, 11):  # as the installer has them compiled
        made = site / "web/templates/__pycache__"
        subprocess.run([sys.executable, "-m", "web.frame.compiled", str(made)], check=True, cwd=ROOT)
    command = root / HOME / "bin/tallypan"
    command.write_text(
        f"#!/{HOME}/bin/python\nimport sys\nfrom station.__main__ import main\nsys.exit(main())\n"
    )
    command.chmod(0o755)
    wants = root / "etc/systemd/system/multi-user.target.wants"
    wants.mkdir(parents=True)
    (wants / "tallypan.service").symlink_to("../tallypan.service")
    (wants.parent / "default.target").symlink_to("/lib/systemd/system/multi-user.target")
    (root / "etc/tallypan/bay.toml").write_text(bay_file())
    guard = Path(f"/{SITE}/hardware/guard.py")
    text = unit_text(PinMap(), Path("/etc/tallypan/bay.toml"), Path("/" + HOME), guard)
    (wants.parent / "tallypan.service").write_text(text)
    file_system(root, image)
    return image


def file_system(root: Path, image: Path, files_mib: int = FILES_MIB, card_mib: int = CARD_MIB) -> None:
    """Make a card of a folder, which goes."""
    fresh = CACHE / "card.img"
    fresh.unlink(missing_ok=True)
    # Whoever builds it, the files on the card are root's.
    as_root = [] if os.geteuid() == 0 else ["unshare", "--user", "--map-root-user"]
    line = ["mkfs.ext4", "-q", "-F", "-m", "0", "-E", "lazy_itable_init=0,lazy_journal_init=0", "-d", str(root), str(fresh)]  # fmt: skip
    subprocess.run([*as_root, *line, f"{files_mib}M"], check=True, env={**os.environ, "PATH": os.environ["PATH"] + ":/sbin:/usr/sbin"})  # fmt: skip
    os.truncate(fresh, card_mib << 20)
    shutil.rmtree(root)
    fresh.rename(image)


def copy(image: Path, to: Path) -> None:
    """Copy a card, holes and all."""
    subprocess.run(["cp", "--sparse=always", str(image), str(to)], check=True)


def start_root() -> Path:
    """What the kernel starts from: the modules for the card, and a hand-over to what is on it."""
    packed, filled = kept(
        "start",
        key(
            INIT,
            MODULES,
            next(kernel().glob("boot/vmlinuz-*")),
            *(path.read_text() for path in sorted(GUESTS.glob("*.py"))),
        ),
    )
    if filled:
        return packed
    root = CACHE / "start.new"
    shutil.rmtree(root, ignore_errors=True)
    for name in ("proc", "dev", "root", "bin"):
        (root / name).mkdir(parents=True)
    shutil.copy(base() / "usr/bin/busybox", root / "bin/busybox")
    names = _with_needed(MODULES)
    for name, binary in names.items():
        (root / f"{name}.ko").write_bytes(binary)
    _brought(root / "run")
    (root / "init").write_text(INIT % " ".join(names))
    (root / "init").chmod(0o755)
    pack(root, packed)
    return packed


def _with_needed(wanted: tuple[str, ...]) -> dict[str, bytes]:
    """Modules by name, unpacked, each behind those that it needs."""
    files = {
        re.sub(r"\.ko.*", "", path.name).replace("-", "_"): path
        for path in kernel().glob("usr/lib/modules/*/kernel/**/*.ko*")
        if "bcm2835" not in path.name or "mmc" in path.parts
    }
    found: dict[str, bytes] = {}

    def take(name: str) -> None:
        if name in found or name not in files:
            return
        packed = files[name].read_bytes()
        binary = lzma.decompress(packed) if files[name].suffix == ".xz" else packed
        needs = re.search(rb"\0depends=([^\0]*)\0", binary)
        for need in (needs[1].decode() if needs else "").split(","):
            take(need.replace("-", "_"))
        found[name] = binary

    for name in wanted:
        take(name)
    return found
