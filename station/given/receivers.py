"""The file of receivers: other systems that the roll-up, or a bay by itself, tells when a job was closed, a fill came up short, or a
calibration is due."""

import base64
import binascii
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal, get_args

from pydantic import Field

from station.common.files import read_text, read_toml
from station.common.schema import Table, complain, read
from station.errors import InputError
from station.given.reporting import NoticeRules, address_fault

Kind = Literal["job closed", "short fill", "calibration due"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
PREFIX: Final = "whsec_"
SECRET_BYTES: Final = (24, 64)
"""How long a signing secret is, from and to (Standard Webhooks, signature scheme)."""
_PATH = r"^/[^\x00-\x1f]+$"
_ADDRESS = 'write the address that takes notices, such as "https://accounts.example/notices"'


@dataclass(frozen=True)
class ReceiverRules:
    """[receiver.name]. address: where its notices go; without TLS only on this machine. secret_file: signing secrets, a line
    each; while one is being replaced, both sign. kinds, shops: what it is told, and of which shops; all where none is named.
    certificate: a file in PEM, where the receiver's certificate is the shop's own."""

    address: Annotated[str, Field(pattern=r"^https?://[^\s/@]+(/[^\s@]*)?$", description=_ADDRESS)]
    secret_file: Annotated[
        str, Field(pattern=_PATH, description='write a file, such as "/etc/tallypan/accounts.secret"')
    ]
    kinds: Annotated[tuple[Kind, ...], Field(min_length=1)] = KINDS
    shops: tuple[str, ...] = ()
    certificate: (
        Annotated[str, Field(pattern=_PATH, description='write a file, such as "/etc/tallypan/accounts.crt"')]
        | None
    ) = None


@dataclass(frozen=True)
class Receiver:
    """A receiver as it is served: its rules, and its secrets as they were read."""

    name: str
    rules: ReceiverRules
    secrets: tuple[bytes, ...]


class _File(Table):
    receiver: Mapping[Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")], ReceiverRules]


def read_receivers(path: Path) -> tuple[Receiver, ...]:
    """Every receiver of a file, with its secrets. Raises InputError naming the file, and what is wrong in it."""
    source = str(path)
    found = read(_File, read_toml(path), source).receiver
    for name, rules in found.items():
        if wrong := address_fault(rules.address, _ADDRESS):
            complain(source, ("receiver", name, "address"), rules.address, wrong)
    return tuple(Receiver(name, rules, secrets_of(Path(rules.secret_file))) for name, rules in found.items())


def of_a_bay(rules: NoticeRules) -> tuple[Receiver, ...]:
    """Those whom a bay tells by itself. Raises InputError as ``read_receivers``, and where one is to hear of shops."""
    found = read_receivers(Path(rules.receivers))
    for one in found:
        if one.rules.shops:
            shops, wrong = list(one.rules.shops), "a bay tells of itself alone: leave the line out"
            complain(rules.receivers, ("receiver", one.name, "shops"), shops, wrong)
    return found


def secrets_of(path: Path) -> tuple[bytes, ...]:
    """The signing secrets of a file, a line each. Raises InputError, which repeats none of them."""
    lines = [line.strip() for line in read_text(path).splitlines() if line.strip()]
    try:
        secrets = tuple(base64.b64decode(line.removeprefix(PREFIX), validate=True) for line in lines)
    except (binascii.Error, ValueError):
        secrets = (b"",)
    low, high = SECRET_BYTES
    if (
        not secrets
        or not all(line.startswith(PREFIX) for line in lines)
        or not all(low <= len(one) <= high for one in secrets)
    ):
        raise InputError(
            f"{path}: no signing secret; expected {PREFIX} and {low} to {high} bytes of chance in base64, a line for each."
        )
    return secrets


def trusted(receiver: Receiver) -> ssl.SSLContext:
    """By whom a receiver's certificate must be signed: by the shop's own where the file names it, else by one of those that this
    system trusts. Raises InputError."""
    path = receiver.rules.certificate
    try:
        return ssl.create_default_context(cafile=path)
    except (OSError, ssl.SSLError) as error:
        raise InputError(
            f"{path}: cannot be read as a certificate ({error}); expected a file in PEM."
        ) from error
