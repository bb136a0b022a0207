"""A bay that cannot weigh, or would lose its record, does not start: found before anything is opened."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from hardware.sample import Sample
from station import __main__
from station.bay import fitness
from station.errors import InputError
from station.given.config import BayConfig, demo_path, read_config
from station.record.ledger import Ledger, now
from station.record.recorder import Recorder
from tests.station.bay.test_lines_in_force import LINE, certificate
from tests.station.record import version_1

MOUNTS = (
    "disk / ext4 rw 0 0\ntmpfs /run tmpfs rw 0 0\ntmpfs /tmp tmpfs rw 0 0\ndisk2 /tmp/my\\040disk ext4 rw 0 0\n"
    "tmpfs /data tmpfs rw 0 0\ndisk3 /data ext4 rw 0 0\n"
)


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/var/lib/nowhere/l.sqlite", "ext4"),
        ("/run/nowhere/l.sqlite", "tmpfs"),
        ("/runner/l.sqlite", "ext4"),
        ("/tmp", "tmpfs"),
    ],
)
def test_what_a_path_lies_on_is_told_by_the_longest_mount(path: str, kind: str) -> None:
    assert fitness.file_system(Path(path), MOUNTS) == kind


def test_a_mount_point_with_a_blank_and_one_that_covers_another(tmp_path: Path) -> None:
    mounts = f"disk / ext4 rw 0 0\ntmpfs {tmp_path} tmpfs rw 0 0\ndisk {tmp_path}/my\\040disk ext4 rw 0 0\n"
    (tmp_path / "my disk").mkdir()
    assert fitness.file_system(tmp_path / "my disk" / "l.sqlite", mounts) == "ext4"
    assert fitness.file_system(tmp_path / "l.sqlite", mounts) == "tmpfs"
    assert fitness.file_system(tmp_path / "l.sqlite", mounts + f"disk {tmp_path} btrfs rw 0 0\n") == "btrfs"


def test_the_demos_relative_record_goes_with_a_simulated_bay_only(monkeypatch: pytest.MonkeyPatch) -> None:
    config = read_config(demo_path())
    fitness.check_place(config, simulated=True)
    with pytest.raises(InputError, match=r"\[bay\] ledger is 'var/demo-ledger.sqlite'; .*/var/lib/tallypan"):
        fitness.check_place(config, simulated=False)


def with_pan(folder: Path, **line: float) -> BayConfig:
    config = replace(read_config(demo_path()), ledger=folder / "ledger.sqlite")
    recorder = Recorder(config.ledger, lambda text: None)
    one = certificate("pan", {"line": {**LINE, **line}})
    recorder.event(None, "certificate", {"certificate": one.to_json(), "sha256": one.digest}, now(0.0))
    recorder.close()
    return config


def test_a_sound_certificate_is_what_the_bay_weighs_by(tmp_path: Path) -> None:
    assert fitness.check_lines(with_pan(tmp_path)).pan.kg_per_count == LINE["kg_per_count"]


@pytest.mark.parametrize("slope", [0.0, -5.0e-6, 5.0e3])
def test_a_certificate_that_cannot_weigh_keeps_the_bay_from_starting(
    slope: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    config = with_pan(tmp_path, kg_per_count=slope)
    monkeypatch.setattr(__main__, "_open_engine", lambda *_: pytest.fail("opened"))
    file = tmp_path / "bay.toml"
    text = demo_path().read_text(encoding="utf-8").replace("var/demo-ledger.sqlite", str(config.ledger))
    file.write_text(text, encoding="utf-8")
    assert __main__.main(["serve", "--simulated", "--config", str(file)]) == 2
    said = capsys.readouterr().err
    assert "certificate Bay 1 pan 1: [line] kg_per_count is" in said
    assert "Calibrate again" in said
    assert __main__.main(["doctor", "--simulated", "--config", str(file)]) == 1
    assert "FAIL  lines: " in capsys.readouterr().out


@pytest.mark.parametrize(
    "older", [True, False], ids=["of the first version", "left empty by a cut in its first moment"]
)
def test_an_older_record_is_brought_up_before_it_is_asked(older: bool, tmp_path: Path) -> None:
    config = replace(read_config(demo_path()), ledger=tmp_path / "ledger.sqlite")
    config.ledger.touch()
    if older:
        version_1.write(config.ledger, {"old-1": [Sample(0.1, "pan", 84_000)]})
    fitness.check(config, simulated=True)
    assert len(list(tmp_path.glob("ledger-version-1-*.sqlite"))) == older
    with closing(Ledger(config.ledger, read_only=True)) as record:
        assert len(list(record.samples("old-1"))) == older
