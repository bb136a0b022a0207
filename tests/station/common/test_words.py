"""The shop's language: each catalogue is whole, and a sentence is said in the language that was chosen."""

import string
from collections.abc import Iterator

import pytest
from babel.messages.catalog import Message

from station.common import words
from station.common.words import DOMAINS, N_, SOURCE, _, languages, ngettext
from station.errors import InputError
from tests.catalogue import extracted, forms, kept

FOREIGN = [one for one in languages() if one != SOURCE]


@pytest.fixture(autouse=True)
def source_again() -> Iterator[None]:
    yield
    words.speak(SOURCE)


def placeholders(text: str) -> set[str]:
    return {name for _text, name, _spec, _how in string.Formatter().parse(text) if name is not None}


def key(message: Message) -> tuple[str, ...]:
    return tuple(forms(message.id))


@pytest.mark.parametrize("language", FOREIGN)
@pytest.mark.parametrize("domain", DOMAINS)
def test_a_catalogue_has_every_message_of_the_source_and_no_other(language: str, domain: str) -> None:
    said = {key(one) for one in extracted(domain) if one.id}
    has = {key(one) for one in kept(language, domain) if one.id}
    assert said == has, "run make words, and write what it leaves empty"


@pytest.mark.parametrize("language", FOREIGN)
@pytest.mark.parametrize("domain", DOMAINS)
def test_every_message_is_written_with_the_blanks_of_its_source(language: str, domain: str) -> None:
    for one in kept(language, domain):
        if not one.id:
            continue
        assert not one.fuzzy, one.id
        for text in forms(one.string):
            assert text.strip(), one.id
            assert placeholders(text) == placeholders(forms(one.id)[-1]), one.id


@pytest.mark.parametrize("language", FOREIGN)
def test_a_message_of_two_catalogues_is_said_alike(language: str) -> None:
    said: dict[tuple[str, ...], object] = {}
    for domain in DOMAINS:
        for one in kept(language, domain):
            if one.id:
                assert said.setdefault(key(one), one.string) == one.string, one.id


def test_a_language_is_spoken_from_the_moment_it_is_chosen() -> None:
    constant = N_("Sign in")
    assert _(constant) == "Sign in"
    words.speak("de")
    assert _(constant) == "Anmelden"
    assert (words.spoken().decimal, words.spoken().group) == (",", ".")
    assert ngettext("{n} of these", "{n} of those", 1) == "{n} of these"  # in no catalogue: the source's
    words.speak(SOURCE)
    assert _(constant) == "Sign in"


def test_nothing_stays_nothing() -> None:
    words.speak("de")
    assert _("") == ""


def test_a_language_without_a_catalogue_is_refused_with_those_that_there_are() -> None:
    with pytest.raises(InputError, match=r"language is 'xx', expected one of: en, de"):
        words.speak("xx")
