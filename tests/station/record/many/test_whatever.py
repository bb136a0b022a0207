"""Whatever a bay's record holds comes in: kept as it was written, and what cannot be a figure of a workshop in no sum."""

import itertools
import json
import random
import string
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from station.record.chain import entry_hash
from station.record.many.arriving import Batch, Entry
from station.record.many.ingest import Taken
from station.record.many.store import Store
from tests.rolled import certificate, give, known, row, whole

UTC_ = "2026-02-01T08:00:00.000+00:00"
BAY = itertools.count(1)
LONG = "".join(random.Random(1).choices(string.printable, k=6000))
"""More than an entry of an index may be, however well it is packed."""
NUMBERS = st.one_of(
    st.floats(),
    st.sampled_from((1e300, -1e300, 9.3e12, 5e12, -2.5, 1e-300, 10**400, -(10**30), 1 << 63, 0)),
    st.floats(-30.0, 30.0),
)
TIMES = st.sampled_from(
    (
        "0001-01-01T00:00:00.000+00:00",
        "0001-01-01T00:30:00+14:00",
        "9999-12-31T23:59:59.999+00:00",
        "9999-12-31T23:59:59-14:00",
        "2026-02-01T08:00:00+23:59",
        "2026-02-01",
        "24:00",
        "",
        UTC_,
    )
)
TEXTS = st.one_of(
    st.text(max_size=8), st.sampled_from((LONG, "漢" * 1001, "A\0", "", '"\\', "\ud7ff\U0010ffff"))
)
ODD = st.one_of(NUMBERS, TIMES, TEXTS, st.none(), st.booleans(), st.just([]), st.just({}))
CERTIFICATE = json.loads(certificate("P-1", "pan").to_json())
MOVEMENT = {
    "kind": "waste",
    "container": "drum 1",
    "fluid": "ATF",
    "volume_l": 1.25,
    "u95_l": 0.1,
    "note": "",
    "vehicle": None,
    "technician": None,
    "utc": UTC_,
}


def _row(n: int) -> dict[str, Any]:
    return row(f"job-{n}", random.Random(n), n, bay="Bay 1", meter="Bay 1 meter")


ROWS = [_row(n) for n in range(6)]


def _with(body: dict[str, Any], odd: dict[str, Any]) -> dict[str, Any]:
    """The body of which some fields say something else, as far as it has them."""
    return {name: odd.get(name, value) for name, value in body.items()}


FIELDS = sorted({*ROWS[0], *MOVEMENT, *CERTIFICATE})
SAID = st.dictionaries(
    st.sampled_from([*FIELDS, *(name for name in FIELDS if name.endswith("_l"))]), ODD, max_size=3
)


@st.composite
def bodies(draw: st.DrawFn) -> tuple[str | None, str, Any]:
    kind = draw(st.sampled_from(("result", "movement", "certificate", "catalogue")))
    odd = draw(SAID)
    if kind == "result":
        return "job-1", kind, {"row": _with(draw(st.sampled_from(ROWS)), odd), "report": odd}
    if kind == "movement":
        return None, kind, _with(MOVEMENT, odd)
    if kind == "certificate":
        return None, kind, {"certificate": json.dumps(_with(CERTIFICATE, odd))}
    change = {"table": "fluid", "key": draw(st.lists(TEXTS, max_size=2)), "fields": {"name": draw(ODD)}}
    return None, kind, {"changes": [change]}


Told = tuple[str | None, str, Any]


def sent(store: Store, bay: str, told: list[Told]) -> tuple[Taken, list[str]]:
    """What came of a record of these entries, and their texts."""
    previous, entries = "", []
    for seq, (job_id, kind, body) in enumerate(told, 1):
        fields = (seq, job_id, kind, json.dumps(body, ensure_ascii=False), "boot", float(seq), UTC_, 1)
        previous = entry_hash(previous, fields)
        entries.append(Entry(*fields, previous))
    return give(store, known(store, bay), Batch(tuple(entries), len(entries), previous)), [
        e.body for e in entries
    ]


def test_no_entry_stops_a_batch(store: Store) -> None:
    @settings(max_examples=40)
    @given(told=st.lists(bodies(), min_size=1, max_size=8))
    def comes_in(told: list[Told]) -> None:
        bay = f"bay-{next(BAY)}"
        taken, texts = sent(store, bay, told)
        assert (taken.fault, taken.seq) == (None, len(told))
        with store.connection() as db:
            kept = db.execute("select body from event where bay = %s order by seq", [bay]).fetchall()
        assert [text for (text,) in kept] == texts

    comes_in()
    assert whole(store) == []


def test_a_volume_that_is_none_is_told_and_in_no_sum(store: Store) -> None:
    rows = [
        {**_row(n), "stage": "closed", "filled_l": 2.5, "expected_fill_l": 2.8, "fluid": "ATF"}
        for n in range(3)
    ]
    rows[1] |= {"filled_l": 1e300}
    rows[2] |= {"expected_fill_l": 1e-290, "vehicle": LONG}
    told: list[Told] = [(one["job_id"], "result", {"row": one}) for one in rows]
    told += [
        (None, "movement", {**MOVEMENT, "volume_l": 5e12}),
        (None, "movement", {**MOVEMENT, "note": LONG * 170}),
    ]
    taken, _texts = sent(store, "bay-1", told)
    assert (taken.fault, taken.seq) == (None, 5)
    with store.connection() as db:
        unread = dict(db.execute("select seq, text from unread").fetchall())
        use = db.execute("select sum(jobs), sum(filled_ul), sum(waste_ul) from use_month").fetchone()
        jobs = db.execute(
            "select seq, filled_l, deviation_percent is null, length(vehicle) from job order by seq"
        ).fetchall()
    assert unread == {
        2: "result: filled_l is 1e+300",
        3: "result: vehicle is a text of 6000 characters; a fill of 2.5 L against 1e-290 L",
        4: "movement: a volume of 5000000000000.0 L ± 0.1 L",
    }
    assert use == (3, 5_000_000, 1_250_000)
    assert [one[:3] for one in jobs] == [(1, 2.5, False), (2, None, True), (3, 2.5, True)]
    assert jobs[2][3] == 500
    assert whole(store) == []
