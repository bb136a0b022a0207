"""Who may sign in, in the roll-up: its own changes into its log, and where a bay had said something else. No secret, nor its
hash, ever comes here: what is in a log can never be let go."""

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from station.record.changes import PEOPLE
from station.record.many.accept import log
from station.record.many.ingest import Db
from station.record.many.lists import BayAt

NEWEST = 1000
"""So many of the newest lines are looked through for a change that is in the log already."""


def enter(db: Db, changes: Sequence[Mapping[str, Any]]) -> None:
    """Put changes into the log, each once however often it is told; on disk with the transaction."""
    lines = db.execute(
        "select body from log where kind = %s order by seq desc limit %s", [PEOPLE, NEWEST]
    ).fetchall()
    known = {json.loads(body)["id"] for (body,) in lines}
    for change in changes:
        if change["id"] not in known:
            utc = datetime.now(UTC).isoformat(timespec="milliseconds")
            log(db, utc, change["by"], PEOPLE, dict(change))


def bays_at(db: Db, shops: Sequence[str]) -> list[BayAt]:
    """Where bays had said something else of the shops' people, the newest first."""
    rows = db.execute(
        "select shop, bay, utc, body from event where shop = any(%s) and kind = %s "
        'and body not like \'%%"stands": ""%%\' and body like \'%%"stands"%%\' order by utc desc',
        [list(shops), PEOPLE],
    ).fetchall()
    found = []
    for shop, bay, utc, body in rows:
        with suppress(ValidationError):
            told = _Met.model_validate_json(body)
            if told.stands:
                words = {"table": "person", "key": [told.name], "field": told.what, "why": ""}
                words |= {"bay": told.old, "shop": told.new, "stands": told.stands}
                found.append(BayAt(shop, bay, utc, 0, [words]))
    return found


class _Met(BaseModel):
    """As ``station.people.changed.Change`` is written."""

    model_config = ConfigDict(strict=True)
    name: str
    what: str
    old: str
    new: str
    stands: str
