"""Jobs of many bays: reached from every list, looked for by words, and one job's page."""

import re
from contextlib import closing
from html import unescape
from pathlib import Path

import pytest

from station.record.ledger import Ledger, Moment
from tests.web.shop.many.conftest import MONTHS, SHOW, Roll
from web.shop.many import jobs


def test_a_jobs_page_leads_with_its_verdict_and_folds_its_log(roll: Roll, path: Path) -> None:
    roll.take(path, roll.tokens[0])
    worst = roll.send("GET", f"/quality.json?{MONTHS}").json()["short"][0]
    text = roll.send("GET", f"/jobs/harbour/bay-1/{worst['job_id']}", headers=SHOW).text
    box = text.partition('<div class="verdict" data-tone="short">')[2].partition("</div>")[0]
    assert re.search(r"missing, level not seen.*: top up before the vehicle leaves", box)
    assert text.index("verdict") < text.index("<h2>Figures</h2>") < text.index('<details class="more"')
    assert worst["technician"] in text
    assert "note 0: é" in text.partition('<details class="more"')[2]


def test_a_verdict_that_is_none_is_refused_as_any_other_wrong_word(roll: Roll) -> None:
    reply = roll.send("GET", "/jobs.json?verdict=kurz")
    assert (reply.status_code, "full, short, over" in reply.text) == (400, True)


def test_one_job_is_reached_from_every_list(roll: Roll, path: Path) -> None:
    with closing(Ledger(path)) as ledger:
        kept, gone = (row.job_id for row in ledger.jobs(2))
        at = Moment("boot", 99.0, "2026-03-02T08:00:00.000+00:00", True)
        ledger.append(None, "samples_let_go", {"rule": "old", "jobs": {gone: 12}}, at)
    roll.take(path, roll.tokens[1])
    for job_id, said in ((kept, "Its curve and its sheet"), (gone, "Its sheet")):
        text = roll.send("GET", f"/jobs/quay/bay-9/{job_id}", headers=SHOW).text
        assert f'href="http://127.0.0.1:9/jobs/{job_id}">{said}, at the bay itself<' in text
        assert ("there is no curve of it any more" in text) == (job_id == gone)
    told = roll.send("GET", f"/jobs/quay/bay-9/{gone}.json").json()["samples_let_go"]
    assert told == {"utc": "2026-03-02T08:00:00.000+00:00", "rule": "old"}
    [first, *_] = roll.send("GET", f"/jobs.json?{MONTHS}").json()
    address = f"/jobs/{first['shop']}/{first['bay']}/{first['job_id']}"
    html = roll.send("GET", address, headers=SHOW)
    assert "note 2: é, 漢" in html.text
    assert "± " in html.text
    assert address in roll.send("GET", f"/jobs?{MONTHS}", headers=SHOW).text
    assert roll.send("GET", f"{address}.json").json()["entries"][0]["kind"] == "job_open"
    assert roll.send("GET", "/jobs/quay/bay-9/none", headers=SHOW).status_code == 404
    older = roll.send("GET", f"/jobs?{MONTHS}", headers=SHOW).text.partition("before=")[2].partition('"')[0]
    page = roll.send("GET", f"/jobs?{MONTHS}&before={older}", headers=SHOW)
    assert page.text.count("rear axle") == 10
    for query in ("month=March", "months=99", "shop=hill", "before=x"):
        assert roll.send("GET", f"/jobs?{query}").status_code in (400, 422), query


def test_words_are_looked_for_so_far_and_then_on(
    roll: Roll, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    roll.take(path, roll.tokens[0])
    monkeypatch.setattr(jobs, "LOOKED", 25)
    query, shown = f"{MONTHS}&q=okafor+us+7", []
    page = roll.send("GET", f"/jobs?{query}", headers=SHOW).text
    assert 'name="q" value="okafor us 7"' in page
    assert "The newest 25 jobs were looked through, back to" in page
    assert "in all" not in page
    while True:
        shown += re.findall(r'href="/jobs/harbour/bay-1/(001-[0-9]+)"', page)
        if (further := re.search(r'href="([^"]*)">Go on looking', page)) is None:
            break
        page = roll.send("GET", unescape(further[1]), headers=SHOW).text
    told = roll.send("GET", f"/jobs.json?{query}").json()
    assert {one["vehicle"] for one in told} == {"Bus 7", "Bus 17", "Bus 27"}
    assert {one["technician"] for one in told} == {"M. Okafor"}
    assert shown == [one["job_id"] for one in told]
    rows = roll.send("GET", f"/jobs.csv?{query}").text.splitlines()
    assert len(rows) == 1 + len(told)
