"""How each entry of the record is tied to the one before it."""

import hashlib
import json
from collections.abc import Sequence

from hardware.sample import Sample

FIELDS = ("seq", "job_id", "kind", "body", "boot_id", "t_s", "utc", "clock_synced")
"""What of an entry is hashed, in this order, behind the hash of the entry before."""


def leaf(previous: str, fields: Sequence[object]) -> bytes:
    """The bytes that stand for an entry, in the chain and in the tree."""
    return json.dumps([previous, *fields], ensure_ascii=False).encode(errors="surrogatepass")


def entry_hash(previous: str, fields: Sequence[object]) -> str:
    return hashlib.sha256(leaf(previous, fields)).hexdigest()


class SamplesDigest:
    """SHA-256 over a job's samples in order, kept in its result event so that a changed sample shows."""

    def __init__(self) -> None:
        self._sha = hashlib.sha256()

    def add(self, sample: Sample) -> None:
        self._sha.update(json.dumps([float(sample.t_s), sample.source, sample.value]).encode())

    def hexdigest(self) -> str:
        return self._sha.hexdigest()
