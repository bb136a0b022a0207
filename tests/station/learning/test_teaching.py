"""Bays of a shop tell each other what compartments took: level-proved fills alone, never a bay of itself, and once a day."""

import random
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from station.learning import expected, sisters, teaching
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many.accept import accept
from station.record.many.store import Store
from tests.rolled import give, known, row, whole

AXLE, METHOD = "rear axle, midibus", "cover removed"
TODAY = datetime(2026, 3, 1, 8, tzinfo=UTC)


def filled(path: Path, fills: list[tuple[float, dict[str, Any]]], seed: int = 1) -> Path:
    """A record of jobs that came to so much."""
    draw = random.Random(seed)
    with closing(Ledger(path)) as ledger:
        for n, (filled_l, more) in enumerate(fills):
            job_id = f"{seed:03d}-{n:05d}"
            known = {"stage": "closed", "filled_l": filled_l, "level_seen": 1, "verdict": "full"}
            told = row(job_id, draw, n, **{**known, **more})
            at = Moment("boot", float(n), str(told["opened_utc"]), True)
            ledger.append(job_id, "job_open", {"job": {"capacity": "2.9 L"}}, at)
            ledger.append(job_id, "result", {"report": {}, "row": told, "samples": 0}, at, told)
    return path


def draw(store: Store, bay: Any, at: datetime = TODAY) -> int:
    with store.connection() as db:
        teaching.draw(db, bay, at)
        return teaching.newest(db, bay.shop)


def test_a_bay_learns_from_its_sisters_alone(store: Store, tmp_path: Path) -> None:
    """Ten fills with a stray and one that only the meter bore out; two of a gearbox, too few to tell; another shop's."""
    fills: list[tuple[float, dict[str, Any]]] = [(2.80 + 0.002 * n, {}) for n in range(8)]
    fills += [
        (5.7, {}),
        (2.87, {"level_seen": 0}),
        (2.86, {"level_proved": 1, "proved_fill_l": 2.81, "level_seen": 0}),
    ]
    fills += [(1.75, {"compartment_type": "gearbox"})] * 2
    one, two, far = known(store, "bay-1"), known(store, "bay-2"), known(store, "bay-9", "quay")
    give(store, one, outbox.batch(filled(tmp_path / "1.sqlite", fills), 0, 1000))
    own = filled(tmp_path / "2.sqlite", [(2.80, {}), (2.81, {})], 2)
    give(store, two, outbox.batch(own, 0, 1000))
    assert [draw(store, bay) for bay in (two, one, far)] == [0, 1, 0]
    with store.connection() as db:
        assert teaching.told(db, one, 0) == teaching.told(db, far, 0) == []
        [told] = teaching.told(db, two, 0)
        assert (teaching.newest(db, "harbour", "bay-1"), teaching.newest(db, "harbour", "bay-2")) == (0, 1)
        by = db.execute(
            "select proved_by, count(*) from job where bay = 'bay-1' group by 1 order by 1"
        ).fetchall()
        lines = teaching.every(db, ["harbour"])
        assert teaching.listed(db, lines) == {("harbour", "bay-1", AXLE, METHOD): 2.9}
    assert by == [("level seen", 11), ("pan", 1), (None, 1)]
    [line] = told.fills
    assert (line.bay, line.compartment_type, line.method) == ("bay-1", AXLE, METHOD)
    assert (line.n, line.left_out) == (9, 1)
    assert line.mean_l == (sum(x for x, _ in fills[:8]) + 2.81) / 9
    assert (line.since_utc[:10], line.until_utc[:10]) == ("2026-01-01", "2026-01-11")
    with closing(Ledger(own)) as ledger:
        ledger.append(
            None,
            sisters.EVENT,
            sisters.told_of(told.body()).body(),
            Moment("boot", 99.0, "2026-03-02T08:00:00+00:00", True),
        )
        got = expected.expected_fill(ledger, AXLE, 2.9, METHOD)
    assert (got.n, got.own_n) == (11, 2)
    give(store, two, outbox.batch(own, 4, 1000))
    assert draw(store, two, TODAY + timedelta(days=1)) == 1, "what it was told is no fill of its own"


def test_what_changes_is_a_new_version_once_a_day(store: Store, tmp_path: Path) -> None:
    one, two = known(store, "bay-1"), known(store, "bay-2")
    many: list[tuple[float, dict[str, Any]]] = [
        (2.8, {"compartment_type": f"type {n // 3}"}) for n in range(9)
    ]
    path = filled(tmp_path / "1.sqlite", many)
    give(store, one, outbox.batch(path, 0, 1000))
    assert draw(store, one) == 1
    give(store, one, outbox.batch(filled(path, many[:1], 3), 18, 1000))
    assert draw(store, one, TODAY + timedelta(hours=23)) == 1
    assert draw(store, one, TODAY + timedelta(hours=24)) == 2
    assert draw(store, one, TODAY + timedelta(hours=48)) == 2, "nothing has changed"
    with store.connection() as db:
        assert [(t.version, [f.n for f in t.fills]) for t in teaching.told(db, two, 0)] == [
            (1, [3, 3]),
            (2, [4]),
        ]
        assert [t.version for t in teaching.told(db, two, 1)] == [2]
        db.execute("update bay set fault = 'cut' where bay = 'bay-1'")
        accept(db, "harbour", "bay-1", "E. Brandvold", "its card was changed")
    assert draw(store, one, TODAY + timedelta(hours=72)) == 3
    with store.connection() as db:
        [told] = teaching.told(db, two, 2)
    assert [one.n for one in told.fills] == [0, 0, 0]
    assert whole(store) == []


def test_very_many_changes_go_down_as_several_versions(
    store: Store, tmp_path: Path, monkeypatch: Any
) -> None:
    monkeypatch.setattr(teaching, "MOST", 2)
    one, two = known(store, "bay-1"), known(store, "bay-2")
    fills: list[tuple[float, dict[str, Any]]] = [
        (2.8, {"compartment_type": f"type {n // 3:02d}"}) for n in range(3 * 11)
    ]
    give(store, one, outbox.batch(filled(tmp_path / "1.sqlite", fills), 0, 1000))
    assert draw(store, one) == 6
    with store.connection() as db:
        first = teaching.told(db, two, 0)
        rest = teaching.told(db, two, first[-1].version)
    assert [len(told.fills) for told in (*first, *rest)] == [2, 2, 2, 2, 2, 1]
    assert len(first) == teaching.VERSIONS_MOST
