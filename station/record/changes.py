"""The event counter: every change of a setting or a calibration has the next number, whichever way it comes in.

It is drawn where events are appended, so that no way of entering passes it by, and from the record alone, so that it
never goes down. (Weights-and-measures practice calls it an event counter: not resettable, and one higher each time that
one or more sealable parameters were changed; the wording is that of Canada's terms for metrological audit trails.)
"""

from collections.abc import Mapping
from typing import Any

from station.record.sqlite import Database

BAY_FILE = "bay_file"
"""What a bay's file said when the station started, where that was another than before."""
PEOPLE = "people"
"""Who may sign in, and as what: added, another role, a secret taken away or chosen, taken out."""
KINDS = ("catalogue", "certificate", BAY_FILE, PEOPLE)
"""Kinds of events that change what later figures rest on."""


def numbered(db: Database, kind: str, body: Mapping[str, Any]) -> Mapping[str, Any]:
    """The body of an event with its number as ``counter``, where it is such a change."""
    return {**body, "counter": newest(db) + 1} if kind in KINDS else body


def newest(db: Database) -> int:
    """The number of the newest change; 0 before the first one, and in a record from before they were counted."""
    sql = (
        "select coalesce(json_extract(body, '$.counter'), 0) from event "
        "where job_id is null and kind = ? order by seq desc limit 1"
    )
    return max(int((db.execute(sql, [kind]).fetchone() or (0,))[0]) for kind in KINDS)
