"""What the README says to type at the Pi, and that of many bays at the office, is typed, in its order, and does what it is said to do."""

import re
import shlex
from pathlib import Path

import pytest

from station.__main__ import main
from station.given.config import demo_path
from station.record.many.embedded import Embedded
from tests.rolled import fresh
from tests.station.record.filled import filled

ROOT = Path(__file__).parents[3]
README, MANY = ((ROOT / of / "README.md").read_text(encoding="utf-8") for of in ("", "station/record/many"))
LINES = [
    line
    for block in re.findall(r"^```\w*\n(.*?)^```$", README + MANY, re.MULTILINE | re.DOTALL)
    for line in block.replace("\\\n", " ").splitlines()
    if line.startswith("tallypan ")
]
AT_THE_OFFICE = [line for line in LINES if "roll-up" in line]
ELSEWHERE = ("/media/backup", "/var/lib/tallypan", "/var/lib/roll-up")
"""Folders of a Pi or a server, which are below the test's own here."""


def here(line: str, below: Path) -> str:
    for folder in ELSEWHERE:
        (below / folder[1:]).mkdir(parents=True, exist_ok=True)
        line = line.replace(folder, f"{below}{folder}")
    return line


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
        if line not in AT_THE_OFFICE:
            said[line.split()[1], line.split()[-1]] = typed(here(line, tmp_path), capsys)
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


def test_every_line_for_the_office_does_what_it_says(
    tmp_path: Path, postgres: Embedded, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    served: list[tuple[str, bool]] = []
    monkeypatch.setattr(
        "web.many.run", lambda make, host, port, announce, tls: served.append((host, tls is not None))
    )
    monkeypatch.setattr("web.many.logs.set_up", lambda as_json: None)
    monkeypatch.setattr("os.sched_getaffinity", lambda pid: {0})  # nothing is taken in: no processes for it
    dsn = fresh(postgres.dsn)
    monkeypatch.chdir(tmp_path)
    Path("fluids.csv").write_text(
        "fluid,name,grade,kind,density_15_kg_m3,kv40_mm2_s,kv100_mm2_s\n"
        "gear,Gear oil 75W-90,75W-90,lubricant,871,115,15.2\n",
        encoding="utf-8",
    )
    done = []
    for line in AT_THE_OFFICE:
        done.append(" ".join(line.split()[1:3]))
        beside = f" --dsn '{dsn}'" if done[-1].startswith("roll-up") else ""
        typed(here(line, tmp_path) + beside, capsys)
    assert done == [
        "roll-up enter",
        "people --ledger",
        "certificate office.local",
        "roll-up serve",
        "roll-up retire",
        "roll-up bring-back",
        "roll-up move",
        "roll-up lists",
        "roll-up export",
    ]
    assert Path("jobs.csv").read_text(encoding="utf-8").startswith("shop,bay,seq,day,job_id")
    assert served == [("0.0.0.0", True)]


@pytest.mark.parametrize("name", sorted(set(re.findall(r"^\| `tallypan ([\w-]+)", README, re.MULTILINE))))
def test_every_command_of_the_table_is_one(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    assert "usage: tallypan" in capsys.readouterr().out
