"""What the README says to type at the Pi is typed, in its order, and does what it is said to do."""

import re
import shlex
from pathlib import Path

import pytest

from station.__main__ import main
from station.given.config import demo_path
from tests.station.record.filled import filled

README = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
LINES = [
    line
    for block in re.findall(r"^```\w*\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    for line in block.splitlines()
    if line.startswith("tallypan ")
]
ELSEWHERE = ("/media/backup", "/var/lib/tallypan")
"""Folders of a Pi, which are below the test's own here."""


def typed(line: str, capsys: pytest.CaptureFixture[str]) -> str:
    """Run a line as a shell would; what it said."""
    command, _, into = line.partition(" > ")
    assert main(shlex.split(command)[1:]) == 0, f"{line}: {capsys.readouterr().err}"
    said = capsys.readouterr().out
    if into:
        Path(into).write_text(said, encoding="utf-8")
    return said


def test_every_line_of_the_readme_does_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    demo = demo_path().read_text(encoding="utf-8")
    bay = re.sub(r"^ledger = .*$", 'ledger = "ledger.sqlite"', demo, count=1, flags=re.MULTILINE)
    Path("bay.toml").write_text(bay, encoding="utf-8")
    filled(tmp_path / "ledger.sqlite", minutes=0.03)
    said = {}
    for line in LINES:
        for folder in ELSEWHERE:
            here = tmp_path / folder[1:]
            here.mkdir(parents=True, exist_ok=True)
            line = line.replace(folder, str(here))
        said[line.split()[1], line.split()[-1]] = typed(line, capsys)
    done = [command for command, _ in said]
    assert done == [
        "backup",
        "restore",
        "verify",
        "checkpoint",
        "verify",
        "retain",
        "people",
        "people",
        "certificate",
    ]
    text = "\n".join(said.values())
    for part in (
        "was restored from",
        "the chain is whole",
        "are all in the record, as they were signed for",
        "no samples are older than the rule",
        "E. Brandvold",
    ):
        assert part in text
    assert (tmp_path / "var/lib/tallypan/bay-1.local.crt").is_file()


@pytest.mark.parametrize("name", sorted(set(re.findall(r"^\| `tallypan (\w+)", README, re.MULTILINE))))
def test_every_command_of_the_table_is_one(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    assert "usage: tallypan" in capsys.readouterr().out
