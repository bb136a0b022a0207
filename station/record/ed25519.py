"""Ed25519 (RFC 8032) by the OpenSSL that Python itself has loaded. A bay's service signs after each job, on a board with little
memory and with somebody waiting: the library that checks signatures elsewhere is nine megabytes and most of a second there.
"""

import ctypes
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

SEED_BYTES: Final = 32
PUBLIC_BYTES: Final = 32
SIGNATURE_BYTES: Final = 64
_KIND: Final = 1087  # EVP_PKEY_ED25519
_NUMBER, _SIZE, _AT, _BYTES = ctypes.c_int, ctypes.c_size_t, ctypes.c_void_p, ctypes.c_char_p
_SIZE_AT = ctypes.POINTER(ctypes.c_size_t)
# As OpenSSL's manual has them in EVP_PKEY_new, EVP_DigestInit and EVP_DigestSignInit, from 1.1.1 on.
_CALLS: Final = {
    "EVP_PKEY_new_raw_private_key": (_AT, _NUMBER, _AT, _BYTES, _SIZE),
    "EVP_PKEY_get_raw_public_key": (_NUMBER, _AT, _BYTES, _SIZE_AT),
    "EVP_PKEY_free": (None, _AT),
    "EVP_MD_CTX_new": (_AT,),
    "EVP_MD_CTX_free": (None, _AT),
    "EVP_DigestSignInit": (_NUMBER, _AT, _AT, _AT, _AT, _AT),
    "EVP_DigestSign": (_NUMBER, _AT, _BYTES, _SIZE_AT, _BYTES, _SIZE),
}


@cache
def _openssl() -> ctypes.CDLL | None:
    """None where Python has an OpenSSL inside itself, or none."""
    try:
        library = ctypes.CDLL(import_module("_hashlib").__file__)
        for name, (result, *arguments) in _CALLS.items():
            call = getattr(library, name)
            call.restype, call.argtypes = result, arguments
    except (ImportError, AttributeError, OSError):
        return None
    return library


def _other(seed: bytes) -> "Ed25519PrivateKey":
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    return Ed25519PrivateKey.from_private_bytes(seed)


@contextmanager
def _key(library: ctypes.CDLL, seed: bytes) -> Iterator[int]:
    key = library.EVP_PKEY_new_raw_private_key(_KIND, None, seed, len(seed))
    if not key:
        raise ValueError("OpenSSL does not take the key")
    try:
        yield key
    finally:
        library.EVP_PKEY_free(key)


def public_key(seed: bytes) -> bytes:
    """The 32 bytes of the public key of these 32 bytes. Raises ValueError."""
    library = _openssl()
    if library is None:
        return _other(seed).public_key().public_bytes_raw()
    out, size = ctypes.create_string_buffer(PUBLIC_BYTES), ctypes.c_size_t(PUBLIC_BYTES)
    with _key(library, seed) as key:
        if library.EVP_PKEY_get_raw_public_key(key, out, size) != 1:
            raise ValueError("OpenSSL makes no public key")
    return out.raw


def sign(seed: bytes, message: bytes) -> bytes:
    """The 64 bytes of the signature. Raises ValueError."""
    library = _openssl()
    if library is None:
        return _other(seed).sign(message)
    out, size = ctypes.create_string_buffer(SIGNATURE_BYTES), ctypes.c_size_t(SIGNATURE_BYTES)
    with _key(library, seed) as key:
        context = library.EVP_MD_CTX_new()
        try:
            done = library.EVP_DigestSignInit(context, None, None, None, key) == 1
            if not done or library.EVP_DigestSign(context, out, size, message, len(message)) != 1:
                raise ValueError("OpenSSL does not sign")
        finally:
            library.EVP_MD_CTX_free(context)
    return out.raw
