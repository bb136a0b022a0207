"""Signing in over the pages: cookies, what each form leads to, and what a stranger gets."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from station.people import secrets
from station.people.access import Access
from station.people.people import Role
from station.people.sessions import PROVED_S
from station.people.store import People
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from web.frame.door import TOKEN

PHRASE, PIN = "heron on the mud", "481630"


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(secrets, "_hasher", PasswordHasher(1, 8, 1))


class Shop:
    def __init__(self, path: Path, open_bay: Callable[..., Bay], secure: bool = False) -> None:
        self.now_s = 0.0
        self.access = Access(People(path / "people.json"), lambda: self.now_s)
        self.bay = open_bay(FakeEngine(backend="pi"), access=self.access, secure=secure)
        if secure:
            self.bay.client.base_url = "https://127.0.0.1:8765"

    def own(self) -> None:
        """Set up the owner, who is signed in from then on."""
        body = {"name": "E. Brandvold", "code": self.access.first_code, "secret": PHRASE}
        assert self.bay.post("/api/claim", body).status_code == 200

    def status(self, path: str, body: object) -> int:
        return self.bay.post(path, body).status_code


@pytest.fixture
def shop(tmp_path: Path, open_bay: Callable[..., Bay]) -> Shop:
    return Shop(tmp_path, open_bay)


def test_from_the_first_start_to_a_technicians_mark(shop: Shop) -> None:
    bay = shop.bay
    assert bay.html("/").headers["Location"] == "/sign-in?to=/"
    assert "Set up the owner" in bay.html("/sign-in").text
    assert shop.status("/api/mark", {"mark": "drain_open"}) == 401
    shop.own()
    assert "Set up the owner" not in bay.html("/sign-in").text
    assert bay.html("/").status_code == 200
    code = bay.post("/api/people/add", {"name": "M. Okafor", "role": "technician"}).json()["code"]
    found = bay.html("/people?q=okaf&role=technician").text
    assert 'data-name="M. Okafor"' in found
    assert 'data-name="E. Brandvold"' not in found
    assert "Nobody fits" in bay.html("/people?q=nobody").text
    assert shop.status("/api/sign-out", {}) == 200
    assert shop.status("/api/mark", {"mark": "drain_open"}) == 401
    assert 'data-asks="code"' in bay.html("/sign-in").text
    assert shop.status("/api/claim", {"name": "M. Okafor", "code": code, "secret": "123456"}) == 400
    assert shop.status("/api/claim", {"name": "M. Okafor", "code": code, "secret": PIN}) == 200
    assert shop.status("/api/mark", {"mark": "drain_open"}) == 200
    assert bay.html("/people").status_code == 403
    assert 'name="technician" maxlength="80" list="technicians" value="M. Okafor"' in bay.html("/").text
    assert bay.engine.calls == [("mark", "drain_open")]


def test_whoever_came_down_from_the_roll_up_signs_in_at_a_bay_that_has_no_owner_yet(shop: Shop) -> None:
    people = shop.access.people
    assert people is not None
    row = {"name": "M. Okafor", "role": "technician", "secret": secrets.hashed(PIN), "version": 7}
    people.take({"version": 1, "people": [row]})
    page = shop.bay.html("/sign-in").text
    assert "Nobody is set up yet" not in page
    assert 'data-name="M. Okafor" data-asks="pin"' in page
    assert 'id="own"' in page, "and the owner can still be set up"
    assert shop.status("/api/sign-in", {"name": "M. Okafor", "secret": PIN}) == 200
    shop.own()
    assert 'id="own"' not in shop.bay.html("/sign-in").text


def test_whoever_was_entered_at_the_pi_comes_in_by_their_code_before_the_owner_does(shop: Shop) -> None:
    code = shop.access.add("M. Okafor", Role.TECHNICIAN)
    assert 'data-name="M. Okafor" data-asks="code"' in shop.bay.html("/sign-in").text
    assert shop.status("/api/claim", {"name": "m. okafor ", "code": code, "secret": PIN}) == 200
    shop.own()


def test_what_ends_is_said_before_somebody_is_retired(shop: Shop) -> None:
    shop.own()
    shop.bay.post("/api/people/add", {"name": "M. Okafor", "role": "technician"})
    page = shop.bay.html("/people?q=okafor").text
    before, _, behind = page.partition("<summary>Retire</summary>")
    assert "/api/people/retire" not in before, "the button is not there to be pressed by mistake"
    said, _, rest = behind.partition('data-change="/api/people/retire" data-name="M. Okafor"')
    assert "M. Okafor is signed out everywhere at once" in said
    assert "stays in the record" in said
    assert "Retire M. Okafor" in rest


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(shop: Shop) -> None:
    shop.own()
    reply = shop.bay.post("/api/sign-in", {"name": "E. Brandvold", "secret": PHRASE})
    token, device = reply.headers.get_list("set-cookie")
    for cookie in (token, device):
        assert "; HttpOnly" in cookie
        assert "; SameSite=strict" in cookie
        assert "; Path=/" in cookie
        assert "Domain" not in cookie
    assert "Max-Age" not in token, "a session ends with the browser"
    assert "Strict-Transport-Security" not in reply.headers


def test_under_tls_it_never_travels_without(tmp_path: Path, open_bay: Callable[..., Bay]) -> None:
    shop = Shop(tmp_path, open_bay, secure=True)
    shop.own()
    reply = shop.bay.post("/api/sign-in", {"name": "E. Brandvold", "secret": PHRASE})
    for cookie in reply.headers.get_list("set-cookie"):
        assert cookie.startswith("__Host-")
        assert "; Secure" in cookie
    assert reply.headers["Strict-Transport-Security"] == "max-age=31536000"
    assert shop.bay.html("/people").status_code == 200


def test_an_old_cookie_is_dead_after_signing_in_again_and_after_signing_out(shop: Shop) -> None:
    shop.own()
    cookies = shop.bay.client.cookies
    first = cookies[TOKEN]
    assert shop.status("/api/sign-in", {"name": "E. Brandvold", "secret": PHRASE}) == 200
    second = cookies[TOKEN]
    assert shop.status("/api/sign-out", {}) == 200
    assert TOKEN not in cookies
    for token in (first, second):
        reply = shop.bay.send("GET", "/people", headers={"Cookie": f"{TOKEN}={token}"})
        assert reply.status_code == 401


def test_what_is_grave_wants_the_secret_again(shop: Shop) -> None:
    shop.own()
    shop.now_s += PROVED_S
    body = {"name": "M. Okafor", "role": "technician"}
    reply = shop.bay.post("/api/people/add", body)
    assert (reply.status_code, reply.json()["again"]) == (401, True)
    assert shop.status("/api/prove", {"secret": "another one"}) == 403
    assert shop.status("/api/people/add", body) == 401
    assert shop.status("/api/prove", {"secret": PHRASE}) == 200
    assert shop.status("/api/people/add", body) == 200


def test_a_stranger_learns_nothing_and_is_stopped(shop: Shop) -> None:
    shop.own()
    shop.bay.client.cookies.clear()
    texts = set()
    for name in ("E. Brandvold", "nobody"):
        reply = shop.bay.post("/api/sign-in", {"name": name, "secret": "a wrong guess"})
        assert reply.status_code == 403
        texts.add(reply.text)
    assert len(texts) == 1
    for _ in range(4):
        shop.status("/api/sign-in", {"name": "E. Brandvold", "secret": "a wrong guess"})
    reply = shop.bay.post("/api/sign-in", {"name": "E. Brandvold", "secret": PHRASE})
    assert reply.status_code == 403
    assert "Too many tries. Wait 15 min" in reply.json()["text"]
    assert shop.status("/api/stop", {}) == 200
    assert shop.bay.html("/wall").status_code == 200


def test_a_changed_role_signs_out(shop: Shop) -> None:
    shop.own()
    shop.access.add("R. Halloran-Mbeki", Role.OWNER)
    assert shop.status("/api/people/role", {"name": "E. Brandvold", "role": "manager"}) == 200
    assert shop.status("/api/note", {"kind": "remark", "text": "x"}) == 401


@pytest.mark.parametrize(
    "to",
    ["//elsewhere.example", "/\\elsewhere.example", "https://elsewhere.example", "javascript:x", "", "/\n/x"],
)
def test_signing_in_leads_to_our_own_pages_alone(shop: Shop, to: str) -> None:
    page = shop.bay.send("GET", "/sign-in", params={"to": to}).text
    assert re.findall(r'data-to="([^"]*)"', page) == ["/"]


def test_a_name_in_the_page_is_text(shop: Shop) -> None:
    shop.own()
    shop.access.add('<b title="x">', Role.TECHNICIAN)
    for path in ("/sign-in", "/people"):
        assert "<b title" not in shop.bay.html(path).text


def test_the_simulated_bay_takes_a_word_and_hands_out_no_secret(open_bay: Callable[..., Bay]) -> None:
    bay = open_bay()
    assert 'data-asks="nothing"' in bay.html("/sign-in").text
    assert bay.post("/api/say", {"name": "M. Okafor"}).status_code == 200
    assert "M. Okafor: sign out" in bay.html("/").text
    assert bay.html("/people").status_code == 403
    assert bay.post("/api/sign-out", {}).status_code == 200
    assert bay.html("/people").status_code == 200
    assert bay.post("/api/people/add", {"name": "x", "role": "owner"}).status_code == 409
    assert bay.post("/api/sign-in", {"name": "M. Okafor", "secret": ""}).status_code == 403


def test_a_flood_of_sign_ins_leaves_the_log_small(shop: Shop, caplog: pytest.LogCaptureFixture) -> None:
    shop.own()
    shop.bay.client.cookies.clear()
    caplog.clear()
    for n in range(300):
        shop.status("/api/sign-in", {"name": f"nobody {n}\nroot signed in", "secret": "x"})
    # Other tests may have turned other libraries' logs on.
    assert len([record for record in caplog.records if record.name.startswith(("station", "web"))]) < 10
    assert "\nroot" not in caplog.text.replace("\nWARNING", "")
