"""Where the pages may be served, and the refusal that says how."""

import json
import re
import ssl
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from station import __main__
from station.errors import InputError
from station.people.certificate import make
from station.people.entrance import entrance
from station.people.people import Role
from station.people.store import People

ROOT = Path(__file__).parents[3]


@pytest.fixture
def nobody(tmp_path: Path) -> People:
    return People(tmp_path / "people.json")


@pytest.fixture
def somebody(nobody: People) -> People:
    nobody.add("E. Brandvold", Role.OWNER, secret="a hash")
    return nobody


def test_a_simulated_bay_on_this_machine_asks_nobody(nobody: People) -> None:
    assert entrance(nobody, loopback=True, simulated=True, tls=False, named=False).open


def test_a_real_bay_on_this_machine_has_its_owner_set_up_first(nobody: People) -> None:
    access = entrance(nobody, loopback=True, simulated=False, tls=False, named=False)
    assert not access.open
    assert access.first_code is not None


@pytest.mark.parametrize("simulated", [True, False])
def test_beyond_this_machine_it_takes_tls_and_people(nobody: People, tmp_path: Path, simulated: bool) -> None:
    with pytest.raises(InputError, match="tallypan certificate"):
        entrance(nobody, loopback=False, simulated=simulated, tls=False, named=False)
    with pytest.raises(InputError, match="tallypan people add"):
        entrance(nobody, loopback=False, simulated=simulated, tls=True, named=False)
    nobody.add("M. Okafor", Role.TECHNICIAN, secret="a hash")
    with pytest.raises(InputError, match="tallypan people add"):
        entrance(nobody, loopback=False, simulated=simulated, tls=True, named=False)
    nobody.add("E. Brandvold", Role.OWNER, secret="a hash")
    assert not entrance(nobody, loopback=False, simulated=simulated, tls=True, named=False).open


def test_behind_a_proxy_it_takes_people_also_when_simulated(nobody: People) -> None:
    with pytest.raises(InputError, match="tallypan people add"):
        entrance(nobody, loopback=True, simulated=True, tls=False, named=True)
    nobody.add("E. Brandvold", Role.OWNER, secret="a hash")
    assert not entrance(nobody, loopback=True, simulated=True, tls=False, named=True).open


@pytest.mark.parametrize("host", ["0.0.0.0", "::"])
def test_the_station_does_not_start_for_everybody_without_tls(
    host: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert __main__.main(["serve", "--simulated", "--host", host, "--port", "0"]) == 2
    assert "tallypan certificate NAME" in capsys.readouterr().err
    assert not list(tmp_path.rglob("*.sqlite")), "nothing was opened"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--certificate", "x.crt"], "belong together"),
        (["--certificate", "none.crt", "--key", "none.key"], "no certificate and its key"),
        (["--certificate", "bay.crt", "--key", "bay.crt"], "no certificate and its key"),
        (["--certificate", "bay.crt", "--key", "locked.key"], "locked by a passphrase"),
    ],
)
def test_a_wrong_certificate_is_told_before_anything_starts(
    options: list[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    from cryptography.hazmat.primitives import serialization

    monkeypatch.chdir(tmp_path)
    made = make("bay", [], tmp_path)
    key = serialization.load_pem_private_key(made.key.read_bytes(), None)
    locked = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(b"a passphrase"),
    )
    (tmp_path / "locked.key").write_bytes(locked)
    assert __main__.main(["serve", "--simulated", "--port", "0", *options]) == 2
    assert said in capsys.readouterr().err


def test_a_station_under_tls_is_reached_by_those_who_trust_its_certificate(tmp_path: Path) -> None:
    made = make("localhost", ["127.0.0.1"], tmp_path)
    bay = (ROOT / "station" / "demo_bay.toml").read_text(encoding="utf-8")
    serve = f'[serve]\ncertificate = "{made.certificate}"\nkey = "{made.key}"\nnames = ["bay-1.example"]\n\n[pins]'
    (tmp_path / "bay.toml").write_text(bay.replace("[pins]", serve, 1), encoding="utf-8")
    People(tmp_path / "var" / "people.json").add("E. Brandvold", Role.OWNER, secret="a hash")
    command = [sys.executable, "-m", "station", "serve", "--simulated", "--config", "bay.toml", "--port", "0"]
    process = subprocess.Popen(
        command, cwd=tmp_path, env={"PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.search(r"https://127\.0\.0\.1:\d+/", line)
        assert found is not None, line
        trusting = ssl.create_default_context(cafile=str(made.certificate))
        for host in (None, "bay-1.example"):
            request = urllib.request.Request(
                f"{found[0]}view.json", headers={"Host": host} if host is not None else {}
            )
            with urllib.request.urlopen(request, context=trusting, timeout=60) as reply:
                assert json.load(reply)["backend"] == "simulated"
                assert reply.headers["Strict-Transport-Security"]
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(f"{found[0]}jobs.json", context=trusting, timeout=60)
        assert refused.value.code == 401
        refused.value.close()
    finally:
        process.terminate()
        process.communicate(timeout=60)
    assert process.returncode == 0
