"""The roll-up as a bay sees it over the network: where its head is, and a batch taken in. HTTP, one connection, no redirect."""

import http.client
import json
import ssl
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlsplit

from station.common.words import _
from station.errors import InputError, StationError
from station.given.reporting import RollUpRules
from station.record.many.arriving import Batch
from station.record.many.wire import batch_text

HEAD, TAKE = "/api/bays/head", "/api/bays/take"
LISTS, FILLS, PEOPLE = "/api/bays/lists", "/api/bays/fills", "/api/bays/people"
TIMEOUT_S = 20.0
LATER_MOST_S = 300.0
"""A bay leaves the roll-up alone for no longer than this, whatever it is asked."""
ANSWER_MOST = 16 * 1024 * 1024
"""Five versions of a shop's lists, of 200 changes whose every field is full."""


class Unreachable(StationError):
    """The roll-up did not answer as a roll-up does; it may have taken what was sent."""


class Later(Unreachable):
    """The roll-up took nothing, and asks to be left alone for so long."""

    def __init__(self, text: str, after_s: float) -> None:
        super().__init__(text)
        self.after_s = after_s


@dataclass(frozen=True)
class Answer:
    """Where the roll-up's head is now. fault: why it takes no more of this bay's record; None while it does. lists: the newest
    version of the shop's lists. people: that of its people; 0 where it has none to tell of. fills: that of what the shop's
    other bays filled. series: of the versions of lists and fills. rest_s: how long it asks a bay that has more to let others go
    first."""

    seq: int
    fault: str | None = None
    lists: int = 0
    people: int = 0
    fills: int = 0
    series: str = ""
    rest_s: float = 0.0


class Office(Protocol):
    """What a sender needs of the roll-up. Each raises Unreachable."""

    def head(self, newest: int, /) -> int:
        """Where the roll-up's head is. newest: where the bay's record ends."""

    def take(self, batch: Batch, /) -> Answer: ...

    def lists(self, after: int, /) -> Sequence[Mapping[str, Any]]:
        """What was changed in the shop's lists behind a version, oldest first."""

    def fills(self, after: int, /) -> Sequence[Mapping[str, Any]]:
        """What changed in what the shop's other bays filled, likewise."""

    def people(self) -> Mapping[str, Any]:
        """Everybody of the shop, with the version of that."""

    def close(self) -> None:
        """Let go of the connection; the next question opens another."""


class HttpOffice:
    """Raises InputError where token or certificate cannot be read."""

    def __init__(self, rules: RollUpRules) -> None:
        try:
            self._token = Path(rules.token_file).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(
                f"{rules.token_file}: the token for the roll-up cannot be read ({error}). tallypan roll-up enter prints it."
            ) from error
        if not self._token.isascii() or not self._token.isprintable() or " " in self._token:
            raise InputError(
                f"{rules.token_file}: this is no token; expected the one line that tallypan roll-up enter printed."
            )
        parts = urlsplit(rules.address)
        self._host, self._port = parts.hostname or "", parts.port
        self._tls: ssl.SSLContext | None = None
        if parts.scheme == "https":
            try:
                self._tls = ssl.create_default_context(cafile=rules.certificate)
            except (OSError, ssl.SSLError) as error:
                raise InputError(
                    f"{rules.certificate}: cannot be read as a certificate ({error})."
                ) from error
        self._open: http.client.HTTPConnection | None = None

    def head(self, newest: int) -> int:
        return self._seq(self._ask("GET", f"{HEAD}?newest={newest}", None))

    def take(self, batch: Batch) -> Answer:
        told = self._ask("POST", TAKE, batch_text(batch))
        fault = told.get("fault")
        lists, people, fills = (
            n if type(n := told.get(name)) is int else 0 for name in ("lists", "people", "fills")
        )
        series, rest_s = str(told.get("series", "")), told.get("rest_s")
        return Answer(
            self._seq(told),
            None if fault is None else str(fault),
            lists,
            people,
            fills,
            series,
            float(min(rest_s, LATER_MOST_S)) if type(rest_s) is int and rest_s > 0 else 0.0,
        )

    def lists(self, after: int) -> Sequence[Mapping[str, Any]]:
        return self._issues(LISTS, after)

    def fills(self, after: int) -> Sequence[Mapping[str, Any]]:
        return self._issues(FILLS, after)

    def _issues(self, path: str, after: int) -> Sequence[Mapping[str, Any]]:
        issues = self._ask("GET", f"{path}?after={after}", None).get("issues")
        if not isinstance(issues, list) or not all(isinstance(one, dict) for one in issues):
            raise Unreachable(_("what answers there is no roll-up: it has no lists"))
        return issues

    def people(self) -> Mapping[str, Any]:
        return self._ask("GET", PEOPLE, None)

    def close(self) -> None:
        if self._open is not None:
            self._open.close()
            self._open = None

    @staticmethod
    def _seq(told: dict[str, Any]) -> int:
        seq = told.get("seq")
        if type(seq) is not int or seq < 0:
            raise Unreachable(_("what answers there is no roll-up: it does not say how far it is"))
        return seq

    def _ask(self, method: str, path: str, body: bytes | None) -> dict[str, Any]:
        headers = {"Authorization": f"Bearer {self._token}", "X-Tallypan": "1", "Accept": "application/json"}
        if body is not None:
            headers["Content-Type"] = "application/json"
        try:
            connection = self._connection()
            try:
                connection.request(method, path, body, headers)
            except (BrokenPipeError, ConnectionResetError):
                if body is None:
                    raise
                # What is sent away is answered before all of it has gone out, and the answer is there to be read.
            reply = connection.getresponse()
            data = reply.read(ANSWER_MOST)
            told = json.loads(data) if data else {}
        except (OSError, http.client.HTTPException, ValueError) as error:
            self.close()
            raise Unreachable(f"{type(error).__name__}: {error}".rstrip(": .")) from error
        if reply.status != 200 or not isinstance(told, dict):
            self.close()
            text = str(told.get("text", "")) if isinstance(told, dict) else ""
            said = (_("it answers {status}: {text}") if text else _("it answers {status}")).format(
                status=reply.status, text=text[:300]
            )
            after_s = asked_s(reply.getheader("Retry-After", ""), LATER_MOST_S)
            if reply.status in (429, 503) and after_s:
                raise Later(said.rstrip("."), after_s)
            raise Unreachable(said.rstrip("."))
        return told

    def _connection(self) -> http.client.HTTPConnection:
        if self._open is None:
            if self._tls is None:
                self._open = http.client.HTTPConnection(self._host, self._port, timeout=TIMEOUT_S)
            else:
                self._open = http.client.HTTPSConnection(
                    self._host, self._port, timeout=TIMEOUT_S, context=self._tls
                )
        return self._open


def asked_s(retry_after: str, most_s: float) -> float:
    """For how long whoever answers asks to be left alone, by the header Retry-After, where it names seconds (RFC 9110, 10.2.3); 0.0
    where it does not."""
    return min(float(retry_after), most_s) if retry_after.isascii() and retry_after.isdigit() else 0.0
