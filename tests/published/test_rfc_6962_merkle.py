"""The record's tree against the reference trees of Certificate Transparency.

Source: RFC 6962 section 2.1; leaves and roots as published with the reference implementation, transparency-dev/merkle,
testonly/constants.go at 582a6ad (LeafInputs, RootHashes, CompactTrees).
"""

import hashlib

import pytest

from station.record.merkle import Frontier, leaf_hash, node_hash

LEAVES = ["", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
SEVEN = [
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
    "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
]
"""The whole subtrees of seven leaves."""


def leaves(n: int) -> list[bytes]:
    return [leaf_hash(bytes.fromhex(text)) for text in LEAVES[:n]]


@pytest.mark.parametrize("n", range(9))
def test_roots_are_the_published_ones(n: int) -> None:
    assert Frontier().add(leaves(n)).root().hex() == ROOTS[n]


@pytest.mark.parametrize("cut", range(9))
def test_a_tree_grown_in_two_goes_is_the_same(cut: int) -> None:
    stored = Frontier().add(leaves(cut))
    again = Frontier.from_bytes(cut, stored.to_bytes())
    assert again == stored
    assert again.add(leaves(8)[cut:]).root().hex() == ROOTS[8]


def test_the_frontier_of_seven_leaves_is_the_published_one() -> None:
    assert [root.hex() for root in Frontier().add(leaves(7)).roots] == SEVEN


def test_a_long_tree_agrees_with_the_definition() -> None:
    """RFC 6962 section 2.1 written down as it stands, without remembering anything."""

    def mth(hashes: list[bytes]) -> bytes:
        if len(hashes) <= 1:
            return hashes[0] if hashes else hashlib.sha256(b"").digest()
        k = 1 << ((len(hashes) - 1).bit_length() - 1)
        return node_hash(mth(hashes[:k]), mth(hashes[k:]))

    every = [leaf_hash(str(n).encode()) for n in range(300)]
    tree = Frontier()
    for n, leaf in enumerate(every, 1):
        tree = tree.add([leaf])
        assert tree.root() == mth(every[:n])


def test_a_frontier_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match="no frontier of 3"):
        Frontier.from_bytes(3, b"\x00" * 32)
