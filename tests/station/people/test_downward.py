"""The shop's people and a bay's own: whose word stands, and that neither is lost."""

import json
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from hypothesis import given
from hypothesis import strategies as st

from station.errors import InputError
from station.people import downward, secrets
from station.people.access import Access, Refused
from station.people.downward import OfShop, meet
from station.people.people import Kept, Person, Role
from station.people.store import People

PIN, PHRASE, SHOP = "481630", "heron on the mud", "harbour"


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(secrets, "_hasher", PasswordHasher(1, 8, 1))


class House:
    """A roll-up with its people, and a bay of its shop that has an owner of its own."""

    def __init__(self, folder: Path) -> None:
        self.now_s = 0.0
        self.roll_up = People(folder / "roll-up.json", by=lambda: "R. Halloran-Mbeki")
        self.roll_up.add("R. Halloran-Mbeki", Role.OWNER, secret=secrets.hashed("the whole company"))
        self.bay = People(folder / "bay.json", by=lambda: "E. Brandvold")
        self.bay.add("E. Brandvold", Role.OWNER, secret=secrets.hashed(PHRASE))
        self.access = Access(self.bay, lambda: self.now_s)

    def enter(self, name: str, role: Role = Role.TECHNICIAN, secret: str = PIN) -> None:
        self.roll_up.add(name, role, secrets.hashed(secret), shops=[SHOP])

    def hear(self) -> list[tuple[str, str, str, str, str]]:
        """Bring the shop's people to the bay, over the wire; what that put down for its record."""
        before = self.bay.untold()
        told = downward.of_shop(self.roll_up.all(), SHOP, self.roll_up.version)
        assert self.bay.take(json.loads(json.dumps(told))) == self.roll_up.version == self.bay.take()
        new = self.bay.untold()[len(before) :]
        assert {change.by for change in new} <= {"roll-up"}
        return [(c.name, c.what, c.old, c.new, c.stands) for c in new]

    def may(self, name: str, secret: str = PIN) -> bool:
        self.now_s += 1000.0
        try:
            self.access.sign_in(name, secret, None, None)
        except Refused:
            return False
        return True


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path)


def test_one_secret_serves_at_the_roll_up_and_at_every_bay_also_when_the_line_is_cut(house: House) -> None:
    house.enter("M. Okafor")
    house.roll_up.add("J. Lindqvist", Role.TECHNICIAN, shops=["quay"])
    assert not house.may("M. Okafor")
    assert house.hear() == [("M. Okafor", "role", "", "technician", "")]
    assert house.may("M. Okafor")
    assert house.may("E. Brandvold", PHRASE), "the bay's own stay"
    assert not house.may("M. Okafor", "481631")
    assert {kept.person.name for kept in house.bay.all()} == {"E. Brandvold", "M. Okafor"}
    text = house.bay.path.read_text()
    assert "Halloran" not in text, "whoever sees the company is on no card"
    assert PIN not in text
    assert house.hear() == []


def test_a_code_stays_where_it_was_given(house: House) -> None:
    house.roll_up.add("M. Okafor", Role.TECHNICIAN, code="a hash of a code", shops=[SHOP])
    house.hear()
    kept = house.bay.get("M. Okafor")
    assert kept is not None
    assert (kept.secret, kept.code) == (None, None)
    asks = {tile.person.name: tile.asks for tile in house.access.tiles()}["M. Okafor"]
    assert asks == "shop", "whoever had just got a code was told at the bay that there was none any more"
    house.bay.set_code("M. Okafor", "a hash of the bay's own code")
    assert {tile.person.name: tile.asks for tile in house.access.tiles()}["M. Okafor"] == "code"


def test_whoever_leaves_the_shop_is_out_with_every_session(house: House) -> None:
    house.enter("M. Okafor")
    house.enter("J. Lindqvist")
    house.hear()
    sessions = [house.access.sign_in(name, PIN, None, None) for name in ("M. Okafor", "J. Lindqvist")]
    house.bay.set_secret("J. Lindqvist", secrets.hashed("730915"))  # said at the bay, with the line cut
    house.roll_up.retire("M. Okafor")
    house.roll_up.set_role("J. Lindqvist", Role.TECHNICIAN, ["quay"])
    assert [house.access.session(sessions[0].token) is not None] == [True], "nobody has told the bay yet"
    assert house.hear() == [
        ("J. Lindqvist", "role", "technician", "", "shop"),
        ("M. Okafor", "role", "technician", "", ""),
    ]
    assert [house.access.session(one.token) for one in sessions] == [None, None]
    assert not house.may("M. Okafor")
    assert not house.may("J. Lindqvist", "730915")


def test_another_secret_or_role_at_the_shop_ends_the_sessions_at_the_bay(house: House) -> None:
    house.enter("M. Okafor")
    house.hear()
    signed = house.access.sign_in("M. Okafor", PIN, None, None)
    house.roll_up.unlock("M. Okafor")
    assert house.hear() == []
    assert house.access.session(signed.token) is not None
    house.roll_up.set_secret("M. Okafor", secrets.hashed("730915"))
    house.hear()
    assert house.access.session(signed.token) is None
    assert (house.may("M. Okafor"), house.may("M. Okafor", "730915")) == (False, True)


def test_the_shops_word_stands_where_both_said_something_and_both_are_told(house: House) -> None:
    house.enter("M. Okafor", Role.MANAGER, PHRASE)
    house.hear()
    house.bay.set_role("M. Okafor", Role.QUALITY_LEAD)
    house.enter("J. Lindqvist")
    assert house.hear() == [("J. Lindqvist", "role", "", "technician", "")]
    kept = house.bay.get("M. Okafor")
    assert kept is not None
    assert kept.person.role is Role.QUALITY_LEAD, "the shop has said nothing new of her"
    house.roll_up.set_role("M. Okafor", Role.OWNER, [SHOP])
    assert house.hear() == [("M. Okafor", "role", "quality lead", "owner", "shop")]
    house.bay.add(
        "N. Adeyemi", Role.MANAGER, secret="the bay's"
    )  # before the shop knew her, otherwise written
    house.enter("n. adeyemi", Role.TECHNICIAN)
    told = house.hear()
    assert ("n. adeyemi", "role", "", "technician", "shop") in told
    assert ("N. Adeyemi", "role", "manager", "", "") in told
    assert house.may("n. adeyemi")


def test_whom_the_bay_took_out_stays_out_there_until_it_enters_them_again(house: House) -> None:
    house.enter("M. Okafor")
    house.hear()
    house.bay.retire("M. Okafor")
    house.roll_up.set_secret("M. Okafor", secrets.hashed("730915"))
    assert house.hear() == [("M. Okafor", "role", "", "technician", "bay")]
    assert not house.may("M. Okafor", "730915")
    assert house.hear() == [], "said once for each change at the shop"
    house.bay.add("M. Okafor", Role.TECHNICIAN)
    house.roll_up.set_secret("M. Okafor", secrets.hashed("264915"))
    assert house.hear() == [("M. Okafor", "secret", "none", "chosen", "shop")]
    assert house.may("M. Okafor", "264915")


def test_the_first_owner_is_set_up_though_the_shops_people_came_before(tmp_path: Path, house: House) -> None:
    fresh = People(tmp_path / "fresh.json")
    access = Access(fresh)
    house.enter("M. Okafor")
    fresh.take(downward.of_shop(house.roll_up.all(), SHOP, 1))
    assert access.wants_first_owner
    access.claim("E. Brandvold", access.first_code or "", PHRASE, None, None)
    assert not access.wants_first_owner
    assert fresh.has_owner()


@pytest.mark.parametrize(
    "people",
    [
        [{"name": "M. Okafor", "role": "king", "secret": None, "version": 1}],
        [{"name": "M. Okafor", "role": "owner", "secret": "481630", "version": 1}],
        [
            {
                "name": "M. Okafor",
                "role": "owner",
                "secret": PasswordHasher(1, 1024, 1).hash("x"),
                "version": 1,
            }
        ],
        [{"name": "two\x07", "role": "owner", "secret": None, "version": 1}],
        [{"name": n, "role": "owner", "secret": None, "version": 1} for n in ("M. Okafor", "m. okafor")],
        [{"name": "M. Okafor", "role": "owner", "secret": None, "version": 1, "code": "x"}],
        "everybody",
    ],
    ids=["role", "secret in clear", "a hash that takes more", "name", "twice", "code", "no list"],
)
def test_what_no_roll_up_tells_changes_nobody(house: House, people: object) -> None:
    before = house.bay.path.read_text()
    with pytest.raises(InputError):
        house.bay.take({"version": 5, "people": people})
    assert house.bay.path.read_text() == before


ENTRIES = st.dictionaries(
    st.sampled_from("abcd"), st.tuples(st.sampled_from(list(Role)), st.integers(0, 3)), max_size=4
)


@given(ENTRIES, ENTRIES, st.dictionaries(st.sampled_from("abcd"), st.integers(0, 3), max_size=4))
def test_meeting_twice_is_meeting_once_and_no_word_goes_unsaid(
    ours: dict[str, tuple[Role, int]], theirs: dict[str, tuple[Role, int]], heard: dict[str, int]
) -> None:
    here = {n: Kept(Person(n, role), "ours", version=v) for n, (role, v) in ours.items()}
    shop = [Kept(Person(n, role), "theirs", version=v) for n, (role, v) in theirs.items()]
    met = meet(here, OfShop(1, heard), 2, shop)
    again = meet(met.people, met.heard, 3, shop)
    assert (again.people, again.differed) == (met.people, ())
    assert met.people.keys() >= here.keys() - heard.keys(), "the bay's own"
    for name in heard.keys() - theirs.keys():
        assert name not in met.people
    for name in theirs.keys() & heard.keys() - here.keys():
        assert name not in met.people
    for name in theirs.keys() - heard.keys():
        assert met.people[name].secret == "theirs"
    lost = {n for n, kept in here.items() if met.people.get(n) != kept and heard.get(n) != kept.version}
    assert lost == {one.name for one in met.differed if one.stands == "shop"}
