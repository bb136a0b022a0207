"""A bay is retired, brought back, moved and given another token from its page; each says first what it comes to."""

import asyncio
import json
import re
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher

from station.errors import StationError
from station.people import secrets
from station.people.access import Access
from station.people.people import Role
from station.people.store import People
from station.record import outbox
from station.record.many import leaving, moving
from station.record.many.store import Store, reporting
from tests.rolled import COMPANY, ZONE, bay_of, enter, fresh, give, record, whole
from tests.web.conftest import CHANGE, HOST
from web.many import create_app

SECRET = "heron on the mud"
WHO: dict[str, tuple[Role, tuple[str, ...]]] = {
    "the owner": (Role.OWNER, ()),
    "the manager": (Role.MANAGER, ()),
    "the quality lead": (Role.QUALITY_LEAD, ()),
    "quay's owner": (Role.OWNER, ("quay",)),
    "quay's manager": (Role.MANAGER, ("quay",)),
}
WHEN = "2026-02-05 00:00"
PAGE = "/bays/harbour/bay-1"


@dataclass
class Roll:
    """The pages over two shops. who: signs in, and has entered the secret just now; "" where nobody is asked."""

    store: Store
    runner: asyncio.Runner
    app: Any
    path: Path
    token: str
    access: Access
    now_s: list[float]
    cookies: dict[str, str]

    def ask(self, method: str, address: str, who: str = "", **body: Any) -> httpx.Response:
        headers = {"Accept": "text/html"} if method == "GET" else dict(CHANGE)
        if who:
            headers["Cookie"] = f"tallypan={self.cookies[who]}"
        content = json.dumps(body) if method == "POST" else None
        transport = httpx.ASGITransport(self.app, client=("127.0.0.1", 50000))
        client = httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}")
        return self.runner.run(client.request(method, address, headers=headers, content=content))

    def text(self, address: str, who: str = "") -> str:
        reply = self.ask("GET", address, who)
        assert reply.status_code == 200, reply.text
        bare = re.sub(r"<[^>]+>", " ", reply.text.partition("<main")[2])
        return unescape(re.sub(r"\s+", " ", bare)).replace("\u00a0", " ")

    def change(
        self, what: str, who: str = "", bay: str = "bay-1", shop: str = "harbour", **body: Any
    ) -> httpx.Response:
        if what != "enter":
            body = {"because": "the pit was closed", **body}
        if not who:
            body = {"by": "E. Brandvold", **body}
        return self.ask("POST", f"/api/leaving/{what}", who, shop=shop, bay=bay, **body)

    def jobs(self) -> dict[str, int]:
        with self.store.connection() as db:
            return dict(db.execute("select shop || ' ' || bay, count(*) from job group by 1").fetchall())

    def log(self) -> list[tuple[str, str, dict[str, Any]]]:
        with self.store.connection() as db:
            found = db.execute("select who, kind, body from log order by seq").fetchall()
        return [(who, kind, json.loads(body)) for who, kind, body in found]


@pytest.fixture
def roll(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Roll]:
    yield from _roll(store, tmp_path, monkeypatch, signed=False)


@pytest.fixture
def signed(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Roll]:
    yield from _roll(store, tmp_path, monkeypatch, signed=True)


def _roll(store: Store, folder: Path, monkeypatch: pytest.MonkeyPatch, signed: bool) -> Iterator[Roll]:
    monkeypatch.setattr(secrets, "_hasher", PasswordHasher(1, 8, 1))
    path, now_s = folder / "bay.sqlite", [0.0]
    token = enter(store)
    store.enter_bay(COMPANY, "quay", "bay-9", ZONE)
    with closing(record(path, 40, notes=1)):
        give(store, bay_of(store, token), outbox.batch(path, 0, 1000))
    access, cookies = Access(None), {}
    if signed:
        people = People(folder / "people.json")
        access = Access(people, lambda: now_s[0])
        for name, (role, shops) in WHO.items():
            people.add(name, role, secret=secrets.hashed(SECRET), shops=shops)
            kept = people.get(name)
            assert kept is not None
            cookies[name] = access.sessions.begin(kept.person, kept.version)
    app = create_app(store, access)
    with asyncio.Runner() as runner:
        yield Roll(store, runner, app, path, token, access, now_s, cookies)


def test_a_bay_is_retired_and_brought_back_with_what_it_comes_to_said_first(roll: Roll) -> None:
    assert f'href="{PAGE}"' in roll.ask("GET", "/").text
    newest = outbox.newest(roll.path)
    told = roll.text(PAGE)
    with roll.store.connection() as db:
        one = leaving.standing(db, "harbour", "bay-1")
        assert one is not None
        [(jobs, litres)] = db.execute(
            "select count(*) filter (where stage = 'closed'), sum(filled_l) from job where bay = 'bay-1'"
        ).fetchall()
    assert (one.jobs, round(one.filled_l, 4)) == (jobs, round(litres, 4))
    assert f"{jobs} closed jobs with {litres:.1f} L filled stay in every figure" in told
    assert f"entry {newest} is the newest here" in told
    before = roll.jobs()
    assert roll.change("retire", because=" ").json()["text"].startswith("who says so")
    assert roll.change("retire", by="").status_code == 400
    assert roll.change("retire", because="it was <sold>").status_code == 200
    assert roll.jobs() == before
    assert roll.change("retire").status_code == 400
    told = roll.text(PAGE)
    assert "E. Brandvold: it was <sold>" in told
    assert "Bring it back" in told
    assert "Retire it" not in told
    assert "Bring back" in roll.text("/")
    assert roll.change("bring-back", because="it was not").status_code == 200
    assert "Retire it" in roll.text(PAGE)
    assert [(who, kind) for who, kind, _body in roll.log()] == [
        ("E. Brandvold", "retired"),
        ("E. Brandvold", "brought back"),
    ]
    assert whole(roll.store) == []


def test_a_bay_is_moved_lent_back_and_a_move_is_undone(roll: Roll) -> None:
    ask = f"{PAGE}?to_shop=quay&to_bay=bay-7&when={WHEN.replace(' ', '+')}"
    before = roll.jobs()
    told = roll.text(ask)
    assert roll.jobs() == before, "a look changes nothing"
    counted = re.search(
        r"(\d+) entries that are here go over, from number (\d+) on: (\d+) closed jobs with ([\d.]+) L", told
    )
    assert counted is not None, told
    reply = roll.change("move", to_shop="quay", to_bay="bay-7", when=WHEN)
    assert (reply.json()["moved"], reply.json()["to"]) == (int(counted[1]), "/bays/quay/bay-7")
    with roll.store.connection() as db:
        [(first, n, litres)] = db.execute(
            "select min(e.seq), (select count(*) filter (where stage = 'closed') from job where bay = 'bay-7'), "
            "(select sum(filled_l) from job where bay = 'bay-7') from event e where e.bay = 'bay-7'"
        ).fetchall()
    assert (first, n, f"{litres:.1f}") == (int(counted[2]), int(counted[3]), counted[4])
    assert roll.jobs() == {"harbour bay-1": 32, "quay bay-7": 8}
    assert "goes on as quay · bay-7" in roll.text(PAGE)
    there = roll.ask("GET", "/bays/quay/bay-7").text
    undo = unescape(re.findall(r'href="(/bays/quay/bay-7\?[^"]+)"', there)[0]).partition("#")[0]
    told = roll.text(undo)
    assert "This undoes the move" in told
    when = dict(re.findall(r'name="(\w+)" value="([^"]*)"', roll.ask("GET", undo).text))["when"]
    back = {"to_shop": "harbour", "to_bay": "bay-1"}
    assert "comes back to a name that it had" in roll.text(
        "/bays/quay/bay-7?to_shop=harbour&to_bay=bay-1&when=2026-02-08+00:00"
    )
    reply = roll.change("move", shop="quay", bay="bay-7", when="2026-02-08 00:00", **back)
    assert reply.status_code == 200, reply.text
    assert roll.jobs() == {"harbour bay-1": 37, "quay bay-7": 3}
    lent = "In another shop from 2026-02-05 00:00 UTC+01:00 to 2026-02-08 00:00 UTC+01:00"
    assert lent in roll.text(PAGE)
    assert "since 2026-02-08 00:00 UTC+01:00, before that as quay · bay-7" in roll.text(PAGE)
    assert "In another shop" not in roll.text("/bays/quay/bay-7")
    again = roll.change(
        "move", shop="harbour", bay="bay-1", to_shop="quay", to_bay="bay-7", when="2026-02-08 00:00"
    )
    assert again.status_code == 200, again.text
    assert roll.change("move", shop="quay", bay="bay-7", when=when, **back).status_code == 200
    assert roll.jobs() == before
    assert whole(roll.store) == []


def test_a_move_that_would_be_refused_says_so_before_and_when_it_is_tried(roll: Roll) -> None:
    for to_shop, to_bay, when, says in (
        ("quay", "bay-9", "", "is a bay already"),
        ("quay", "Bay 9", "", "small letters"),
        ("pier", "bay-1", "", "Time zone: the shop"),
        ("quay", "bay-7", "2026-02-05", "add the time"),
        ("harbour", "bay-1", "", "is there already"),
    ):
        told = roll.text(f"{PAGE}?to_shop={to_shop}&to_bay={to_bay.replace(' ', '+')}&when={when}")
        assert says in told, told
        assert "Move it to another shop" in told
        assert "why it moved" not in told, "nothing to press where it is refused"
        reply = roll.change("move", to_shop=to_shop, to_bay=to_bay, when=when)
        assert (reply.status_code, says.lower() in reply.json()["text"].lower()) == (400, True), reply.text
    assert roll.ask("GET", "/bays/harbour/bay-4").status_code == 404
    assert roll.ask("GET", "/bays/hill/bay-1").status_code == 404
    told = roll.text(f"{PAGE}?to_shop=quai&to_bay=bay-7&time_zone={ZONE}")
    assert f"quai is a new shop, which has no bay yet. It counts its days in {ZONE}." in told
    assert "Like it, and here already: quay." in told
    assert "here already: quay." in roll.text(f"{PAGE}?to_shop=Quay&to_bay=bay-7"), "also where it is refused"
    assert "is a new shop" not in roll.text(f"{PAGE}?to_shop=quay&to_bay=bay-7")
    assert roll.change("move", to_shop="pier", to_bay="bay-1", time_zone=ZONE).status_code == 200
    assert whole(roll.store) == []


def test_a_clock_that_was_ahead_is_said_before_it_cuts_too_early(roll: Roll) -> None:
    with roll.store.connection() as db:
        db.execute("update event set utc = '2099-01-01T00:00:00.000+00:00' where bay = 'bay-1' and seq = 100")
        db.execute("update event set clock_synced = false where bay = 'bay-1' and seq >= 99")
    told = roll.text(f"{PAGE}?to_shop=quay&to_bay=bay-7&when=2026-03-01+00:00")
    assert "from number 100 on" in told
    assert "which is still to come: the bay's clock was ahead" in told
    assert "⚠ The bay's clock was not set then" in told
    assert re.search(r"⚠ \d+ entries behind it say an earlier time", told)
    told = roll.text(f"{PAGE}?to_shop=quay&to_bay=bay-7")
    assert "No entry that is here goes over" in told


def test_a_bay_is_entered_and_its_token_ends_when_another_is_given(roll: Roll) -> None:
    reply = roll.change("enter", shop="quay", bay="bay-3", page="https://bay-3.local:8765")
    assert reply.status_code == 200
    first = reply.json()["token"]
    assert bay_of(roll.store, first).bay == "bay-3"
    assert first not in roll.text("/bays/quay/bay-3"), "shown once"
    slip = roll.change("enter", shop="quay", bay="bay-3")
    assert (slip.status_code, "entered already" in slip.json()["text"]) == (400, True)
    assert bay_of(roll.store, first).bay == "bay-3", "a slip ends no token"
    assert roll.change("enter", shop="quay", bay="bay-4", again=True).status_code == 400
    assert roll.change("enter", shop="quay", bay="bay-4", by=" ").status_code == 400
    second = roll.change("enter", shop="quay", bay="bay-3", again=True).json()["token"]
    assert bay_of(roll.store, second).bay == "bay-3"
    with pytest.raises(StationError, match="No bay has this token"):
        bay_of(roll.store, first)
    with roll.store.connection() as db:
        [one] = [one for one in reporting(db, ["quay"]) if one.bay == "bay-3"]
        logged = "".join(row[0] for row in db.execute("select body from log"))
    assert one.page == "https://bay-3.local:8765"
    assert first.rpartition(".")[2] not in logged
    assert [(who, kind) for who, kind, _body in roll.log()] == [
        ("E. Brandvold", "entered"),
        ("E. Brandvold", "token replaced"),
    ]
    for shop, bay, says in (
        ("quay", "Bay 3", "small letters"),
        ("pier", "bay-1", "time zone"),
        ("quay", "bay-5", "page is"),
    ):
        reply = roll.change("enter", shop=shop, bay=bay, page="bay-5" if bay == "bay-5" else "")
        assert (reply.status_code, says in reply.json()["text"]) == (400, True), reply.text


def test_a_roll_up_begins_on_a_page(postgres: Any) -> None:
    with closing(Store(fresh(postgres.dsn))) as store, asyncio.Runner() as runner:
        app = create_app(store, Access(None))
        empty = Roll(store, runner, app, Path(), "", Access(None), [0.0], {})
        assert 'href="/bays/new"' in empty.ask("GET", "/").text
        assert "Company" in empty.text("/bays/new")
        reply = empty.change("enter", company=COMPANY, time_zone=ZONE)
        assert bay_of(store, reply.json()["token"]).company == COMPANY
        assert "Company" not in empty.text("/bays/new")


def test_who_may_not_is_refused_and_a_grave_change_wants_the_secret(signed: Roll) -> None:
    wrong: tuple[tuple[str, dict[str, Any]], ...] = (
        ("retire", {}),
        ("bring-back", {}),
        ("move", {"to_shop": "quay", "to_bay": "bay-7"}),
        ("enter", {"again": True}),
    )
    for what, body in wrong:
        of_owner = what == "enter"
        for who in ("the quality lead", *(["the manager"] if of_owner else [])):
            assert signed.change(what, who, **body).status_code == 403, (what, who)
        if not of_owner:
            assert signed.change(what, "quay's manager", **body).status_code == 404, what
        assert signed.change(what, "quay's owner", **body).status_code == 404, what
        assert signed.ask("POST", f"/api/leaving/{what}", shop="harbour", bay="bay-1").status_code == 401
    assert signed.ask("GET", PAGE, "the quality lead").status_code == 403
    assert signed.ask("GET", PAGE, "quay's manager").status_code == 404
    assert PAGE not in signed.ask("GET", "/", "the quality lead").text
    assert "/bays/new" not in signed.ask("GET", "/", "the manager").text
    assert "another token" not in signed.text(PAGE, "the manager")
    assert "another token" in signed.text(PAGE, "the owner")
    there = "/bays/quay/bay-9?to_shop=harbour&to_bay=bay-2"
    assert signed.ask("GET", there, "quay's manager").status_code == 404, "it sees no other shop"
    reply = signed.change(
        "move", "quay's owner", shop="quay", bay="bay-9", to_shop="pier", to_bay="b", time_zone=ZONE
    )
    assert reply.status_code == 404, "nobody of one shop makes another one"
    assert signed.change("enter", "quay's owner", shop="pier", bay="b", time_zone=ZONE).status_code == 404
    assert signed.change("enter", "quay's owner", shop="quay", bay="bay-3").status_code == 200
    signed.now_s[0] += 3600.0
    reply = signed.change("retire", "the manager")
    assert (reply.status_code, reply.json().get("again")) == (401, True)
    proved = signed.ask("POST", "/api/prove", "the manager", secret=SECRET)
    assert proved.status_code == 200
    signed.cookies["the manager"] = proved.cookies["tallypan"]
    assert signed.change("retire", "the manager", by="somebody else").status_code == 200
    who, kind, _body = signed.log()[-1]
    assert (who, kind) == ("the manager", "retired"), "who signed in, whatever was typed"
    plain = {
        **CHANGE,
        "Content-Type": "application/x-www-form-urlencoded",
        "Cookie": f"tallypan={signed.cookies['the manager']}",
    }
    transport = httpx.ASGITransport(signed.app, client=("127.0.0.1", 50000))
    for headers in (
        plain,
        {**plain, "Origin": "http://elsewhere.example", "Content-Type": "application/json"},
    ):
        client = httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}")
        content = b'{"shop": "harbour", "bay": "bay-1", "because": "x"}'
        sent = signed.runner.run(client.post("/api/leaving/bring-back", content=content, headers=headers))
        assert sent.status_code in (403, 415), sent.text


def test_where_a_bay_went_is_not_said_to_who_does_not_see_that_shop(signed: Roll) -> None:
    with signed.store.connection() as db:
        moving.move(db, ("quay", "bay-9"), ("harbour", "lent-away"), "the owner", "it is needed there")
    told = signed.text("/bays/quay/bay-9", "quay's manager")
    assert "goes on in another shop" in told
    for what, body in (("retire", {}), ("bring-back", {}), ("move", {"to_shop": "quay", "to_bay": "bay-2"})):
        reply = signed.change(what, "quay's manager", shop="quay", bay="bay-9", **body)
        assert (reply.status_code, "lent-away" in reply.text) == (409, False), reply.text
    assert (
        "lent-away"
        not in signed.ask("GET", "/bays/quay/bay-9?to_shop=quay&to_bay=bay-2", "quay's manager").text
    )
