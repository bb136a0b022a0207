"""Every change of a setting or a calibration: its number, when, by whom, what, from what to what. Read from the record."""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from heapq import merge
from itertools import islice
from typing import Any

from calibration.certificates import Certificate
from station.common.words import N_, _
from station.record.changes import BAY_FILE, KINDS, PEOPLE
from station.record.ledger import Ledger, now
from station.record.recorder import Recorder
from station.shop import catalogue
from station.shop.rows import TABLES

NEWEST = 200
NOT_IN_FORCE = N_("{what}: the shop's, not in force")
COLUMNS = ["counter", "utc", "by", "parameter", "old", "new"]


@dataclass(frozen=True)
class Changed:
    """counter: grows by one with each entry or file; its parameters share one. None before changes were counted. old,
    new: "" for nothing."""

    counter: int | None
    utc: str
    by: str
    parameter: str
    old: str
    new: str

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def note_file(stated: Mapping[str, str], recorder: Recorder, ledger: Ledger) -> None:
    """Put what the bay's file says into the record, where it says something else than at the last start."""
    last = next(ledger.shop_events(BAY_FILE, newest_first=True), None)
    if stated and (last is None or last["body"]["stated"] != stated):
        recorder.event(None, BAY_FILE, {"stated": dict(stated)}, now())


def people_in(ledger: Ledger) -> Iterator[str]:
    """Ids of the newest changes of people that the record has: whoever tells it more may have ended in between."""
    for event in islice(ledger.shop_events(PEOPLE, newest_first=True), NEWEST):
        yield event["body"]["id"]


def listed(ledger: Ledger) -> list[Changed]:
    """All of them, oldest first."""
    events = merge(*(ledger.shop_events(kind) for kind in KINDS), key=lambda event: int(event["seq"]))
    entries: dict[str, dict[catalogue.Key, catalogue.Entry]] = {name: {} for name in TABLES}
    in_force: dict[str, str] = {}
    stated: dict[str, str] | None = None
    found: list[Changed] = []
    for event in events:
        body = event["body"]
        if event["kind"] == catalogue.EVENT:
            rows = list(_of_catalogue(body["changes"], entries, event["utc"]))
            rows += _not_in_force(body.get("differed", ()))
        elif event["kind"] == BAY_FILE:
            rows = list(_of_file(body["stated"], stated))
            stated = body["stated"]
        elif event["kind"] == PEOPLE:
            said = body["what"]
            what = _("people: {name}: {what}").format(name=body["name"], what=_(said))
            if body.get("stands") == "bay":
                what = _(NOT_IN_FORCE).format(what=what)
            rows = [(what, body["old"], body["new"])]
        else:
            certificate = Certificate.from_json(body["certificate"])
            instrument, number = certificate.instrument, certificate.number
            rows = [
                (
                    _("calibration of {instrument}").format(instrument=_(instrument)),
                    in_force.get(instrument, ""),
                    number,
                )
            ]
            in_force[instrument] = number
        found += [Changed(body.get("counter"), event["utc"], _by(body), *row) for row in rows]
    return found


def _by(body: Mapping[str, Any]) -> str:
    """The name; where nobody was named, the way it came in."""
    origin = str(body.get("origin", ""))
    return str(body.get("by", "")) or ("" if origin == "page" else origin)


def _of_catalogue(
    changes: list[dict[str, Any]], entries: dict[str, dict[catalogue.Key, catalogue.Entry]], utc: str
) -> Iterator[tuple[str, str, str]]:
    for entered in changes:
        change = catalogue.dated(entries["price"], entered, utc) or entered
        key = tuple(change["key"])
        what, old = f"{_(change['table'])} {' / '.join(key)}", entries[change["table"]].get(key)
        if change["action"] != "change":
            before = "" if old is None else _("retired") if old.retired else _("in use")
            yield what, before, _("retired") if change["action"] == "retire" else _("in use")
        for name, text in change["fields"].items():
            yield f"{what}: {name}", "" if old is None else old.get(name), text
        catalogue.apply(entries, entered, utc)


def _not_in_force(differed: list[dict[str, Any]]) -> Iterator[tuple[str, str, str]]:
    """What the shop said in its lists and the bay did not take over."""
    for one in differed:
        if one["stands"] == "bay":
            what = ": ".join(filter(None, (f"{_(one['table'])} {' / '.join(one['key'])}", one["field"])))
            yield (
                _(NOT_IN_FORCE).format(what=what),
                one["bay"],
                one["why"] or one["shop"],
            )


def _of_file(stated: Mapping[str, str], before: Mapping[str, str] | None) -> Iterator[tuple[str, str, str]]:
    if before is None:
        yield _("the bay's file"), "", _("{n} settings at the first start").format(n=len(stated))
        return
    for name in sorted({*stated, *before}):
        old, new = before.get(name, ""), stated.get(name, "")
        if old != new:
            yield _("the bay's file: {name}").format(name=name), old, new
