"""Goal W2: every route by every role, signed in, out, expired and never; what is not in the table is refused."""

import asyncio
from pathlib import Path

import httpx
import pytest
from fastapi import APIRouter
from starlette.responses import PlainTextResponse
from starlette.types import Receive, Scope, Send

from station.people.access import Access
from station.people.people import Person, Role
from station.people.sessions import ABSOLUTE_S, IDLE_S, PROVED_S
from station.people.store import People
from station.record.author import BY
from web.app import CHANGING, READING
from web.frame.door import Door
from web.frame.roles import RULES

ROUTES = [route for router in (*READING, *CHANGING) for route in router.routes]
FILLED = {
    "{job_id}": "20261125-091500-abcdef",
    "{name}": "photo.jpg",
    "{number:path}": "Bay 1 pan 1",
    "{table}": "vehicle",
}
PEOPLE = {role: Person(f"the {role}", role) for role in Role}
REACHED = 204


class Shop:
    """A door before a room in which everything answers 204 and says who came."""

    def __init__(self, path: Path) -> None:
        self.now_s = 0.0
        self.people = People(path / "people.json")
        for person in PEOPLE.values():
            self.people.add(person.name, person.role, secret="no hash at all")
        self.access = Access(self.people, lambda: self.now_s)
        self.by: list[str] = []
        self.door = Door(self._room, self.access, ROUTES, secure=False)

    async def _room(self, scope: Scope, receive: Receive, send: Send) -> None:
        self.by.append(BY.get())
        await PlainTextResponse("", REACHED)(scope, receive, send)

    def token(self, role: Role) -> str:
        kept = self.people.get(PEOPLE[role].name)
        assert kept is not None
        return self.access.sessions.begin(kept.person, kept.version)

    def ask(self, address: str, token: str | None = None, accept: str = "*/*") -> httpx.Response:
        method, _, path = address.partition(" ")
        for name, text in FILLED.items():
            path = path.replace(name, text)
        path = f"{path}/base.css" if path == "/static" else path
        headers = {"Accept": accept, **({"Cookie": f"tallypan={token}"} if token is not None else {})}

        async def send() -> httpx.Response:
            transport = httpx.ASGITransport(self.door)
            async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8765") as client:
                return await client.request(method, path, headers=headers)

        return asyncio.run(send())


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


def test_every_route_has_a_rule_and_every_rule_a_route() -> None:
    """A route that is not in the table fails the build, and is refused where it runs all the same."""
    addresses = {f"{method} {route.path}" for route in ROUTES for method in route.methods}  # type: ignore[attr-defined]
    assert addresses | {"GET /static"} == set(RULES)


def test_only_these_need_no_signing_in() -> None:
    """Stated a second time on purpose: nobody opens an address by a slip in the table."""
    assert {address for address, rule in RULES.items() if rule.roles is None} == {
        "GET /health",
        "GET /metrics",
        *(
            "GET /wall",
            "GET /live/curve.json",
            "GET /live",
            "GET /view.json",
            "GET /favicon.ico",
            "GET /static",
            "GET /sign-in",
        ),
        *("POST /api/sign-in", "POST /api/sign-out", "POST /api/claim", "POST /api/say", "POST /api/stop"),
    }
    assert {address for address, rule in RULES.items() if rule.grave} == {
        "POST /api/calibration/finish",
        *(f"POST /api/people/{what}" for what in "add role reset unlock end retire".split()),
    }


WHO = {
    "GET /people": {Role.OWNER},
    "POST /api/people/role": {Role.OWNER},
    "POST /api/calibration/pan": {Role.QUALITY_LEAD, Role.OWNER},
    "POST /api/calibration/finish": {Role.QUALITY_LEAD, Role.OWNER},
    "POST /api/density/weigh": set(Role),
    "POST /api/density/save": {Role.MANAGER, Role.QUALITY_LEAD, Role.OWNER},
    "POST /api/catalogue/enter": {Role.MANAGER, Role.OWNER},
    "POST /api/movement": {Role.MANAGER, Role.OWNER},
    "GET /usage": {Role.MANAGER, Role.QUALITY_LEAD, Role.OWNER},
    "GET /setup/{table}.csv": {Role.MANAGER, Role.QUALITY_LEAD, Role.OWNER},
    "POST /api/hold": set(Role),
    "GET /jobs/{job_id}": set(Role),
}


@pytest.mark.parametrize("address", WHO)
def test_who_may_do_what_in_words(shop: Shop, address: str) -> None:
    may = {role for role in Role if shop.ask(address, shop.token(role)).status_code == REACHED}
    assert may == WHO[address]


@pytest.mark.parametrize("address", RULES)
def test_the_whole_matrix(shop: Shop, address: str) -> None:
    rule = RULES[address]
    if rule.roles is None:
        for token in (None, "made up", *(shop.token(role) for role in Role)):
            assert shop.ask(address, token).status_code == REACHED
        return
    for token in (None, "", "made up"):
        assert shop.ask(address, token).status_code == 401
    for role in Role:
        token = shop.token(role)
        expected = REACHED if role in rule.roles else 403
        assert shop.ask(address, token).status_code == expected, role
        shop.access.sign_out(token)
        assert shop.ask(address, token).status_code == 401, f"{role}, signed out"
        for limit_s in (IDLE_S, ABSOLUTE_S):
            token = shop.token(role)
            shop.now_s += limit_s
            assert shop.ask(address, token).status_code == 401, f"{role}, expired"
        token = shop.token(role)
        shop.people.end_sessions(PEOPLE[role].name)
        assert shop.ask(address, token).status_code == 401, f"{role}, ended by another"
        if rule.grave and expected == REACHED:
            token = shop.token(role)
            shop.now_s += PROVED_S
            reply = shop.ask(address, token)
            assert (reply.status_code, reply.json()["again"]) == (401, True), role
    assert set(shop.by) <= {PEOPLE[role].name for role in rule.roles}


def test_a_route_without_a_rule_is_refused_to_everybody(shop: Shop) -> None:
    router = APIRouter()

    @router.post("/api/forgotten")
    def forgotten() -> None: ...

    shop.door.routes = [*ROUTES, *router.routes]
    for token in (None, shop.token(Role.OWNER)):
        assert shop.ask("POST /api/forgotten", token).status_code == 403
    assert shop.by == []


def test_what_leads_nowhere_goes_to_those_who_say_so(shop: Shop) -> None:
    assert shop.ask("GET /nowhere").status_code == REACHED
    assert shop.ask("GET /api/abandon").status_code == REACHED


def test_a_person_at_a_page_is_led_to_sign_in_and_back(shop: Shop) -> None:
    reply = shop.ask("GET /jobs?vehicle=Bus%2012", accept="text/html")
    assert (reply.status_code, reply.headers["Location"]) == (
        303,
        "/sign-in?to=/jobs%3Fvehicle%3DBus%2012".replace("%2012", "%252012"),
    )
    assert shop.ask("GET /jobs.json", accept="text/html").status_code == 401


def test_whoever_came_is_named_and_the_next_one_is_not_them(shop: Shop) -> None:
    shop.ask("POST /api/note", shop.token(Role.MANAGER))
    shop.ask("POST /api/stop")
    assert shop.by == ["the manager", ""]


def test_stop_works_where_the_file_of_people_is_broken(shop: Shop) -> None:
    token = shop.token(Role.TECHNICIAN)
    shop.people.path.write_text("{")
    assert shop.ask("POST /api/stop", token).status_code == REACHED
    assert shop.ask("GET /wall", token).status_code == REACHED
    assert shop.ask("POST /api/hold", token).status_code == 503


@pytest.mark.parametrize("address", RULES)
def test_a_simulated_bay_asks_nobody_and_holds_those_who_said_who_they_are_to_their_role(
    address: str,
) -> None:
    rule = RULES[address]
    access = Access(None)
    by: list[str] = []

    async def room(scope: Scope, receive: Receive, send: Send) -> None:
        by.append(BY.get())
        await PlainTextResponse("", REACHED)(scope, receive, send)

    shop = Shop.__new__(Shop)
    shop.door = Door(room, access, ROUTES, secure=False)
    assert shop.ask(address).status_code == REACHED
    for tile in access.tiles():
        signed = access.say(tile.person.name, None)
        may = rule.roles is None or tile.person.role in rule.roles
        assert shop.ask(address, signed.token).status_code == (REACHED if may else 403)
