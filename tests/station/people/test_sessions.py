"""Sessions: goal W6. What is over stays over, by an injected clock."""

import math

import pytest

from station.people.people import Person, Role
from station.people.sessions import ABSOLUTE_S, IDLE_S, MOST, OF_ONE, PROVED_S, Sessions

OKAFOR = Person("M. Okafor", Role.TECHNICIAN)


class Shop:
    def __init__(self) -> None:
        self.now_s = 1000.0
        self.sessions = Sessions(lambda: self.now_s)
        self.people: dict[str, tuple[Person, int]] = {OKAFOR.name: (OKAFOR, 1)}

    def get(self, token: str | None) -> Person | None:
        session = self.sessions.get(token, self.people.get)
        return None if session is None else session.person


@pytest.fixture
def shop() -> Shop:
    return Shop()


def test_tokens_are_long_and_never_the_same(shop: Shop) -> None:
    tokens = {shop.sessions.begin(OKAFOR, 1) for _ in range(150)}
    assert len(tokens) == 150
    # Letters of base 64, six bits each.
    assert all(len(token) * math.log2(64) >= 128 for token in tokens)


@pytest.mark.parametrize("token", [None, "", "x", "A" * 43])
def test_what_was_never_given_out_opens_nothing(shop: Shop, token: str | None) -> None:
    shop.sessions.begin(OKAFOR, 1)
    assert shop.get(token) is None


def test_signing_in_again_ends_the_token_before(shop: Shop) -> None:
    first = shop.sessions.begin(OKAFOR, 1)
    second = shop.sessions.begin(OKAFOR, 1, instead_of=first)
    assert (shop.get(first), shop.get(second)) == (None, OKAFOR)


def test_two_devices_are_signed_in_side_by_side(shop: Shop) -> None:
    one, other = shop.sessions.begin(OKAFOR, 1), shop.sessions.begin(OKAFOR, 1)
    shop.sessions.end(one)
    assert (shop.get(one), shop.get(other)) == (None, OKAFOR)


def test_nobody_stays_signed_in_who_does_nothing(shop: Shop) -> None:
    token = shop.sessions.begin(OKAFOR, 1)
    shop.now_s += IDLE_S - 0.001
    assert shop.get(token) == OKAFOR
    shop.now_s += IDLE_S
    assert shop.get(token) is None
    shop.now_s -= 1.0
    assert shop.get(token) is None, "what is over does not come back"


def test_a_working_day_ends_even_for_the_busy(shop: Shop) -> None:
    token = shop.sessions.begin(OKAFOR, 1)
    for _ in range(int(ABSOLUTE_S / 600.0) - 1):
        shop.now_s += 600.0
        assert shop.get(token) == OKAFOR
    shop.now_s += 600.0
    assert shop.get(token) is None


@pytest.mark.parametrize(
    "now", [None, (OKAFOR, 2), (Person(OKAFOR.name, Role.OWNER), 1)], ids=["retired", "new secret", "role"]
)
def test_another_secret_another_role_or_leaving_ends_it(shop: Shop, now: tuple[Person, int] | None) -> None:
    token = shop.sessions.begin(OKAFOR, 1)
    before = shop.people.pop(OKAFOR.name)
    if now is not None:
        shop.people[OKAFOR.name] = now
    assert shop.get(token) is None
    shop.people[OKAFOR.name] = before
    assert shop.get(token) is None


def test_a_secret_counts_as_just_entered_for_ten_minutes(shop: Shop) -> None:
    token = shop.sessions.begin(OKAFOR, 1)
    session = shop.sessions.get(token, shop.people.get)
    assert session is not None
    shop.now_s += PROVED_S - 0.001
    assert shop.sessions.proved(session)
    shop.now_s += 0.001
    assert not shop.sessions.proved(session)


def test_a_flood_of_sessions_leaves_the_newest_and_signs_nobody_else_out(shop: Shop) -> None:
    other = Person("J. Lindqvist", Role.TECHNICIAN)
    shop.people[other.name] = (other, 1)
    of_other = shop.sessions.begin(other, 1)
    tokens = []
    for _ in range(1000):
        shop.now_s += 0.001
        tokens.append(shop.sessions.begin(OKAFOR, 1))
    assert shop.get(tokens[-1]) == OKAFOR
    assert shop.get(tokens[0]) is None
    assert shop.get(of_other) == other


def test_very_many_people_leave_the_newest(shop: Shop) -> None:
    for n in range(MOST + 1):
        one = Person(f"Nobody {n}", Role.MANAGER)
        shop.people[one.name] = (one, 1)
    tokens = []
    for one, version in list(shop.people.values())[1:]:
        shop.now_s += 0.001
        tokens.append(shop.sessions.begin(one, version))
    assert shop.get(tokens[0]) is None
    assert None not in map(shop.get, tokens[1:])


def test_who_has_most_of_their_own_signs_in_where_there_are_most_of_all(shop: Shop) -> None:
    of_own = [shop.sessions.begin(OKAFOR, 1) for _ in range(OF_ONE)]
    others = [Person(f"Nobody {n}", Role.MANAGER) for n in range(MOST - OF_ONE)]
    shop.people |= {one.name: (one, 1) for one in others}
    of_others = [shop.sessions.begin(one, 1) for one in others]
    assert shop.get(shop.sessions.begin(OKAFOR, 1)) == OKAFOR
    assert list(map(shop.get, of_own)).count(OKAFOR) == OF_ONE - 1
    assert list(map(shop.get, of_others)) == others
