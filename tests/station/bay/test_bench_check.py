"""The bench checklist on a simulated bay: what is asked, how it is judged, and the file that it leaves."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from station.__main__ import main
from station.bay import bench_check, doctor
from station.bay.bench_check import BY_HAND, TRAINS, by_hand, machine, pan_noise, read_result, trains, write
from station.errors import InputError
from station.given.config import demo_path

RESULTS = Path(bench_check.__file__).parents[2] / "hardware" / "results"


@pytest.mark.parametrize("path", [*sorted(RESULTS.glob("*.toml")), None])
def test_every_result_that_is_kept_can_be_read(path: Path | None) -> None:
    if path is not None:
        assert not read_result(path).machine.simulated


def test_the_whole_checklist_leaves_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(doctor, "LISTEN_S", 1.0)
    monkeypatch.setattr(bench_check, "LISTEN_S", 6.0)  # a busy computer reads the pan late
    answers = {BY_HAND[1].do: "84.5; scope on the input", BY_HAND[7].do: "no"}
    monkeypatch.setattr(
        "builtins.input", lambda q: next((a for do, a in answers.items() if q.startswith(do)), "")
    )
    bay = tmp_path / "bay.toml"
    bay.write_text(demo_path().read_text().replace("var/demo", str(tmp_path / "demo")))
    out = tmp_path / "result.toml"
    assert main(["bench", "--simulated", "--config", str(bay), "--by", "A. Tester", "--out", str(out)]) == 1
    result = read_result(out)
    assert (result.by, result.machine.simulated) == ("A. Tester", True)
    rows = {row.key: row for row in result.check}
    assert len(rows) == len(result.check)
    assert {"doctor: pan", "doctor: ledger", "pan_noise"} <= set(rows)
    noise = rows["pan_noise"]
    assert noise.outcome == "passed"
    assert 1.0 < (noise.measured or 0.0) < 100.0, "the simulated cell scatters by some 25 counts"
    kill = rows["kill_service_ms"]
    assert (kill.outcome, kill.measured, kill.unit, kill.said) == ("passed", 84.5, "ms", "scope on the input")
    assert rows["second_service"].outcome == "failed"
    assert {rows[check.key].outcome for check in BY_HAND[2:7]} == {"skipped"}
    # Enter says that the generator has been run, and a simulated bay has none.
    assert (rows[TRAINS[0].key].outcome, rows[TRAINS[0].key].measured) == ("failed", 1000.0)
    assert "second_service" in capsys.readouterr().out


def answering(*answers: str) -> Iterator[str]:
    yield from answers
    while True:
        yield ""


def test_what_is_measured_is_judged_by_its_limit_and_nonsense_is_asked_again() -> None:
    replies = answering("quiet?", "yes", "fast", "-3", "101", "250.0")
    rows = by_hand(lambda _: next(replies))
    assert [(row.outcome, row.measured) for row in rows[:3]] == [
        ("passed", None),
        ("failed", 101.0),
        ("passed", 250.0),
    ]
    assert {row.outcome for row in rows[3:]} == {"skipped"}


def test_a_generators_pulses_are_counted_or_skipped() -> None:
    counts = iter([0, 1000, 1000, 1999, 1999, 1999])
    replies = iter(["", "", "s"])
    rows = trains(lambda: next(counts), lambda _: next(replies))
    assert [(row.outcome, row.measured) for row in rows] == [
        ("passed", 0.0),
        ("failed", 1.0),
        ("skipped", None),
    ]


def test_a_count_that_never_changes_is_no_quiet_pan(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_check, "LISTEN_S", 0.05)
    monkeypatch.setattr(bench_check, "LOOK_S", 0.005)
    assert pan_noise(lambda: 84213).outcome == "failed"
    loud = iter(range(0, 10**9, 900))
    assert pan_noise(lambda: next(loud)).outcome == "failed"


def test_the_board_says_what_it_is(tmp_path: Path) -> None:
    (tmp_path / bench_check.MODEL).parent.mkdir(parents=True)
    (tmp_path / bench_check.MODEL).write_text("Some Board Rev 1.2\0")
    assert machine(False, tmp_path).model == "Some Board Rev 1.2"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('outcome = "skipped"', 'outcome = "fine"', r"\[check\] entry 1 outcome is 'fine'"),
        ("simulated = false", "", r"\[machine\] simulated is missing"),
        ('key = "boot_click"', 'key = "boot_click", hurry = 1', "unknown key 'hurry'"),
    ],
)
def test_a_result_of_another_form_is_refused(old: str, new: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "result.toml"
    write(path, "", machine(False), by_hand(lambda _: ""))
    assert len(read_result(path).check) == len(BY_HAND)
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(InputError, match=said):
        read_result(path)
    with pytest.raises(InputError, match="name another file"):
        write(tmp_path, "", machine(False), [])
