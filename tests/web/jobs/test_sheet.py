"""The sheet: one page for the customer, one for the expert, also as a PDF on either paper."""

import re
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from station.__main__ import main
from station.bay.records import Kept
from station.core.replay import replay
from station.errors import StationError
from station.figures import balance
from station.given import recording
from station.given.config import demo_path, read_config
from station.given.job import read_job
from station.given.report import InPan, PanStep, Report, Spoke, Told
from station.record.ledger import job_row, now
from station.record.recorder import Recorder
from station.shop import catalogue, offered
from web.frame.render import render
from web.jobs import pdf
from web.jobs.sheet import LINES, SheetPage, lines_of, sheet_page

DATA = Path(__file__).parents[2] / "data"
LABELS = {
    "vehicle": "Bus 12",
    "compartment": "rear axle",
    "technician": "M. Okafor",
    "drained_fluid": "Gear oil 75W-90, used",
    "fresh_fluid": "Gear oil 75W-90, fresh",
}
CERTIFICATES = {"pan": f"PAN-2026-03 sha256:{'ab12' * 16}", "meter": f"MET-2026-02 sha256:{'cd34' * 16}"}
INTERVAL = {"interval_distance": "60000 km", "interval_months": "24"}
LONG = "Thermometer, supply: no reading for 12.4 s. Check its cable and connector. "


def crowded(report: Report) -> Report:
    """As much as a job can have: two pans, every witness, many runs, steps and notices."""
    names = "expected drained meter lip level container pump history".split()
    return replace(
        report,
        verdict="undecided",
        pans=(InPan("pan", 1.85, 0.01, 0.112, 0.009), InPan("pan_b", 1.0, 0.008, None, None)),
        verdict_text=LONG * 2,
        witnesses=tuple(
            replace(
                report.witnesses[0],
                name=name,
                word=f"came to -1.6 % of it. {LONG}",
                settles=f"Look it up. {LONG}",
            )
            for name in names
        ),
        pump_runs=report.pump_runs * 8,
        narrows=LONG * 3,
        notices=(*(Told("silent", LONG * 4, float(n)) for n in range(11)), Told("lid", "Lid is open.", 12.0)),
        steps=tuple(PanStep(f"s{n}", "gulp", float(n), 1.234, 0.617, None, True, True) for n in range(12)),
    )


def worded(report: Report) -> Report:
    """With nothing on the pan, which leaves four lines more to what the witnesses say."""
    said = [
        replace(one, word="full", settles=f"Look it up. {LONG}"[:80] if n in (0, 2, 6, 7) else "")
        for n, one in enumerate(report.witnesses)
    ]
    return replace(report, witnesses=tuple(said), steps=())


def contradicted(report: Report) -> Report:
    def doubted(one: Spoke) -> Spoke:
        return replace(one, p_sound=0.01) if one.name == "meter" else one

    return replace(report, witnesses=tuple(map(doubted, report.witnesses)))


TIGHTENED = ("drain plug 35 N·m, with a new ring", "fill plug 35 N·m, with a new ring, by hand")
"""Two lines of a sheet's first page, which has its most lines of text with them."""


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """A record with the job of tests/data as it was, ``plain``, and with all that a job can have, ``crowded``."""
    config = read_config(demo_path())
    path = tmp_path_factory.mktemp("sheet") / "l.sqlite"
    spec = replace(read_job(DATA / "bus7_axle.toml"), labels=LABELS, certificates=CERTIFICATES)
    samples = recording.read(DATA / "bus7_axle.csv")
    report = balance.report(replay(spec, samples))
    recorder = Recorder(path, lambda text: None, "0123456789abcdef" * 4)
    listed = [*offered.from_config(config)]
    listed.append(catalogue.Change("compartment", ("Bus 12", "rear axle"), "change", INTERVAL))
    recorder.event(None, catalogue.EVENT, catalogue.body(listed, "configuration"), now(0.0))
    for job_id, of_job in (
        ("plain", report),
        ("crowded", crowded(report)),
        ("worded", worded(crowded(report))),
        ("off", contradicted(report)),
    ):
        labels = LABELS if job_id == "plain" else {**LABELS, "technician": "M. Okafor, " * 6}
        tables = replace(spec, labels=labels).to_table()
        recorder.event(job_id, "job_open", {**tables, "backend": "simulated"}, now(0.0))
        for sample in samples:
            recorder.sample(job_id, sample)
        looked = {"colour": "brown", "smell": "usual", "metal": "fine paste", "milky": True, "note": ""}
        recorder.event(job_id, "condition", looked, now(0.0))
        for torque in ("cover bolts 42 N·m",) if job_id in ("plain", "off") else TIGHTENED:
            recorder.event(job_id, "note", {"text": f"torque: {torque}"}, now(0.0))
        at = now(1.0)
        recorder.result(job_id, of_job, job_row(job_id, at.utc, at.utc, LABELS, of_job), at)
    recorder.close()
    return Kept(replace(config, ledger=path))


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", html)).replace("\u00a0", " ")


def pages_of(page: SheetPage) -> tuple[str, str]:
    front, back = render("sheet.html", page=page).split("For the expert")
    return text_of(front), text_of(back)


def test_the_first_page_says_in_plain_words_what_a_customer_asks(kept: Kept) -> None:
    page = sheet_page(kept, "plain")
    front, back = pages_of(page)
    assert page.front.still is not None
    for words in (
        "Saltings Community Buses",
        "Depot, 2 Reedbank Lane",
        "Simulated bay: no vehicle was served.",
        "L of Gear oil 75W-90, used",
        "Brown, milky, usual smell, fine paste on the magnet. Milky: water in the fluid.",
        "or after another 60 000 km (37 282 mi), whichever comes first",
        "pan by certificate PAN-2026-03, meter by certificate MET-2026-02",
        "cover bolts 42 N·m",
        "watched for 12 s, too short to say",
    ):
        assert words in front, words
    for words in ("K-factor", "sha256", "u = ", "Software"):
        assert words not in front, words
        assert words in back, words
    assert page.checkpoint is not None
    assert page.checkpoint.text.splitlines()[0] in back


def test_a_meter_that_others_contradict_is_named_where_its_figure_stands(kept: Kept) -> None:
    def went_in(job_id: str) -> str:
        return next(fact.value for fact in sheet_page(kept, job_id).front.rows if fact.label == "Went in")

    assert "contradict" not in went_in("plain")
    assert "by the meter, which other witnesses contradict: see page 2" in went_in("off")


@pytest.mark.parametrize(
    ("job_id", "paper", "wide"),
    [("crowded", "a4", 595), ("crowded", "letter", 612), ("worded", "letter", 612)],
)
def test_with_all_that_a_job_can_have_it_is_two_pages_of_either_paper(
    kept: Kept, tmp_path: Path, job_id: str, paper: str, wide: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two real PDFs, by the command as a person gives it."""
    file = tmp_path / "sheet.pdf"
    ledger = str(kept.config.ledger)
    assert main(["sheet", job_id, "--ledger", ledger, "--pdf", str(file), "--paper", paper]) == 0
    assert str(file) in capsys.readouterr().out
    pages = PdfReader(file).pages
    assert len(pages) == 2
    assert round(float(pages[0].mediabox.width)) == wide
    front, back = (re.sub(r"\s+", " ", page.extract_text()) for page in pages)
    shown = sheet_page(kept, job_id).front
    assert lines_of(shown.told, shown.rows) == LINES, "the most beside which the curve still has its place"
    assert shown.still is not None
    stated = {fact.label: fact.value for fact in shown.rows}
    assert stated["Went in"] in front
    assert stated["Came out"] in front
    assert "Print this sheet" not in front, "the style sheet of paper was not read"
    assert "Witnesses of the fill" in back
    assert "0123456789abcdef" in back
    assert "Pan 1.850 ± 0.010 L drained, 0.112 ± 0.009 L run over" in back
    assert "Second pan 1.000 ± 0.008 L drained, – run over" in back
    assert "10 more in the job's record" in back
    assert "Lid is open." in back, "told once, and before what was told eleven times is told again"
    cut = any(line.settles.endswith("…") for line in sheet_page(kept, job_id).back.witnesses)
    assert cut == (job_id == "crowded")


def test_the_command_says_it_as_text_and_names_a_job_that_is_not_there(
    kept: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    ledger = str(kept.config.ledger)
    assert main(["sheet", "plain", "--ledger", ledger]) == 0
    told = capsys.readouterr().out
    assert "Bus 12 · rear axle" in told
    assert re.search(r"^Job plain · \d{4}-\d\d-\d\d \d\d:\d\d · \S", told, re.M)
    assert re.search(r"P\(within\) (above|below)?.{1,4}%, P\(over\)", told)
    assert main(["sheet", "nothing", "--ledger", ledger]) == 2
    assert "there is no job 'nothing'" in capsys.readouterr().err


def test_without_weasyprint_or_its_library_a_sentence_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pdf, "find_spec", lambda name: None)
    with pytest.raises(StationError, match="sudo apt install libpango"):
        pdf.pdf_of("<p>", "a4")
    monkeypatch.undo()
    missing = subprocess.CompletedProcess([], pdf.MISSING, b"", b"")
    monkeypatch.setattr(subprocess, "run", lambda *_, **__: missing)
    with pytest.raises(StationError, match="libpangoft2"):
        pdf.pdf_of("<p>", "a4")


def test_a_pdf_that_takes_too_long_is_given_up_and_the_next_one_may_begin(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pdf, "LIMIT_S", 0.01)
    for _ in range(2):
        with pytest.raises(StationError, match="was given up"):
            pdf.pdf_of("<p>", "a4")


@pytest.mark.parametrize(
    "url", ["file:///etc/hostname", "http://elsewhere.example/x.css", "https://sheet.invalid/../../etc/hostname",
            "https://sheet.invalid/static/../templates/base.html", "https://sheet.invalid/jobs/sheet.py"],
)  # fmt: skip
def test_it_reaches_for_nothing_but_the_pages_own_files(url: str) -> None:
    with pytest.raises(ValueError, match="none of the pages' own files"):
        pdf.own_file(url)
    assert pdf.own_file("https://sheet.invalid/static/sheet.css").name == "sheet.css"


def test_the_shops_own_name_is_changed_in_set_up_and_goes_before_the_bays_file(kept: Kept) -> None:
    present: Any = kept.catalogue()
    assert offered.merged(kept.config, present).shop.name == "Saltings Community Buses"
    change = catalogue.Change("shop", offered.THIS_SHOP, "change", {"name": "Saltings Buses, bay 2"})
    entries = {name: dict(rows) for name, rows in present.entries.items()}
    catalogue.apply(entries, change.to_dict(), "2026-11-26T10:00:00+00:00")
    shop = offered.merged(kept.config, catalogue.Catalogue(entries)).shop
    assert (shop.name, shop.address) == ("Saltings Buses, bay 2", "Depot, 2 Reedbank Lane")
