import re
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import argon2
import pytest

from station.errors import InputError
from station.people import secrets
from station.people.people import Person, Role

TECHNICIAN, OWNER = Person("M. Okafor", Role.TECHNICIAN), Person("E. Brandvold", Role.OWNER)


def test_the_hash_is_argon2id_at_the_stated_cost_and_says_nothing_of_the_secret() -> None:
    kept = secrets.hashed("481630")
    about = argon2.extract_parameters(kept)
    assert about.type is argon2.Type.ID
    # The least that the OWASP Password Storage Cheat Sheet names, second hand: m = 19 MiB, t = 2, p = 1.
    assert (about.memory_cost, about.time_cost, about.parallelism) == (19456, 2, 1)
    assert "481630" not in kept
    assert kept != secrets.hashed("481630"), "salted"
    assert secrets.matches(kept, "481630")
    assert not secrets.matches(kept, "481631")


@pytest.mark.parametrize("kept", ["", "481630", "$argon2id$v=19$m=19456,t=2,p=1$AAAA$AAAA", "plain"])
def test_what_is_no_hash_matches_nothing(kept: str) -> None:
    assert not secrets.matches(kept, "481630")


def test_a_letter_typed_in_two_ways_is_one_letter() -> None:
    kept = secrets.hashed("fôret de chênes")
    assert secrets.matches(kept, "fo\u0302ret de che\u0302nes")


@pytest.mark.parametrize("pin", ["481630", "0000001234", "73918264"])
def test_a_good_pin(pin: str) -> None:
    secrets.check(TECHNICIAN, pin)


@pytest.mark.parametrize(
    "pin",
    [
        "",
        "48163",
        "48163a",
        "４８１６３０",
        "481 630",
        "000000",
        "121212",
        "123456",
        "987654",
        "890123",
        "1" * 129,
    ],
)
def test_a_bad_pin(pin: str) -> None:
    with pytest.raises(InputError):
        secrets.check(TECHNICIAN, pin)


@pytest.mark.parametrize("text", ["heron on the mud", "0123456789"])
def test_a_good_passphrase(text: str) -> None:
    secrets.check(OWNER, text)


@pytest.mark.parametrize("text", ["", "481630", "nine char", "aaaaaaaaaaaa", "E. Brandvold", "x" * 129])
def test_a_bad_passphrase(text: str) -> None:
    with pytest.raises(InputError):
        secrets.check(OWNER, text)


def test_codes_are_hard_to_guess_and_easy_to_read_out() -> None:
    codes = {secrets.new_code() for _ in range(1000)}
    assert len(codes) == 1000
    assert all(re.fullmatch(r"([2-9A-HJKMNP-TV-Z]{4}-){2}[2-9A-HJKMNP-TV-Z]{4}", code) for code in codes)
    code = codes.pop()
    assert secrets.code_as_typed(f" {code.lower().replace('-', ' ')} ") == code


def test_never_two_hashes_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    running, most, seen = 0, 0, threading.Lock()

    class Slow:
        def hash(self, secret: str) -> str:
            nonlocal running, most
            with seen:
                running += 1
                most = max(most, running)
            time.sleep(0.002)
            with seen:
                running -= 1
            return secret

    monkeypatch.setattr(secrets, "_hasher", Slow())
    with ThreadPoolExecutor(16) as pool:
        list(pool.map(secrets.hashed, ["x"] * 32))
    assert most == 1
