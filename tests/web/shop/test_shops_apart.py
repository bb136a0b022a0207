"""Who belongs to one shop sees and changes that one alone, on every address of the roll-up: what another shop has in its
records is marked, and the mark is looked for in all that is answered."""

import asyncio
import random
import re
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher

from station.bay.office import PEOPLE, Answer
from station.bay.sender import Sender
from station.people import secrets
from station.people.access import Access
from station.people.people import Role
from station.people.store import People
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many import leaving, lists, moving, people, wire
from station.record.many.accept import accept
from station.record.many.arriving import Batch
from station.record.many.ingest import Db
from station.record.many.store import Store
from station.shop import lists as lists_of_bay
from tests.rolled import COMPANY, ZONE, bay_of, certificate, enter, give, record, report_of, row, whole
from tests.web.conftest import CHANGE, HOST
from web.frame.roles import MANY_RULES
from web.many import create_app
from web.shop.many import wall
from web.shop.many.wall import BayNow

MARK = "zzq"
THEIRS, MINE = f"{MARK}-shop", "harbour"
JOB = f"{MARK}-00001"
ASKED = "month=2026-12&months=12"
WHO = ("the company's owner", "the owner")
"""An owner may ask for everything that anybody may."""
NO_WORD_OF_ANY_SHOP = {"/favicon.ico", "/health", "/sign-in", "/api/openapi.json"}


class Shops:
    """Two shops' records, and people: of the first, of the second, and of the whole company."""

    def __init__(self, store: Store, folder: Path) -> None:
        self.store, self.now_s = store, 0.0
        self.tokens: dict[str, str] = {}
        self.people = People(folder / "people.json")
        self.access = Access(self.people, lambda: self.now_s)
        for name, role, shops in (
            ("the company's owner", Role.OWNER, ()),
            ("the company's quality lead", Role.QUALITY_LEAD, ()),
            ("the owner", Role.OWNER, (MINE,)),
            ("the manager", Role.MANAGER, (MINE,)),
            (f"{MARK} Okafor", Role.TECHNICIAN, (THEIRS,)),
        ):
            self.people.add(name, role, secret="no hash at all", shops=shops)
        self.app = create_app(store, self.access)
        self.runner = asyncio.Runner()
        transport = httpx.ASGITransport(self.app, client=("127.0.0.1", 50000))
        self.client = httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}")

    def token(self, name: str) -> str:
        kept = self.people.get(name)
        assert kept is not None
        return self.access.sessions.begin(kept.person, kept.version)

    def ask(self, method: str, path: str, name: str, **more: object) -> httpx.Response:
        headers = {**CHANGE, "Accept": "text/html", "Cookie": f"tallypan={self.token(name)}"}
        return self.runner.run(self.client.request(method, path, headers=headers, **more))  # type: ignore[arg-type]

    def stream(self, name: str) -> str:
        """What the live wall says until whoever looks is signed out."""

        async def looked() -> str:
            token = self.token(name)
            asyncio.get_running_loop().call_later(0.2, self.access.sign_out, token)
            reply = await self.client.get("/wall/live", headers={"Cookie": f"tallypan={token}"})
            assert reply.status_code == 200
            return reply.text

        return self.runner.run(asyncio.wait_for(looked(), 20.0))

    def told(self, address: str, name: str) -> str:
        """Everything that an address answers to somebody, whatever is asked for with it."""
        path = address.replace("{shop}", THEIRS).replace("{bay}", f"{MARK}-bay").replace("{job_id}", JOB)
        path = path.replace("{table}", "vehicle")
        if path == "/wall/live":
            return self.stream(name)
        asked = [ASKED, f"{ASKED}&shop={MINE}"]
        if path.startswith("/quality/meter"):
            asked = [f"{ASKED}&shop={MINE}&meter=Bay 1 meter", f"{ASKED}&shop={THEIRS}&meter={MARK} meter"]
        texts = []
        for query in asked:
            reply = self.ask("GET", f"{path}?{query}", name)
            assert reply.status_code < 500, (path, query)
            said = "" if THEIRS in path + query and reply.status_code in (400, 404) else reply.text
            texts.append(f"{said}\n{dict(reply.headers)}")
        return "\n".join(texts).lower()


@pytest.fixture
def shops(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shops]:
    monkeypatch.setattr(secrets, "_hasher", PasswordHasher(1, 8, 1))
    monkeypatch.setattr(wall, "TELL_S", 0.01)
    mine, theirs = enter(store), store.enter_bay(COMPANY, THEIRS, f"{MARK}-bay", ZONE, f"http://{MARK}:9")
    with closing(record(tmp_path / "mine.sqlite", 8)):
        give(store, bay_of(store, mine), outbox.batch(tmp_path / "mine.sqlite", 0, 1000))
    for n in range(2):  # the first record is refused and set aside
        (tmp_path / str(n)).mkdir()
        with closing(_marked(tmp_path / str(n) / "bay.sqlite", seed=n)) as ledger:
            batch = outbox.batch(Path(ledger.path), 0, 1000, f"{MARK} calls itself so")
            give(store, bay_of(store, theirs), batch)
            if n:
                with store.connection() as db:
                    accept(db, THEIRS, f"{MARK}-bay", f"{MARK} Okafor", f"{MARK} reason")
                give(store, bay_of(store, theirs), batch)
    enter(store, bay="bay-3")  # it goes to the other shop, and its own hears that it is gone
    store.enter_bay(COMPANY, THEIRS, f"{MARK}-4", ZONE)
    with store.connection() as db:
        moving.move(
            db, (MINE, "bay-3"), (THEIRS, f"{MARK}-3"), "the company's owner", "it is needed more there"
        )
        leaving.retire(db, THEIRS, f"{MARK}-4", f"{MARK} Okafor", f"{MARK} reason")
        for shop, name in ((THEIRS, f"{MARK} bus"), (MINE, "Bus 1")):
            change = {"table": "vehicle", "key": [name], "action": "add", "fields": {"note": name}}
            lists.add(db, shop, "the company's owner", "buses.csv", [change])
        db.execute(
            "insert into notice (company, shop, bay, receiver, id, kind, body) values (%s, %s, %s, 'accounts', 'm1', "
            "'job closed', '{}')",
            [COMPANY, THEIRS, f"{MARK}-bay"],
        )
    here = Shops(store, tmp_path)
    here.tokens = {MINE: mine, THEIRS: theirs}
    for shop, bay in ((MINE, "bay-1"), (THEIRS, f"{MARK}-bay")):
        here.app.state.wall._bays[shop, bay] = BayNow(shop, bay, f"http://{shop}:9", True, "fill")
    yield here
    here.runner.close()


def _marked(path: Path, seed: int) -> Ledger:
    """A record in which each name has the mark."""
    ledger = record(path, 0)
    at = Moment("boot", 1.0, "2026-11-20T08:00:00.000+00:00", True)
    names = "vehicle compartment compartment_type technician fluid container meter bay".split()
    marked = {name: f"{MARK} {name}" for name in names}
    told = row(JOB, random.Random(seed), 300, **marked, filled_l=2.0, expected_fill_l=2.8, verdict="short")
    told |= {"stage": "closed", "opened_utc": at.utc}
    with ledger.transaction():
        ledger.append(JOB, "note", {"text": f"{MARK} note {seed}"}, at)
        ledger.append(JOB, "result", {"report": report_of(told), "row": told, "samples": 0}, at, told)
        moved = {"kind": "counted", "container": f"{MARK} drum", "fluid": f"{MARK} ATF"}
        for volume_l, then in ((9.0, at), (2.0, replace(at, utc="2026-11-25T08:00:00.000+00:00"))):
            ledger.append(None, "movement", {**moved, "volume_l": volume_l, "u95_l": 0.1, "note": ""}, then)
        # what counts in no figure
        ledger.append(None, "movement", {**moved, "volume_l": 1e9, "u95_l": 0.1, "note": ""}, at)
        issued = lists_of_bay.Issue(1, at.utc, f"{MARK} manager", ())
        differed = lists_of_bay.Differed("vehicle", (f"{MARK} bus",), "note", "blue", "green", "shop")
        body = lists_of_bay.body(issued, lists_of_bay.Met((), (differed,)))
        ledger.append(None, "catalogue", body, at)
        met = {"id": "1", "by": "roll-up", "name": f"{MARK} Lindqvist", "what": "role", "at_utc": at.utc}
        ledger.append(None, "people", {**met, "old": "manager", "new": "owner", "stands": "shop"}, at)
        pan = certificate(f"{MARK} 1", "pan", f"{MARK} pan", at.utc, "2027-11-20")
        ledger.append(None, "certificate", {"certificate": pan.to_json()}, at)
    return ledger


READS = [address[4:] for address in MANY_RULES if address.startswith("GET ") and "/static" not in address]
READS = [path for path in READS if not path.startswith("/api/bays/")]
"""A bay's own door is by its token, and says nothing of anybody but that bay's shop."""


def test_whoever_belongs_to_one_shop_hears_no_word_of_another(shops: Shops) -> None:
    """The company's owner, who hears it everywhere, shows that the mark is where it is looked for."""
    heard = {name: {path for path in READS if MARK in shops.told(path, name)} for name in WHO}
    assert set(READS) - heard["the company's owner"] == NO_WORD_OF_ANY_SHOP
    assert heard["the owner"] == set()
    assert MARK in shops.told("/jobs", "the company's quality lead")
    assert MARK not in shops.told("/jobs", "the manager")
    assert MINE in shops.told("/jobs", "the manager")


def test_another_shop_is_answered_as_one_that_there_is_not_and_a_stranger_with_nothing(shops: Shops) -> None:
    for shop in (THEIRS, "hill"):
        reply = shops.ask("GET", f"/jobs?{ASKED}&shop={shop}", "the manager")
        assert (reply.status_code, reply.text.count(f"expected one of: {MINE}.")) == (400, 1)
    for job in (f"/jobs/{THEIRS}/{MARK}-bay/{JOB}", f"/jobs/hill/{MARK}-bay/{JOB}"):
        assert shops.ask("GET", job, "the manager").status_code == 404
    for path in set(READS) - NO_WORD_OF_ANY_SHOP:
        filled = path.replace("{shop}", MINE).replace("{bay}", "bay-1").replace("{job_id}", "x")
        filled = filled.replace("{table}", "vehicle")
        assert shops.runner.run(shops.client.get(filled)).status_code == 401, path


def test_an_owner_of_one_shop_changes_nobody_of_another_nor_makes_one_who_sees_more(shops: Shops) -> None:
    theirs, owner = f"{MARK} Okafor", "the owner"
    before = [kept for kept in shops.people.all() if kept.person.shops != (MINE,)]
    for name in (theirs, "the company's owner", "nobody at all"):
        texts = set()
        for what in ("reset", "unlock", "end", "retire", "role"):
            more = ', "role": "technician", "shops": ["harbour"]' if what == "role" else ""
            sent = f'{{"name": "{name}"{more}}}'
            reply = shops.ask("POST", f"/api/people/{what}", owner, content=sent)
            assert reply.status_code == 400, (what, reply.text)
            texts.add(reply.text.replace(name, ""))
        assert len(texts) == 1, "the same of who is not theirs and of who is nobody"
    body: dict[str, object]
    for wrong in (["*"], [THEIRS], [MINE, THEIRS], []):
        body = {"name": "N. Adeyemi", "role": "technician", "shops": wrong}
        reply = shops.ask("POST", "/api/people/add", owner, json=body)
        assert (reply.status_code, MARK in reply.text.replace(THEIRS, "")) == (400, False), wrong
        body["name"] = "the manager"
        assert shops.ask("POST", "/api/people/role", owner, json=body).status_code == 400, wrong
    assert [kept for kept in shops.people.all() if kept.person.shops != (MINE,)] == before
    body = {"name": "N. Adeyemi", "role": "technician", "shops": [MINE]}
    assert shops.ask("POST", "/api/people/add", owner, json=body).status_code == 200
    kept = shops.people.get("N. Adeyemi")
    assert kept is not None
    assert kept.person.shops == (MINE,)
    body = {"name": "the owner", "role": "owner", "shops": [THEIRS]}
    assert shops.ask("POST", "/api/people/role", "the company's owner", json=body).status_code == 200
    assert MARK in shops.told("/", "the owner")
    assert shops.ask("GET", "/jobs.json?month=2026-12&months=12", "the owner").text.count(MINE) == 0


def test_a_shops_lists_are_changed_by_those_who_keep_its_books_and_in_no_other_shop(shops: Shops) -> None:
    def enter(shop: str, who: str) -> int:
        body = {"shop": shop, "table": "vehicle", "fields": {"vehicle": "Bus 2"}}
        return shops.ask("POST", "/api/lists/enter", who, json=body).status_code

    assert enter(MINE, "the manager") == 200
    assert enter(THEIRS, "the manager") == enter("hill", "the manager") == 404
    assert enter(MINE, "the company's quality lead") == 403
    assert enter(THEIRS, "the company's owner") == 200
    with shops.store.connection() as db:
        told = [(one.shop, one.who) for one in lists.issued(db, [MINE, THEIRS]) if one.version == 2]
    assert told == [(MINE, "the manager"), (THEIRS, "the company's owner")]


def test_signing_in_names_nobody_and_a_stranger_learns_not_who_is_here(shops: Shops) -> None:
    assert "okafor" not in shops.runner.run(shops.client.get("/sign-in")).text.lower()
    texts = set()
    for n, name in enumerate(("the manager", f"{MARK} Okafor", "nobody at all")):
        for k in range(7):  # two more than anybody has
            body = {"name": name, "secret": "wrong"} if k else {"name": name, "code": "x", "secret": "1"}
            path = "/api/sign-in" if k else "/api/claim"
            reply = shops.runner.run(shops.client.post(path, json=body, headers=CHANGE))
            assert reply.status_code == 403
            texts.add((k, reply.text))
        shops.now_s += 1.0 * n
    assert len(texts) == 7, "answer by answer the same, whoever is named"
    assert "Too many tries" in max(texts)[1]


def test_a_bay_is_told_those_who_are_bound_to_its_shop_and_what_it_said_otherwise_is_shown(
    shops: Shops,
) -> None:
    def ask(token: str) -> httpx.Response:
        return shops.runner.run(shops.client.get(PEOPLE, headers={"Authorization": f"Bearer {token}"}))

    told = {shop: ask(token).json() for shop, token in shops.tokens.items()}
    names = {shop: [one["name"] for one in all_of["people"]] for shop, all_of in told.items()}
    assert names == {MINE: ["the manager", "the owner"], THEIRS: [f"{MARK} Okafor"]}
    assert told[MINE]["version"] == shops.people.version
    assert ask("tallypan.harbour.bay-1.x").status_code == 401
    text = shops.ask("GET", "/lists", "the company's owner").text
    assert f"person {MARK} Lindqvist" in text
    assert "quality lead" not in text
    changes = [vars(change) for change in shops.people.untold()]
    for _ in range(2):
        with shops.store.connection() as db:
            people.enter(db, changes)
    with shops.store.connection() as db:
        lines = db.execute("select who, body from log where kind = 'people'").fetchall()
    assert len(lines) == len(changes) == 8
    assert not any("hash" in body for _, body in lines)
    assert whole(shops.store) == []


def test_who_is_refused_or_lost_still_stands_among_the_bays(shops: Shops) -> None:
    for path, name, status in (("/people", "the manager", 403), ("/nowhere", "the manager", 404)):
        page = shops.ask("GET", path, name)
        assert page.status_code == status
        assert "To the bays" in page.text, path
        assert 'href="/setup"' not in page.text, "a bay's own menu leads nowhere here"
        assert "Go back to the bay." not in page.text
    assert "the manager: sign out" in shops.ask("GET", "/people", "the manager").text


def test_a_shops_lists_offer_a_form_to_whoever_may_use_it(shops: Shops) -> None:
    """A quality lead filled in what every bay should take over, and was refused at the end."""
    text = shops.ask("GET", f"/lists/{MINE}?table=compartment", "the company's quality lead").text
    assert "The manager or the owner changes them." in text
    for words in ('id="entry"', 'id="import"', "data-change", "/static/setup.js"):
        assert words not in text, words
    text = shops.ask("GET", f"/lists/{MINE}?table=compartment", "the manager").text
    assert 'id="entry"' in text
    assert "Entered by <strong>the manager</strong>" in text, (
        "the record takes who signed in, whatever was typed"
    )


def test_the_menu_offers_what_somebody_may_open(shops: Shops) -> None:
    """A menu that ends in a refusal teaches nobody anything."""
    menus = {name: shops.ask("GET", "/jobs", name).text for name in (*WHO, "the manager", f"{MARK} Okafor")}
    for name, text in menus.items():
        assert 'href="/wall"' in text
        for href in re.findall(r'<a (?:class="\w+" )?href="(/[^"]*)"', text.split("</nav>")[0]):
            assert shops.ask("GET", href, name).status_code == 200, (name, href)
    assert 'href="/notices"' in menus["the company's owner"]
    assert 'href="/usage"' in menus["the manager"]
    assert 'href="/usage"' not in menus[f"{MARK} Okafor"]


def test_a_bay_that_moved_is_told_its_new_shops_people_in_place_of_its_former_ones(
    shops: Shops, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It asks for people only where it hears of another version than it has."""
    monkeypatch.setattr("station.people.downward.is_kept", lambda secret: True)  # nobody here has a real one
    at_the_bay = People(tmp_path / "bay" / "people.json")
    at_the_bay.path.parent.mkdir()

    class Near:
        """The way over the network, without one."""

        def __init__(self) -> None:
            self.token = shops.tokens[MINE]

        def _ask(self, method: str, path: str, **more: Any) -> Any:
            headers = {"Authorization": f"Bearer {self.token}", **CHANGE, "Content-Type": "application/json"}
            return shops.runner.run(shops.client.request(method, path, headers=headers, **more)).json()

        def head(self, newest: int) -> int:
            return int(self._ask("GET", "/api/bays/head")["seq"])

        def take(self, batch: Batch) -> Answer:
            told = self._ask("POST", "/api/bays/take", content=wire.batch_text(batch))
            return Answer(told["seq"], told["fault"], people=told["people"])

        def people(self) -> Any:
            return self._ask("GET", PEOPLE)

        def lists(self, after: int) -> list[Any]:
            return []

        fills = lists

        def close(self) -> None:
            pass

    sender = Sender(
        tmp_path / "mine.sqlite",
        Near(),
        1.0,
        1000,
        start=False,
        take_people=at_the_bay.take,
        clock=lambda: 0.0,
    )

    def names() -> list[str]:
        sender._heard_s = None  # a minute went by
        sender.turn()
        assert sender.standing.fault is None
        return [kept.person.name for kept in at_the_bay.all()]

    assert names() == ["the manager", "the owner"]
    with shops.store.connection() as db:
        moving.move(db, (MINE, "bay-1"), (THEIRS, f"{MARK}-1"), "the company's owner", "the pit was closed")
    assert names() == [f"{MARK} Okafor"]
    with shops.store.connection() as db:
        moving.move(db, (THEIRS, f"{MARK}-1"), (MINE, "bay-1"), "the company's owner", "no", _moved(db))
    assert names() == ["the manager", "the owner"]


def _moved(db: Db) -> str:
    [(utc,)] = db.execute("select gone_at from bay where shop = %s and bay = 'bay-1'", [MINE]).fetchall()
    return str(utc)
