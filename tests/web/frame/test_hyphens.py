"""Long words of a page may break at a syllable, and nothing but its words is touched."""

from dataclasses import replace

from station.common import words
from station.record.archive import Entry
from tests.web.conftest import Bay
from tests.web.fake_engine import job_record
from tests.web.fake_views import JOB_ID
from web.frame.hyphens import SOFT, hyphened


def test_a_long_word_of_a_cell_may_break_and_its_page_says_the_same() -> None:
    page = '<th scope="col" class="amount">Referenztemperatur</th><td data-label="Wiederholbarkeit">klein<br>Kalibrierschein</td>'
    said = hyphened(page, "de")
    assert said.replace(SOFT, "") == page
    assert f"Refe{SOFT}renz{SOFT}tem{SOFT}pe{SOFT}ratur" in said
    assert SOFT in said.split('data-label="')[1].split('"')[0]
    assert SOFT in said.split("<br>")[1]


def test_what_is_no_word_of_a_page_and_a_language_without_syllables_are_left_alone() -> None:
    page = '<a href="/einstellungenundmehr">kurz</a><th data-name="Referenztemperatur">kurz</th><pre>Referenztemperatur</pre>'
    assert hyphened(page, "de") == page
    assert hyphened("<th>Referenztemperatur</th>", "xx") == "<th>Referenztemperatur</th>"


def test_pages_of_another_language_have_them_and_the_sources_own_none(bay: Bay) -> None:
    noted = Entry("2026-11-25T10:05:00.000Z", "note", "closed as it is: drum empty")
    bay.engine.records[JOB_ID] = replace(job_record(), events=(noted,))
    page = bay.html(f"/jobs/{JOB_ID}").text
    assert "closed as it is: drum empty" in page
    assert SOFT not in page
    words.speak("de")
    try:
        page = bay.html(f"/jobs/{JOB_ID}").text
        assert SOFT in page
        assert "abgeschlossen, wie er ist: drum empty" in page.replace(SOFT, "")
    finally:
        words.speak(words.SOURCE)
