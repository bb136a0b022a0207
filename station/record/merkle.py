"""The Merkle tree over the record's entries, as Certificate Transparency grows it.

Source: RFC 6962 (2013), section 2.1: the hash of a leaf is SHA-256(0x00 ‖ entry), of a node SHA-256(0x01 ‖ left ‖
right), of no entries SHA-256 of nothing; the left part of n leaves is the largest power of two below n.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

HASH_BYTES = 32


def leaf_hash(entry: bytes) -> bytes:
    return hashlib.sha256(b"\x00" + entry).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(b"\x01" + left + right).digest()


@dataclass(frozen=True)
class Frontier:
    """All that a growing tree needs to remember: the roots of its whole subtrees, largest first.

    size: how many leaves. One root for each 1 in its binary form.
    """

    size: int = 0
    roots: tuple[bytes, ...] = ()

    def add(self, leaves: Iterable[bytes]) -> "Frontier":
        """The tree with these leaf hashes behind the ones it has."""
        size, roots = self.size, list(self.roots)
        for root in leaves:
            size += 1
            filled = size
            while filled % 2 == 0:
                root = node_hash(roots.pop(), root)
                filled //= 2
            roots.append(root)
        return Frontier(size, tuple(roots))

    def root(self) -> bytes:
        """The tree's hash."""
        if not self.roots:
            return hashlib.sha256(b"").digest()
        whole = self.roots[-1]
        for left in reversed(self.roots[:-1]):
            whole = node_hash(left, whole)
        return whole

    def to_bytes(self) -> bytes:
        return b"".join(self.roots)

    @staticmethod
    def from_bytes(size: int, data: bytes) -> "Frontier":
        """Raises ValueError where the bytes are no frontier of so many leaves."""
        if size < 0 or len(data) != HASH_BYTES * size.bit_count():
            raise ValueError(f"{len(data)} bytes are no frontier of {size} entries")
        return Frontier(size, tuple(data[k : k + HASH_BYTES] for k in range(0, len(data), HASH_BYTES)))
