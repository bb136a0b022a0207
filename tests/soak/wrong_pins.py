"""Goal W5: wrong PINs from many addresses. Hardly any is looked at, the shop's own device signs in all the while, and a stop
asks nobody. Each address is one of this machine's own, 127.0.1.1 and on, which the server tells apart like any others."""

import http.client
import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

from station.people.lockout import TRIES
from tests.soak.proofs import Seen
from tests.soak.relay import ROOT

NAME, PIN, PHRASE = "M. Okafor", "481630", "heron on the mud"
ADDRESSES = 50
EACH = 100
"""After so many wrong ones a look whether the shop can still work."""


class Hand:
    """Whoever sends requests from one address. cookies: kept as a browser does."""

    def __init__(self, port: int, address: str) -> None:
        self._port, self._address = port, address
        self.cookies: dict[str, str] = {}

    def post(self, path: str, body: dict[str, Any]) -> tuple[int, str]:
        connection = http.client.HTTPConnection(
            "127.0.0.1", self._port, timeout=60, source_address=(self._address, 0)
        )
        try:
            cookie = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
            headers = {"X-Tallypan": "1", "Content-Type": "application/json", "Cookie": cookie}
            connection.request("POST", path, json.dumps(body), headers)
            reply = connection.getresponse()
            for name, value in reply.getheaders():
                if name.lower() == "set-cookie":
                    key, _, rest = value.partition("=")
                    self.cookies[key] = rest.partition(";")[0]
            return reply.status, reply.read().decode()
        finally:
            connection.close()


def w5(folder: Path, tries: int, planted: int = 0) -> tuple[Seen, Seen]:
    """So many wrong PINs; and then ``planted`` more at a station that takes no count of them, for what would be seen then."""
    seen, fault = (
        Seen(f"W5 wrong PINs from 50 addresses: {what}", unit="tries") for what in ("looked at", "planted")
    )
    line = [sys.executable, "-m", "tests.journeys.real_bay", str(folder)]
    process = subprocess.Popen(line, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert process.stdout is not None
        address, code = process.stdout.readline().split()
        port = int(address.rstrip("/").rpartition(":")[2])
        shop = Hand(port, "127.0.0.1")
        shop.post("/api/claim", {"name": "E. Brandvold", "code": code, "secret": PHRASE})
        _, text = shop.post("/api/people/add", {"name": NAME, "role": "technician"})
        shop.post("/api/claim", {"name": NAME, "code": json.loads(text)["code"], "secret": PIN})
        hands = [Hand(port, f"127.0.1.{k + 1}") for k in range(ADDRESSES)]
        _try(seen, range(tries), hands, shop)
        if planted:
            process.send_signal(signal.SIGUSR2)
            _try(fault, range(tries, tries + planted), hands, shop)
    finally:
        process.terminate()
        process.communicate(timeout=120)
    return seen, fault


def _try(seen: Seen, pins: range, hands: list[Hand], shop: Hand) -> None:
    looked_at = 0
    for n in pins:
        status, text = hands[n % ADDRESSES].post("/api/sign-in", {"name": NAME, "secret": f"{n:06d}"})
        seen.trials += 1
        looked_at += "do not go together" in text
        if not 400 <= status < 500:
            seen.failed.append(f"try {n}: {status} {text[:100]}")
        if n % EACH == EACH - 1:
            for hand, path, body in (
                (shop, "/api/sign-in", {"name": NAME, "secret": PIN}),
                (hands[0], "/api/stop", {}),
            ):
                answer = hand.post(path, body)
                if answer[0] != 200:
                    seen.failed.append(f"after {n + 1} tries {path}: {answer}")
    seen.values.append(float(looked_at))
    if looked_at > TRIES:
        seen.failed.append(f"{looked_at} were looked at; {TRIES} may be")
