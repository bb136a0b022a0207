"""``tallypan people`` and ``tallypan certificate``, beside a station that has the same file open."""

import json
import re
import socket
import ssl
import stat
import threading
from contextlib import closing
from pathlib import Path

import pytest

from station import __main__
from station.errors import InputError
from station.people import certificate
from station.people.access import Access, Refused
from station.people.lockout import TRIES
from station.people.people import Role
from station.people.store import People, path_beside
from station.record.many.embedded import Embedded
from station.record.many.store import Store
from tests.rolled import enter, fresh


class Terminal:
    def __init__(self, ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.ledger, self._capsys = ledger, capsys

    def run(self, *arguments: str) -> tuple[int, str, str]:
        self._capsys.readouterr()
        status = __main__.main(["people", "--ledger", str(self.ledger), *arguments])
        out, err = self._capsys.readouterr()
        return status, out, err


@pytest.fixture
def terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Terminal:
    return Terminal(tmp_path / "ledger.sqlite", capsys)


def _code(text: str) -> str:
    found = re.search(r"\b(?:\w{4}-){2}\w{4}\b", text)
    assert found is not None, text
    return found[0]


def test_an_owner_is_set_up_at_the_pi(terminal: Terminal) -> None:
    assert terminal.run("list")[1] == "Nobody is set up yet.\n"
    status, out, _ = terminal.run("add", "E. Brandvold", "--role", "owner")
    assert status == 0
    access = Access(People(path_beside(terminal.ledger)))
    assert access.first_code is None
    signed = access.claim("E. Brandvold", _code(out), "heron on the mud", None, None)
    assert signed.person.role is Role.OWNER
    assert "E. Brandvold" in terminal.run("list")[1]


def test_somebody_is_bound_to_shops_that_the_roll_up_has_and_to_no_other(
    terminal: Terminal, postgres: Embedded
) -> None:
    dsn = fresh(postgres.dsn)
    with closing(Store(dsn)) as store:
        enter(store)
        enter(store, "quay")

    def add(name: str, *more: str) -> tuple[int, str, str]:
        return terminal.run("add", name, "--role", "manager", "--shop", "harbour", *more)

    assert add("M. Okafor", "--shop", "quay", "--dsn", dsn)[0] == 0
    kept = People(path_beside(terminal.ledger)).get("M. Okafor")
    assert kept is not None
    assert kept.person.shops == ("harbour", "quay")
    assert "harbour, quay" in terminal.run("list")[1]
    status, _, told = add("J. Lindqvist", "--shop", "key", "--dsn", dsn)
    assert (status, "there is no shop 'key'; expected one of: harbour, quay." in told) == (2, True)
    status, _, told = add("J. Lindqvist")
    assert (status, "there is no roll-up" in told) == (2, True), "beside a bay's record there are no shops"
    assert "Lindqvist" not in terminal.run("list")[1]


def test_a_reset_beside_a_running_station(terminal: Terminal) -> None:
    access = Access(People(path_beside(terminal.ledger)))
    signed = access.claim("E. Brandvold", access.first_code or "", "heron on the mud", None, None)
    assert access.session(signed.token) is not None
    _, out, _ = terminal.run("reset", "E. Brandvold")
    assert access.session(signed.token) is None
    access.claim("E. Brandvold", _code(out), "curlew on the bank", None, None)


def test_tries_come_back_beside_a_running_station(terminal: Terminal) -> None:
    access = Access(People(path_beside(terminal.ledger)), lambda: 0.0)
    access.claim("E. Brandvold", access.first_code or "", "heron on the mud", None, None)
    for _ in range(TRIES):
        with pytest.raises(Refused):
            access.sign_in("E. Brandvold", "wrong one", None, None)
    with pytest.raises(Refused, match="Too many"):
        access.sign_in("E. Brandvold", "heron on the mud", None, None)
    assert terminal.run("unlock", "E. Brandvold")[0] == 0
    access.sign_in("E. Brandvold", "heron on the mud", None, None)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["add", "M. Okafor", "--role", "boss"], "expected one of: technician, manager, quality lead, owner"),
        (["add", " ", "--role", "owner"], "write one of 1 to 80 characters"),
        (["reset", "nobody"], "here are: E. Brandvold"),
        (["unlock", "nobody"], "here are: E. Brandvold"),
        (["retire", "E. Brandvold"], "last owner"),
    ],
)
def test_a_mistake_is_told_and_changes_nothing(terminal: Terminal, arguments: list[str], said: str) -> None:
    terminal.run("add", "E. Brandvold", "--role", "owner")
    before = path_beside(terminal.ledger).read_bytes()
    status, _, err = terminal.run(*arguments)
    assert status == 2
    assert said in err
    assert path_beside(terminal.ledger).read_bytes() == before


def test_a_browser_that_trusts_the_certificate_connects_to_the_name_in_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["certificate", "bay-1.local", "--also", "127.0.0.1", "--folder", str(tmp_path), "--json"]
    assert __main__.main(arguments) == 0
    made = json.loads(capsys.readouterr().out)
    assert stat.S_IMODE(Path(made["key"]).stat().st_mode) == 0o600
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(made["certificate"], made["key"])
    trusting = ssl.create_default_context(cafile=made["certificate"])

    def shake(name: str) -> bytes | None:
        here, there = socket.socketpair()
        with here, there:

            def answer() -> None:
                try:
                    serving.wrap_socket(there, server_side=True).close()
                except (ssl.SSLError, OSError):
                    return  # the other side did not like what it saw

            thread = threading.Thread(target=answer)
            thread.start()
            try:
                with trusting.wrap_socket(here, server_hostname=name) as wrapped:
                    return wrapped.getpeercert(True)
            finally:
                here.close()
                thread.join()

    import hashlib

    seen = shake("bay-1.local")
    assert seen is not None
    assert hashlib.sha256(seen).hexdigest() == made["sha256"].replace(":", "").lower()
    assert shake("127.0.0.1") == seen
    with pytest.raises(ssl.SSLCertVerificationError):
        shake("bay-2.local")


def test_a_key_is_never_written_over(tmp_path: Path) -> None:
    made = certificate.make("bay-1.local", [], tmp_path)
    before = made.key.read_bytes()
    with pytest.raises(InputError, match="there already"):
        certificate.make("bay-1.local", [], tmp_path)
    assert made.key.read_bytes() == before


@pytest.mark.parametrize("name", ["", "../key", "bay 1", "bay-.local", "-bay", "a" * 64, "bay..local", "*"])
def test_what_is_no_name_gets_no_certificate(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError):
        certificate.make(name, [], tmp_path)
    assert list(tmp_path.iterdir()) == []
