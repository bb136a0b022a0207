"""By which names the station is called: goal W4. Its own are served, any other gets no content."""

from collections.abc import Callable

import pytest

from station.people.access import Access
from tests.web.conftest import CHANGE, HOST, Bay
from tests.web.fake_engine import FakeEngine
from web.app import create_app
from web.frame.gate import SECURITY_HEADERS, Gate

WRONG_HOSTS = [
    "elsewhere.example",
    "elsewhere.example:8765",
    "127.0.0.1.elsewhere.example",
    "localhost.elsewhere.example",
    "localhost@elsewhere.example",
    "127.0.0.2",
    "10.0.0.7",
    "0.0.0.0",
    "[::]",
    "[::2]",
    "",
    " ",
    "localhost:port",
    "localhost:99999",
    "localhost/..",
    "localhost?x",
    "localhost#x",
    "loc alhost",
    "2130706433",
    "0x7f000001",
    "localhost,elsewhere.example",
    "*",
]


@pytest.mark.parametrize("host", WRONG_HOSTS)
def test_a_wrong_name_gets_no_content(bay: Bay, host: str) -> None:
    for path in ("/", "/wall", "/jobs", "/view.json", "/live", "/static/base.css", "/api/stop"):
        method = "POST" if path.startswith("/api") else "GET"
        reply = bay.send(method, path, headers={**CHANGE, "Host": host, "Origin": f"http://{host}"})
        assert reply.status_code == 421, path
        assert "Bus 12" not in reply.text, path
        assert bay.engine.calls == [], path
        assert {name: reply.headers[name] for name in SECURITY_HEADERS} == SECURITY_HEADERS, path


@pytest.mark.parametrize(
    "host",
    [
        "localhost",
        "LOCALHOST:8765",
        "127.0.0.1",
        "127.0.0.1:80",
        "[::1]",
        "[::1]:8765",
        "bay-1.shop",
        "Bay-1.shop:8765",
    ],
)
def test_a_right_name_is_served(open_bay: Callable[..., Bay], host: str) -> None:
    reply = open_bay(hosts=["bay-1.shop:8765"]).send("GET", "/view.json", headers={"Host": host})
    assert reply.status_code == 200


@pytest.mark.parametrize(
    ("server", "host", "known"),
    [
        ("192.0.2.10", "192.0.2.10:8765", True),
        ("192.0.2.10", "192.0.2.11:8765", False),
        ("192.0.2.10", "bay.elsewhere.example", False),
        ("2001:db8::10", "[2001:db8:0::10]:8765", True),
        ("::ffff:192.0.2.10", "192.0.2.10", True),
        ("elsewhere.example", "elsewhere.example", False),
    ],
)
def test_the_address_a_request_arrived_at_is_our_own(server: str, host: str, known: bool) -> None:
    gate = Gate(create_app(FakeEngine(), Access(None)))
    assert gate.known_host(host, {"server": (server, 8765)}) is known


def test_listening_everywhere_is_not_a_name_to_be_called_by() -> None:
    gate = Gate(create_app(FakeEngine(), Access(None)), hosts=["0.0.0.0", "::", "[::]"])
    assert not gate.known_host("0.0.0.0:8765", {"server": ("192.0.2.10", 8765)})
    assert not gate.known_host("[::]:8765", {"server": ("192.0.2.10", 8765)})


def test_two_host_headers_are_refused(bay: Bay) -> None:
    reply = bay.send("GET", "/view.json", headers=[("Host", HOST), ("Host", "elsewhere.example")])
    assert reply.status_code == 421
