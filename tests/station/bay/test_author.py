"""Who did it: a signed-in name goes from the caller's thread into the record, and to nobody else's entries."""

import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from station.__main__ import _open_engine
from station.bay.engine import Engine
from station.bay.plan import PlanForm
from station.given.config import demo_path, read_config
from station.record.author import BY
from station.record.verify import verify
from station.shop.movement import Movement

FORM = PlanForm("b12_rear_axle", drained_fluid="gear_75w90_used", fresh_fluid="gear_75w90")


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    config = replace(read_config(demo_path()), ledger=tmp_path / "ledger.sqlite")
    engine, close = _open_engine(config, simulated=True)
    yield engine
    close()


def test_every_entry_carries_who_made_it(engine: Engine) -> None:
    def work(name: str) -> None:
        BY.set(name)
        if name == "M. Okafor":
            engine.open_job(FORM)
            engine.check("hot", True)
        engine.note("remark", f"from {name or 'nobody'}")
        if name == "R. Halloran-Mbeki":
            engine.entries.move(Movement("received", "gear_75w90", 57.2, 0.0, "drum 1", None, None, ""))

    for name in ("M. Okafor", "R. Halloran-Mbeki", ""):
        thread = threading.Thread(target=work, args=(name,))
        thread.start()
        thread.join()
    BY.set("E. Brandvold")
    engine.abandon("wrong vehicle")
    BY.set("")
    with engine.reading() as ledger:
        said = [(event["kind"], event["body"].get("by")) for event in ledger.events()]
        moved = list(ledger.db.query("select kind, volume_l from movement"))
    for one in (
        ("job_open", "M. Okafor"),
        ("check", "M. Okafor"),
        ("note", "M. Okafor"),
        ("note", "R. Halloran-Mbeki"),
        ("note", None),
        ("movement", "R. Halloran-Mbeki"),
        ("abandoned", "E. Brandvold"),
    ):
        assert one in said
    assert {by for kind, by in said if kind in ("bay_file", "result")} == {None}
    assert moved == [{"kind": "received", "volume_l": 57.2}]
    assert verify(engine.config.ledger).broken == []
    job_id = engine.jobs()[0].job_id
    job = engine.job(job_id)
    assert (job.opened_by, job.closed_by) == ("M. Okafor", "E. Brandvold")
    notes = [(e.text, e.by) for e in job.events if e.kind == "note"]
    assert ("remark: from R. Halloran-Mbeki", "R. Halloran-Mbeki") in notes
    assert ("remark: from nobody", "") in notes
    assert "Okafor" not in engine.job_toml(job_id), (
        "who pressed the button is in the record, not in the job's facts"
    )
