"""Whoever weighs or meters on a bay does it by the certificate in force, its bend included, and not by the bay's file."""

import math
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from calibration.certificates import Certificate, Kind, Reference
from hardware.sample import Sample
from station.bay.engine import Engine
from station.given.config import BayConfig, demo_path, read_config
from station.record.ledger import now
from station.record.recorder import Recorder

LINE = {
    "zero_count": 80_000.0,
    "kg_per_count": 5.0e-6,
    "u_rel": 0.0005,
    "noise_counts": 25.0,
    "creep_rel": 0.0002,
    "kg_per_count2": 1.0e-14,
    "u_indication_kg": 0.0,
    "dof_slope": None,
}
K_FACTOR = 500.0


class StillRig:
    """Devices that do nothing by themselves; the test puts what they would say."""

    backend = "pi"

    def __init__(self, put: Callable[[Sample], None]) -> None:
        self.put = put

    def beat(self, run: bool, fine: bool = False) -> bool:
        return True

    def trip_pump(self) -> bool:
        return True

    def clear_pump(self) -> bool:
        return True

    def set_lamp(self, pattern: str) -> None: ...

    def beep(self, n: int = 1) -> None: ...

    def close(self) -> None: ...


def certificate(kind: Kind, result: dict[str, object]) -> Certificate:
    return Certificate(
        number=f"Bay 1 {kind} 1",
        kind=kind,
        instrument=f"Bay 1 {kind}",
        made_at="2026-01-05T10:00:00+00:00",
        made_by="S. Adebayo-Reyes",
        valid_until="2099-01-05",
        references=(Reference("5 kg", 5.0, 1e-5, "kg", "W-17"),),
        conditions={},
        data={},
        result=result,
        statement="For this test.",
    )


def certified(folder: Path) -> BayConfig:
    """A bay whose record holds a certificate of its pan and one of its meter, both other than its file."""
    config = replace(read_config(demo_path()), ledger=folder / "ledger.sqlite")
    recorder = Recorder(config.ledger, lambda text: None)
    for one in (
        certificate("pan", {"line": LINE}),
        certificate("meter", {"budget": {"value": K_FACTOR, "u": 0.5, "dof": None}}),
    ):
        recorder.event(None, "certificate", {"certificate": one.to_json(), "sha256": one.digest}, now(0.0))
    recorder.close()
    return config


def until(true: Callable[[], bool]) -> None:
    give_up = time.monotonic() + 60.0
    while not true():
        assert time.monotonic() < give_up
        time.sleep(0.01)


def test_the_page_weighs_and_the_books_meter_by_the_certificates_in_force(tmp_path: Path) -> None:
    rigs: list[StillRig] = []

    def open_rig(put: Callable[[Sample], None]) -> StillRig:
        rigs.append(StillRig(put))
        return rigs[0]

    engine = Engine(certified(tmp_path), open_rig)
    try:
        d = 1_000_000
        rigs[0].put(Sample(time.monotonic(), "pan", 80_000 + d))
        until(lambda: engine.view().pan_g is not None)
        assert engine.view().pan_g == pytest.approx((d * 5.0e-6 + d * d * 1.0e-14) * 1000.0)
        for count in (0, 100):  # 0.2 L by the certificate, 0.248 L by the file
            rigs[0].put(Sample(time.monotonic(), "meter", count))
        until(lambda: bool(engine.view().notices))
        assert "200 mL flowed between jobs" in engine.view().notices[-1].text
    finally:
        engine.close()
    assert not math.isclose(100 / 402.5, 0.2, rel_tol=0.01)
