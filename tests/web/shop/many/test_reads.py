"""What programs may read of many bays is described, and who may is a rule of each address."""

from pathlib import Path

from jsonschema import Draft202012Validator

from station.record.many import leaving, lists
from tests.rolled import COMPANY
from tests.web.shop.many.conftest import MONTHS, Roll, count
from web.frame.roles import MANY_RULES
from web.many import ROUTERS


def test_every_route_has_a_rule_and_every_rule_a_route() -> None:
    routes = [route for router in ROUTERS for route in router.routes]
    addresses = {f"{method} {route.path}" for route in routes for method in route.methods}  # type: ignore[attr-defined]
    assert addresses | {"GET /static"} == set(MANY_RULES)


def test_what_programs_may_read_is_described(roll: Roll) -> None:
    told = roll.send("GET", "/api/openapi.json").json()
    assert set(told["paths"]) == {
        "/bays.json", "/asides.json", "/left.json", "/uncounted.json", "/lists.json", "/notices.json", "/jobs.json", "/jobs/{shop}/{bay}/{job_id}.json", "/usage.json", "/missing.json", "/stock.json", "/quality.json",
        "/quality/meter.json", "/calibrations.json", "/comparisons.json", "/compartments.json", "/technicians.json",
    }  # fmt: skip
    assert "deviation_percent" in told["components"]["schemas"]["JobLine"]["properties"]
    assert all(one["get"]["description"] for one in told["paths"].values())


def test_every_documented_read_answers_as_its_schema_says(roll: Roll, path: Path) -> None:
    """Checked by a validator of JSON Schema that knows nothing of this application. Nothing may be told that is not described."""
    count(path)
    roll.take(path, roll.tokens[0])
    with roll.store.connection() as db:
        db.execute(
            "insert into certificate values (%s, 'harbour', 'bay-1', 1, 'P-1', 'pan', 'Pan 1', '2025-06-01', '2026-06-01', null)",
            [COMPANY],
        )
        lists.add(db, "harbour", "E. Brandvold", "buses.csv", [{"table": "vehicle", "key": ["Bus 7"]}])
        db.execute(
            "insert into bay (company, shop, bay, token_hash) values (%s, 'harbour', 'bay-3', '')", [COMPANY]
        )
        leaving.retire(db, "harbour", "bay-3", "E. Brandvold", "sold")
    described = roll.send("GET", "/api/openapi.json").json()
    for schema in described["components"]["schemas"].values():
        schema["additionalProperties"] = False
    [job, *_] = roll.send("GET", f"/jobs.json?{MONTHS}").json()
    empty = []
    for address, one in described["paths"].items():
        asked = f"{address.format(**job)}?{MONTHS}&shop=harbour&meter=Bay%201%20meter"
        reply = roll.send("GET", asked)
        assert reply.status_code == 200, (address, reply.text)
        of = one["get"]["responses"]["200"]["content"]["application/json"]["schema"]
        whole_schema = {**of, "components": described["components"]}
        wrong = [error.message for error in Draft202012Validator(whole_schema).iter_errors(reply.json())]
        assert not wrong, (address, wrong[:3])
        if address == "/usage.json":
            [told] = (one for one in reply.json()["lines"] if one["fluid"] == "ATF")
            spoilt = {"lines": [{**told, "filled_l": "much"}, {**told, "more": 1}], "days": []}
            assert len(list(Draft202012Validator(whole_schema).iter_errors(spoilt))) == 2
        empty += [address] if reply.json() in ([], {}) else []
        for given in one["get"].get("parameters", []):
            if given["name"] == "month":
                refused = roll.send("GET", asked.replace("2026-12", "2026-13"))
                assert (refused.status_code, "month" in refused.json()["text"]) == (400, True), address
    assert empty == ["/asides.json", "/uncounted.json"], (
        "nothing was set aside or cannot be counted; everything else has rows to be checked"
    )
