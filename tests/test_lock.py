"""What a real bay installs: each package at one version, whose files are known by their hashes."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "requirements.lock").read_text(encoding="utf-8")
ENTRY = re.compile(r"^([A-Za-z0-9._-]+)==([^ ;\\]+)((?:.*\\\n)+.*)$", re.MULTILINE)
LOCKED = [(canonicalize_name(name), Version(version), rest) for name, version, rest in ENTRY.findall(TEXT)]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
WANTED = [
    Requirement(text)
    for text in (
        *PROJECT["project"]["dependencies"],
        *PROJECT["project"]["optional-dependencies"]["pi"],
        *PROJECT["project"]["optional-dependencies"]["pdf"],
        *PROJECT["build-system"]["requires"],
    )
]


@pytest.mark.parametrize("wanted", WANTED, ids=lambda wanted: wanted.name)
def test_every_dependency_is_locked_within_its_bounds(wanted: Requirement) -> None:
    versions = [version for name, version, _ in LOCKED if name == canonicalize_name(wanted.name)]
    assert versions, f"{wanted.name} is not in requirements.lock: make lock"
    assert all(version in wanted.specifier for version in versions)


def test_every_locked_package_is_known_by_its_hash_and_by_nothing_else() -> None:
    assert len(LOCKED) == len(re.findall(r"^[A-Za-z]", TEXT, re.MULTILINE)) > 30
    for name, _, rest in LOCKED:
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", rest), name
    assert "://" not in TEXT
    assert not re.search(r"--(?:extra-)?index|--find-links|--trusted", TEXT)


LEAST = {"jinja2": "3.1.6", "h11": "0.16.0", "starlette": "0.49.1"}
"""From memory, which releases first were without faults that a server of ours would have: a template's ``attr`` filter that
got out of the sandbox, a chunk's end that was not looked at (requests smuggled past a proxy), a Range header that took
quadratic time of a static file."""


@pytest.mark.parametrize("name", LEAST)
def test_no_release_with_a_known_fault_is_let_in(name: str) -> None:
    [wanted] = [wanted for wanted in WANTED if wanted.name == name]
    parts = Version(LEAST[name]).release
    older = [Version(".".join(map(str, (*parts[:-1], parts[-1] - 1))))] if parts[-1] else []
    for before in (*older, Version(f"{parts[0]}.{parts[1] - 1}.99")):
        assert before not in wanted.specifier
