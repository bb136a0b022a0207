"""Where an emulated board gets its parts: Debian's packages for arm64, wheels from the Python index, this project.

Everything is kept in ``var/pi`` and fetched once. Packages come through apt with a state of its own, so that the
machine's own packages are left alone; the mirror is the one that the machine already uses.
"""

import fcntl
import hashlib
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import IO

ROOT = Path(__file__).parents[2]
CACHE = ROOT / "var" / "pi"
USERLAND, KERNEL = "bookworm", "trixie"
"""The userland of the older system that is supported; the kernel has the board's pin driver built in."""
PYTHONS = {"bookworm": "3.11", "trixie": "3.13"}
"""Each supported system's own Python."""
KEYRING = "/usr/share/keyrings/debian-archive-keyring.gpg"


def key(*parts: object) -> str:
    return hashlib.sha256("\n".join(map(str, parts)).encode()).hexdigest()[:16]


@cache
def _alone() -> IO[str]:
    """Wait until no other process fills the cache. Held until this process ends."""
    CACHE.mkdir(parents=True, exist_ok=True)
    lock = (CACHE / "lock").open("w")
    fcntl.flock(lock, fcntl.LOCK_EX)
    return lock


def kept(name: str, key: str) -> tuple[Path, bool]:
    """A place in the cache for this key, and whether it is filled; what was there for other keys goes. Whoever finds it empty
    is the only one to fill it."""
    place = CACHE / f"{name}-{key}"
    if not place.exists():
        _alone()
        for old in CACHE.glob(f"{name}-*"):
            shutil.rmtree(old) if old.is_dir() else old.unlink()
    return place, place.exists()


def _apt_home() -> Path:
    """A private apt for arm64. Raises RuntimeError where the machine's own has no Debian mirror."""
    home = CACHE / "apt"
    config = home / "apt.conf"
    if config.exists() and f'"{home}"' in config.read_text():  # not so of a cache that was moved or copied
        return config
    named = [path.read_text() for path in Path("/etc/apt").glob("sources.list*/*") if path.is_file()]
    named += [path.read_text() for path in [Path("/etc/apt/sources.list")] if path.exists()]
    mirrors = [
        found
        for text in named
        for found in re.findall(r"^(?:URIs: |deb (?:\[[^]]*\] )?)(\S*/debian)/?\s", text, re.M)
    ]
    if not mirrors:
        raise RuntimeError(
            "apt on this machine names no Debian mirror; an emulated board cannot be put together."
        )
    for folder in ("lists/partial", "cache/archives/partial"):
        (home / folder).mkdir(parents=True, exist_ok=True)
    (home / "status").touch()
    lines = [
        f"deb [arch=arm64 signed-by={KEYRING}] {mirrors[0]} {suite} main" for suite in (USERLAND, KERNEL)
    ]
    (home / "sources.list").write_text("\n".join(lines) + "\n")
    config.write_text(
        'APT::Architecture "arm64"; APT::Architectures { "arm64"; }; APT::Install-Recommends "false";\n'
        f'Dir::State "{home}"; Dir::State::lists "{home}/lists"; Dir::State::status "{home}/status";\n'
        'Acquire::Retries "5";\n'
        f'Dir::Cache "{home}/cache"; Dir::Etc::sourcelist "{home}/sources.list"; Dir::Etc::sourceparts "-";\n'
    )
    subprocess.run(["apt-get", "update", "-qq"], env={**os.environ, "APT_CONFIG": str(config)}, check=True)
    return config


def unpack_debs(packages: Sequence[str], suite: str, root: Path) -> None:
    """Unpack Debian packages and all that they depend on into a folder. Their scripts are not run."""
    config = _apt_home()
    env = {**os.environ, "APT_CONFIG": str(config), "LC_ALL": "C"}
    # A simulated installation names every package with its version and suite.
    planned = subprocess.run(
        ["apt-get", "install", "-s", "-t", suite, *packages],
        env=env,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    wanted = re.findall(r"^Inst (\S+) \((\S+)", planned, re.M)
    archives = config.parent / "cache" / "archives"
    have = {path.name for path in archives.glob("*.deb")}
    files = {(name, version): f"{name}_{version.replace(':', '%3a')}_" for name, version in wanted}
    missing = [f"{n}={v}" for (n, v), start in files.items() if not any(f.startswith(start) for f in have)]
    if missing:
        subprocess.run(["apt-get", "download", "-qq", *missing], env=env, check=True, cwd=archives)
    root.mkdir(parents=True, exist_ok=True)
    for start in files.values():
        archive = next(archives.glob(f"{start}*.deb"))
        # Not dpkg-deb -x: it puts a folder where /lib is a link to /usr/lib.
        with subprocess.Popen(["dpkg-deb", "--fsys-tarfile", str(archive)], stdout=subprocess.PIPE) as taken:
            line = ["tar", "-x", "--keep-directory-symlink", "-C", str(root)]
            subprocess.run(line, stdin=taken.stdout, check=True)


PLATFORM = [
    *(f"--platform={platform}_aarch64" for platform in ("manylinux_2_34", "manylinux_2_28", "manylinux_2_17", "manylinux2014")),
    "--implementation=cp", "--only-binary=:all:", "--ignore-requires-python",
]  # fmt: skip
"""A 64-bit Pi, as pip takes it."""


def unpack_wheels(requirements: Sequence[str], site: Path, python: str = PYTHONS[USERLAND]) -> None:
    """Unpack wheels for the board into a folder, with what they depend on left to the caller.

    requirements: as pip takes them, options among them.
    """
    command = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--target", str(site), "--upgrade"]
    subprocess.run([*command, *PLATFORM, f"--python-version={python}", *requirements], check=True)


def download_wheels(locked: str, folder: Path) -> None:
    """Fetch wheels for the board as they are. locked: lines of a lock file, with hashes."""
    wanted = CACHE / "locked.txt"
    wanted.write_text(locked)
    command = [
        sys.executable,
        "-m",
        "pip",
        "download",
        "-q",
        "--no-deps",
        "--require-hashes",
        "-d",
        str(folder),
    ]
    python = f"--python-version={PYTHONS[USERLAND]}"
    subprocess.run([*command, *PLATFORM, python, "-r", str(wanted)], check=True)
