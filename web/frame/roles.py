"""Who may do what: every address there is, in one table. What is not in it is refused (``web.frame.door``)."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from station.common.words import N_
from station.people.people import Role

ROLE_NAMES = {
    Role.TECHNICIAN: N_("technician"),
    Role.MANAGER: N_("manager"),
    Role.QUALITY_LEAD: N_("quality lead"),
    Role.OWNER: N_("owner"),
}
THE_ROLE = {
    Role.TECHNICIAN: N_("the technician"),
    Role.MANAGER: N_("the manager"),
    Role.QUALITY_LEAD: N_("the quality lead"),
    Role.OWNER: N_("the owner"),
}


@dataclass(frozen=True)
class Rule:
    """roles: who may; None for anybody, signed in or not. grave: the secret must have been entered lately. whole: it is of the whole
    company, and cannot be told shop by shop: whoever is bound to some of them may not."""

    roles: frozenset[Role] | None
    grave: bool = False
    whole: bool = False


ANYBODY = Rule(None)
EVERYBODY = Rule(frozenset(Role))
"""Whoever has signed in."""
OFFICE = Rule(frozenset({Role.MANAGER, Role.QUALITY_LEAD, Role.OWNER}))
BOOKS = Rule(frozenset({Role.MANAGER, Role.OWNER}))
CALIBRATION = Rule(frozenset({Role.QUALITY_LEAD, Role.OWNER}))
OWNER = Rule(frozenset({Role.OWNER}))


def _all(rule: Rule, addresses: Iterable[str]) -> dict[str, Rule]:
    return dict.fromkeys(addresses, rule)


RULES: dict[str, Rule] = {
    # What hangs on the wall of the shop is read in passing; a stop never waits for a PIN.
    **_all(ANYBODY, [
        "GET /wall", "GET /live", "GET /live/curve.json", "GET /view.json", "GET /favicon.ico", "GET /static",
        "GET /health", "GET /metrics",
        "GET /sign-in", "POST /api/sign-in", "POST /api/sign-out", "POST /api/claim", "POST /api/say",
        "POST /api/stop",
    ]),
    **_all(EVERYBODY, [
        "GET /", "GET /bench/truth.json", "GET /components",
        "GET /jobs", "GET /jobs.json", "GET /jobs.csv",
        "GET /jobs/{job_id}", "GET /jobs/{job_id}.json", "GET /jobs/{job_id}/sheet",
        "GET /jobs/{job_id}/sheet.pdf", "GET /jobs/{job_id}/recording.csv",
        "GET /jobs/{job_id}/JOB.toml", "GET /jobs/{job_id}/checkpoint", "GET /jobs/{job_id}/curve.json", "GET /jobs/{job_id}/photos/{name}",
        "GET /calibration", "GET /calibration.json", "GET /calibration.csv", "GET /calibration/{number:path}",
        "GET /calibration/{number:path}.json",
        "GET /due", "GET /due.json", "GET /due.csv", "GET /expected", "GET /expected.json", "GET /expected.csv",
        "POST /api/prove", "POST /api/secret",
        "POST /api/plan", "POST /api/job", "POST /api/check", "POST /api/mark", "POST /api/hold", "POST /api/top-up",
        "POST /api/purge", "POST /api/override", "POST /api/answer", "POST /api/interruption", "POST /api/drum",
        "POST /api/container",
        "POST /api/clear-pump", "POST /api/note", "POST /api/abandon", "POST /api/bench", "POST /api/condition",
        "POST /api/jobs/{job_id}/photo",
        "POST /api/density/begin", "POST /api/density/weigh", "POST /api/density/give-up",
    ]),
    **_all(OFFICE, [
        "GET /usage", "GET /usage.json", "GET /usage.csv", "GET /stock.json", "GET /stock.csv",
        "GET /entries", "GET /entries.json", "GET /entries.csv",
        "GET /quality", "GET /quality.json", "GET /quality.csv",
        "GET /quality/fills", "GET /quality/fills.json", "GET /quality/fills.csv",
        "GET /quality/chart", "GET /quality/chart.json", "GET /quality/chart.csv",
        "GET /setup", "GET /setup.json", "GET /setup/{table}.csv",
        "GET /changes", "GET /changes.json", "GET /changes.csv",
        "GET /commissioning", "GET /commissioning.json", "GET /commissioning/label",
        # Whoever works the bay measures it; what the whole shop's verdicts rest on is entered by who answers for them.
        "POST /api/density/save",
    ]),
    **_all(BOOKS, [
        "POST /api/notices/again",
        "POST /api/movement", "POST /api/catalogue/enter", "POST /api/catalogue/retire", "POST /api/catalogue/import",
    ]),
    **_all(CALIBRATION, [
        "POST /api/calibration/pan", "POST /api/calibration/meter", "POST /api/calibration/read",
        "POST /api/calibration/strike", "POST /api/calibration/run", "POST /api/calibration/abandon",
        "POST /api/commissioning",
    ]),
    "POST /api/calibration/finish": replace(CALIBRATION, grave=True),
    "GET /people": OWNER,
    **_all(replace(OWNER, grave=True), [
        "POST /api/people/add", "POST /api/people/role", "POST /api/people/reset", "POST /api/people/unlock",
        "POST /api/people/end", "POST /api/people/retire",
    ]),
}  # fmt: skip
"""Method and address, as its route is written → who may."""

MANY_RULES: dict[str, Rule] = {
    # A bay shows its token instead; who has none gets nothing there.
    **_all(ANYBODY, [
        "GET /favicon.ico", "GET /static", "GET /health", "GET /sign-in",
        "POST /api/sign-in", "POST /api/sign-out", "POST /api/claim", "POST /api/say",
        "GET /api/bays/fills", "GET /api/bays/head", "GET /api/bays/lists", "GET /api/bays/people", "POST /api/bays/take",
    ]),
    **_all(EVERYBODY, [
        "GET /", "GET /wall", "GET /wall/live", "GET /bays.json", "GET /bays.csv", "GET /asides.json", "GET /left.json", "GET /uncounted.json", "GET /jobs", "GET /jobs.json", "GET /jobs.csv", "GET /jobs.parquet",
        "GET /jobs/{shop}/{bay}/{job_id}", "GET /jobs/{shop}/{bay}/{job_id}.json",
        "GET /calibrations", "GET /calibrations.json", "GET /calibrations.csv", "GET /calibrations.parquet", "GET /api/openapi.json",
        "POST /api/prove", "POST /api/secret",
    ]),
    **_all(OFFICE, [
        "GET /usage", "GET /usage.json", "GET /usage.csv", "GET /stock.json", "GET /stock.csv",
        "GET /quality", "GET /quality.json", "GET /quality.csv", "GET /usage.parquet", "GET /stock.parquet", "GET /quality.parquet",
        "GET /missing.json", "GET /missing.csv", "GET /missing.parquet",
        "GET /comparisons.json", "GET /comparisons.csv", "GET /comparisons.parquet",
        "GET /compartments.json", "GET /compartments.csv", "GET /compartments.parquet",
        "GET /quality/meter", "GET /quality/meter.json", "GET /quality/meter.csv",
        "GET /technicians.json", "GET /technicians.csv", "GET /technicians.parquet",
        "GET /lists", "GET /lists.json", "GET /lists.csv", "GET /lists/{shop}", "GET /lists/{shop}/{table}.csv",
    ]),
    **_all(replace(OFFICE, whole=True), ["GET /notices", "GET /notices.json", "GET /notices.csv"]),
    "POST /api/notices/again": replace(BOOKS, whole=True),
    **_all(BOOKS, ["POST /api/lists/enter", "POST /api/lists/retire", "POST /api/lists/import", "GET /bays/{shop}/{bay}"]),
    # A bay that is gone or elsewhere changes whose figures are whose. Who has a bay's token hears what its shop's secrets hash to.
    **_all(replace(BOOKS, grave=True), [
        "POST /api/leaving/retire", "POST /api/leaving/bring-back", "POST /api/leaving/move",
    ]),
    "GET /bays/new": OWNER,
    "POST /api/leaving/enter": replace(OWNER, grave=True),
    "GET /people": OWNER,
    **{address: rule for address, rule in RULES.items() if address.startswith("POST /api/people/")},
}  # fmt: skip
"""The same of the roll-up over many bays."""
