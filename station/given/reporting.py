"""[roll_up]: whether and where a bay's record is rolled up with those of other bays; [notices]: whether it tells other systems by
itself; and what may be said of any address that something of the record goes to."""

import ipaddress
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import Field

_PATH = r"^/[^\x00-\x1f]+$"


@dataclass(frozen=True)
class RollUpRules:
    """address: of the roll-up; without TLS only on this machine. token_file: holds the token that ``tallypan roll-up enter``
    printed; a token in this file itself would get into the record. certificate: a file in PEM, where the roll-up's
    certificate is the shop's own. every_s: how soon what was recorded goes out. batch: entries at a time."""

    address: Annotated[
        str,
        Field(
            pattern=r"^https?://[^\s/@]+/?$",
            description='write the address of the roll-up, such as "https://office.local:8766"',
        ),
    ]
    token_file: Annotated[
        str, Field(pattern=_PATH, description='write a file, such as "/etc/tallypan/roll-up.token"')
    ]
    certificate: (
        Annotated[str, Field(pattern=_PATH, description='write a file, such as "/etc/tallypan/office.crt"')]
        | None
    ) = None
    every_s: Annotated[float, Field(ge=0.1, le=3600.0, description="write seconds, such as 5")] = 5.0
    batch: Annotated[int, Field(ge=1, le=2000, description="write entries, such as 1000")] = 1000

    def fault(self) -> tuple[str, str] | None:
        """The key of what cannot be, and what was expected; None where all can."""
        wrong = address_fault(
            self.address, 'write the address of the roll-up, such as "https://office.local:8766"'
        )
        return None if wrong is None else ("address", wrong)


@dataclass(frozen=True)
class NoticeRules:
    """receivers: the file that names the systems which this bay tells by itself, see ``station.given.receivers``."""

    receivers: Annotated[
        str, Field(pattern=_PATH, description='write a file, such as "/etc/tallypan/receivers.toml"')
    ]


def address_fault(address: str, expected: str) -> str | None:
    """What is wrong with where something of the record goes; None where nothing is."""
    try:
        parts = urlsplit(address)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        host, port = "", None
    if not host or port == 0:
        return expected
    if parts.scheme == "http" and not _is_loopback(host):
        return "beyond this machine the record goes out under TLS only: write https://"
    return None


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
