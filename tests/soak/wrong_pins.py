"""Goal W5: wrong PINs from many addresses. Hardly any is looked at, the shop's own device signs in all the while, and a stop
asks nobody. Each address is one of this machine's own, 127.0.1.1 and on, which the server tells apart like any others."""

import http.client
import json
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
            "127.0.0.1", self._port, timeout=20, source_address=(self._address, 0)
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


def w5(folder: Path, tries: int, planted: bool = False) -> Seen:
    """planted: the tries are not counted."""
    seen = Seen("W5 wrong PINs from 50 addresses: looked at", unit="tries")
    line = [sys.executable, "-m", "tests.journeys.real_bay", str(folder), *(["uncounted"] if planted else [])]
    process = subprocess.Popen(line, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert process.stdout is not None
        address, code = process.stdout.readline().split()
        port = int(address.rstrip("/").rpartition(":")[2])
        shop = Hand(port, "127.0.0.1")
        shop.post("/api/claim", {"name": "E. Brandvold", "code": code, "secret": PHRASE})
        status, text = shop.post("/api/people/add", {"name": NAME, "role": "technician"})
        shop.post("/api/claim", {"name": NAME, "code": json.loads(text)["code"], "secret": PIN})
        hands = [Hand(port, f"127.0.1.{k + 1}") for k in range(ADDRESSES)]
        looked_at = 0
        for n in range(tries):
            status, text = hands[n % ADDRESSES].post("/api/sign-in", {"name": NAME, "secret": f"{n:06d}"})
            seen.trials += 1
            looked_at += "do not go together" in text
            if status < 400 or status >= 500:
                seen.failed.append(f"try {n}: {status} {text[:100]}")
            if n % EACH == EACH - 1:
                if (answer := shop.post("/api/sign-in", {"name": NAME, "secret": PIN}))[0] != 200:
                    seen.failed.append(f"after {n + 1} the shop's own device is not let in: {answer}")
                if (answer := hands[0].post("/api/stop", {}))[0] != 200:
                    seen.failed.append(f"after {n + 1} a stop is refused: {answer}")
        seen.values.append(float(looked_at))
        if looked_at > TRIES:
            seen.failed.append(f"{looked_at} were looked at; {TRIES} may be")
    finally:
        process.terminate()
        process.communicate(timeout=20)
    return seen
