"""Ed25519 of RFC 8032: the first two test vectors of its section 7.1, and the library that checks signatures (an independent
implementation) on keys and texts of any kind."""

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import load_pem_private_key
from hypothesis import given
from hypothesis import strategies as st

from station.record import ed25519
from station.record.note import SigningKey

VECTORS = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
]


@pytest.mark.parametrize("own", [True, False], ids=["Python's OpenSSL", "where Python shows none"])
@pytest.mark.parametrize("vector", VECTORS)
def test_vectors(vector: tuple[str, ...], own: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    assert ed25519._openssl() is not None
    if not own:
        monkeypatch.setattr(ed25519, "_openssl", lambda: None)
    seed, public, message, signature = map(bytes.fromhex, vector)
    assert ed25519.public_key(seed) == public
    assert ed25519.sign(seed, message) == signature


@given(st.binary(min_size=32, max_size=32), st.binary(max_size=500))
def test_agrees_with_the_library_that_checks(seed: bytes, message: bytes) -> None:
    theirs = Ed25519PrivateKey.from_private_bytes(seed)
    assert ed25519.public_key(seed) == theirs.public_key().public_bytes_raw()
    assert ed25519.sign(seed, message) == theirs.sign(message)


def test_a_made_key_is_what_other_programs_read() -> None:
    key = SigningKey.make()
    theirs = load_pem_private_key(key.pem, None)
    assert isinstance(theirs, Ed25519PrivateKey)
    assert theirs.private_bytes_raw() == key.seed
    assert SigningKey.make() != key


def test_a_key_that_another_program_wrote_is_taken() -> None:
    key = SigningKey.make()
    assert SigningKey.from_pem(key.pem.replace(b"\n", b"\r\n")).verifier == key.verifier


@pytest.mark.parametrize("seed", [b"", b"short", bytes(33)])
def test_what_is_no_key_is_refused(seed: bytes) -> None:
    with pytest.raises(ValueError, match="does not take the key"):
        ed25519.sign(seed, b"")
