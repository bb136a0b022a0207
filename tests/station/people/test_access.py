"""Signing in as a whole, with a clock that is given, and hashes that are real but cheap."""

from pathlib import Path

import pytest
from argon2 import PasswordHasher

from station.errors import InputError
from station.people import secrets
from station.people.access import Access, Refused, SignedIn
from station.people.lockout import TRIES, WINDOW_S
from station.people.people import DEMO_PEOPLE, Role
from station.people.store import People

PIN, PHRASE = "481630", "heron on the mud"


class Shop:
    """An owner and two technicians, one of whom has chosen a PIN."""

    def __init__(self, path: Path) -> None:
        self.now_s = 0.0
        self.people = People(path)
        self.access = Access(self.people, lambda: self.now_s)
        code = self.access.first_code or ""
        self.owner = self.access.claim("E. Brandvold", code, PHRASE, None, None)
        self.okafor = self.access.claim(
            "M. Okafor", self.access.add("M. Okafor", Role.TECHNICIAN), PIN, None, None
        )
        self.new_code = self.access.add("J. Lindqvist", Role.TECHNICIAN)

    def is_in(self, signed: SignedIn) -> bool:
        return self.access.session(signed.token) is not None

    def refused(self, name: str, secret: str, device: str | None = None) -> bool:
        try:
            self.access.sign_in(name, secret, None, device)
        except Refused:
            return True
        return False


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(secrets, "_hasher", PasswordHasher(1, 8, 1))


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path / "people.json")


def test_the_code_of_the_first_start_makes_one_owner(tmp_path: Path) -> None:
    access = Access(People(tmp_path / "people.json"))
    code = access.first_code
    assert code is not None
    assert access.wants_first_owner
    with pytest.raises(Refused):
        access.claim("E. Brandvold", "2222-2222-2222", PHRASE, None, None)
    with pytest.raises(InputError):
        access.claim("E. Brandvold", code, "short", None, None)
    signed = access.claim("E. Brandvold", code.lower(), PHRASE, None, None)
    assert signed.person.role is Role.OWNER
    assert access.session(signed.token) is not None
    assert not access.wants_first_owner
    with pytest.raises(Refused):
        access.claim("M. Okafor", code, "another passphrase", None, None)
    assert Access(People(tmp_path / "people.json")).first_code is None


def test_the_first_code_cannot_be_guessed_at_leisure(tmp_path: Path) -> None:
    access = Access(People(tmp_path / "people.json"), lambda: 0.0)
    for _ in range(TRIES):
        with pytest.raises(Refused):
            access.claim("E. Brandvold", "2222-2222-2222", PHRASE, None, None)
    with pytest.raises(Refused, match="Too many"):
        access.claim("E. Brandvold", access.first_code or "", PHRASE, None, None)


def test_signing_in_and_out(shop: Shop) -> None:
    signed = shop.access.sign_in("M. Okafor", PIN, None, None)
    assert shop.is_in(signed)
    shop.access.sign_out(signed.token)
    assert not shop.is_in(signed)
    assert shop.is_in(shop.okafor), "another device of the same person"


@pytest.mark.parametrize(
    ("name", "secret"),
    [("M. Okafor", "481631"), ("M. Okafor", ""), ("M. Okafor", PHRASE), ("nobody", PIN), ("", PIN),
     ("J. Lindqvist", PIN), ("J. Lindqvist", ""), ("m okafor", PIN), ("M. Okafor", "4" * 10_000)],
)  # fmt: skip
def test_a_wrong_name_or_secret_is_told_apart_by_nothing(shop: Shop, name: str, secret: str) -> None:
    with pytest.raises(Refused, match="do not go together"):
        shop.access.sign_in(name, secret, None, None)


def test_a_stranger_locks_nobody_out_of_the_shops_own_screen(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked_at: list[str] = []
    really = secrets.matches

    def told(kept: str, secret: str) -> bool:
        looked_at.append(secret)
        return really(kept, secret)

    monkeypatch.setattr(secrets, "matches", told)
    for n in range(200):
        assert shop.refused("M. Okafor", f"{n:06d}")
    assert len(looked_at) == TRIES
    assert shop.refused("M. Okafor", PIN), "from an unknown device, right or wrong"
    assert not shop.refused("M. Okafor", PIN, shop.okafor.device)
    shop.now_s += WINDOW_S
    assert not shop.refused("M. Okafor", PIN)


def test_a_known_device_is_known_for_those_who_used_it_alone(shop: Shop) -> None:
    """Else every technician had tries at the owner's passphrase for each device that they sign in on."""
    for _ in range(TRIES):
        assert shop.refused("E. Brandvold", "wrong one", shop.okafor.device)
    assert shop.refused("E. Brandvold", PHRASE, shop.okafor.device)
    shared = shop.access.sign_in("M. Okafor", PIN, None, shop.owner.device)
    assert not shop.refused("E. Brandvold", PHRASE, shared.device)
    assert not shop.refused("M. Okafor", PIN, shared.device)


def test_a_made_up_device_is_a_stranger(shop: Shop) -> None:
    text, _, seal = shop.okafor.device.partition(".")
    for shown in ("", "x", ".", f"{text}.", f"{text}.{'0' * 64}", f"{text[:-4]}AAAA.{seal}", f"{text}.é"):
        shop.refused("M. Okafor", "wrong", shown)
    assert shop.refused("M. Okafor", PIN, f"{text}.{'0' * 64}")


def test_unlocking_at_the_pi_gives_the_tries_back(shop: Shop) -> None:
    for _ in range(TRIES):
        shop.refused("M. Okafor", "wrong")
    assert shop.refused("M. Okafor", PIN)
    People(shop.people.path).unlock("M. Okafor")
    assert not shop.refused("M. Okafor", PIN)


def test_another_secret_ends_every_session_but_the_one_that_chose_it(shop: Shop) -> None:
    other = shop.access.sign_in("M. Okafor", PIN, None, None)
    session = shop.access.session(other.token)
    assert session is not None
    changed = shop.access.change_secret(session, PIN, "730915", other.token, other.device)
    assert [shop.is_in(one) for one in (shop.okafor, other, changed)] == [False, False, True]
    assert shop.refused("M. Okafor", PIN)
    assert not shop.refused("M. Okafor", "730915")


def test_another_secret_needs_the_old_one(shop: Shop) -> None:
    session = shop.access.session(shop.okafor.token)
    assert session is not None
    with pytest.raises(Refused):
        shop.access.change_secret(session, "000000", "730915", shop.okafor.token, None)
    with pytest.raises(InputError):
        shop.access.change_secret(session, PIN, "123456", shop.okafor.token, None)
    assert not shop.refused("M. Okafor", PIN)


def test_a_code_serves_once(shop: Shop) -> None:
    shop.access.claim("J. Lindqvist", shop.new_code, "730915", None, None)
    with pytest.raises(Refused):
        shop.access.claim("J. Lindqvist", shop.new_code, "730916", None, None)
    assert not shop.refused("J. Lindqvist", "730915")


def test_a_code_of_somebody_else_serves_nobody(shop: Shop) -> None:
    with pytest.raises(Refused):
        shop.access.claim("M. Okafor", shop.new_code, "730915", None, None)
    assert shop.is_in(shop.okafor)


def test_a_code_grows_old(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("station.people.store.CODE_HOURS", -1)
    code = shop.access.reset("M. Okafor")
    with pytest.raises(Refused, match="too old"):
        shop.access.claim("M. Okafor", code, "730915", None, None)


def test_a_reset_ends_sessions_and_the_old_secret(shop: Shop) -> None:
    code = shop.access.reset("M. Okafor")
    assert not shop.is_in(shop.okafor)
    assert shop.refused("M. Okafor", PIN)
    assert shop.is_in(shop.access.claim("M. Okafor", code, "730915", None, None))


def test_proving_gives_a_new_token(shop: Shop) -> None:
    session = shop.access.session(shop.owner.token)
    assert session is not None
    shop.now_s += 601.0
    assert not shop.access.may_do_grave(session)
    proved = shop.access.prove(session, PHRASE, shop.owner.token, None)
    assert shop.access.may_do_grave(shop.access.session(proved.token))
    assert not shop.is_in(shop.owner)
    assert not shop.access.may_do_grave(None)


def test_saying_a_name_is_enough_on_the_simulated_bay_alone(shop: Shop) -> None:
    simulated = Access(None)
    assert {tile.asks for tile in simulated.tiles()} == {"nothing"}
    signed = simulated.say(DEMO_PEOPLE[0].name, None)
    session = simulated.session(signed.token)
    assert session is not None
    assert session.person == DEMO_PEOPLE[0]
    assert simulated.may_do_grave(None)
    with pytest.raises(InputError):
        simulated.say("nobody", None)
    with pytest.raises(Refused):
        simulated.sign_in(DEMO_PEOPLE[0].name, "", None, None)
    with pytest.raises(Refused):
        shop.access.say("E. Brandvold", None)


def test_a_wrong_code_is_told_as_one(shop: Shop) -> None:
    """ "Name and secret do not go together" stood there, and the secret was what had just been chosen."""
    for name in ("J. Lindqvist", "nobody at all"):
        with pytest.raises(Refused, match="Name and code do not go together"):
            shop.access.claim(name, "AAAA-BBBB-CCCC", "553311", None, None)


def test_a_name_is_known_as_a_phone_writes_it(shop: Shop) -> None:
    """At the roll-up it is typed: a phone puts a space behind it, and begins it small."""
    for typed in ("E. Brandvold ", "  e. brandvold"):
        assert shop.access.sign_in(typed, PHRASE, None, None).person.name == "E. Brandvold"
    for typed in ("M. Okafor", "m. okafor", "M.  OKAFOR ") * 40:
        with pytest.raises(Refused):
            shop.access.sign_in(typed, "000000", None, None)
    assert shop.access.is_locked("M. Okafor"), "each way to write it had tries of its own"


def test_tiles_say_what_is_asked(shop: Shop) -> None:
    assert {tile.person.name: tile.asks for tile in shop.access.tiles()} == {
        "E. Brandvold": "passphrase",
        "J. Lindqvist": "code",
        "M. Okafor": "pin",
    }
    shop.people.set_role("M. Okafor", Role.MANAGER)
    assert {tile.person.name: tile.asks for tile in shop.access.tiles()}["M. Okafor"] == "help"
