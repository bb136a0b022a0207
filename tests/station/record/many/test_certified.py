"""Which certificate is in force at a bay, as the bay itself says it."""

import random
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

from calibration.certificates import Certificate, Kind
from station.learning.quality import calibration_due
from station.record import outbox
from station.record.ledger import now
from station.record.many import certified
from station.record.many.certified import Without
from station.record.many.queries import Scope
from station.record.many.store import Store
from tests.rolled import COMPANY, certificate, enter, give, known, record, whole

SCOPE = Scope(COMPANY, ("harbour",), date(2026, 1, 1), date(2027, 1, 1))
TODAY = "2026-11-20"


def test_what_is_in_force_is_what_the_bay_says_itself_however_its_certificates_come(
    store: Store, tmp_path: Path
) -> None:
    draw, path = random.Random(4), tmp_path / "bay.sqlite"
    made: list[Certificate] = []
    kinds: list[Kind] = ["pan", "meter"]
    with closing(record(path, 0)) as ledger:
        bay = known(store)
        for n in range(40):
            kind = draw.choice(kinds)
            of = certificate(f"{kind} {n}", kind, made_at=f"2026-0{draw.randrange(1, 4)}-0{draw.randrange(1, 4)}T0{draw.randrange(9)}:00:00+0{draw.randrange(3)}:00")  # fmt: skip
            same = [one.number for one in made if one.kind == kind]
            made.append(replace(of, replaces=draw.choice(same)) if same and n % 3 == 0 else of)
            ledger.append(None, "certificate", {"certificate": made[-1].to_json()}, now())
            if n % 4:
                continue
            give(store, bay, outbox.batch(path, known_seq(store), 1000))
            own = calibration_due({(one.kind, one.instrument) for one in made}, made, TODAY)
            with store.connection() as db:
                here = certified.certificates(db, SCOPE)
            assert sorted((one.instrument, one.number) for one in here) == sorted(
                (one.instrument, one.certificate) for one in own if one.certificate
            )
    assert whole(store) == []
    with store.connection() as db:
        db.execute("update certificate set in_force = not in_force where seq = 1")
    assert whole(store) == ["certificate: 2 lines are not what their rows add up to"]


def known_seq(store: Store) -> int:
    with store.connection() as db:
        return int((db.execute("select coalesce(max(seq), 0) from head").fetchone() or (0,))[0])


def test_of_very_many_the_first_that_end_and_how_many_there_are(store: Store, tmp_path: Path) -> None:
    for shop in ("harbour", "quay"):
        for n in range(3):
            enter(store, shop, f"bay-{n}")
    with closing(record(tmp_path / "bay.sqlite", 0)) as ledger:
        kinds: list[Kind] = ["pan", "meter", "pan_b"]
        for n, kind in enumerate(kinds):
            of = certificate(f"{kind} {n}", kind, valid_until=f"2027-0{3 - n}-01")
            ledger.append(None, "certificate", {"certificate": of.to_json()}, now())
        give(store, known(store, "bay-1"), outbox.batch(tmp_path / "bay.sqlite", 0, 100))
    both = replace(SCOPE, shops=("harbour", "quay"))
    with store.connection() as db:
        assert [one.kind for one in certified.certificates(db, both, most=2)] == ["pan_b", "meter"]
        assert certified.counted(db, both) == 3
        assert [one.kind for one in certified.certificates(db, both, ["meter"])] == ["meter"]
        assert certified.certificates(db, both, last=date(2026, 12, 31)) == []
        assert certified.counted(db, both, ["pan"], date(2027, 3, 1)) == 1
        every = certified.without(db, both, 100)
        assert certified.without(db, both, 3) == every[:3]
        assert len(every) == every[0].bays == 10
        assert every[:3] == [
            Without("harbour", "bay-0", "pan", 10),
            Without("harbour", "bay-0", "meter", 10),
            Without("harbour", "bay-2", "pan", 10),
        ]
        assert certified.without(db, replace(SCOPE, shops=("quay",)), 1)[0].bays == 6
