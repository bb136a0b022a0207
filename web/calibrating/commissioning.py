"""A bay commissioned on the page: eight steps, each of which can be left and gone on with another day, and a label."""

import json
import statistics
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import islice
from typing import Annotated, Literal

from fastapi import APIRouter, Request
from markupsafe import Markup
from pydantic import Field
from starlette.responses import JSONResponse, Response

from station.bay.commissioning import BY_HAND, TOUCHES, Progress, Steadiness, Step, phases
from station.bay.identity import short
from station.common import days
from station.common.words import N_, _
from web.calibrating import register
from web.frame import format as fmt
from web.frame import words
from web.frame.deps import Body, DiskThreads, Line, Remark, Station, do, done, is_simulated, page_of
from web.frame.port import Engine
from web.frame.problem import Problem

router = APIRouter()
changes = APIRouter(prefix="/api")

AGAIN_S = 2
"""How often the page looks anew while the station looks."""
RUNS = 5
TITLES = {
    Step.DEVICES: N_("Find what is wired"),
    Step.NAME: N_("Name the bay"),
    Step.PAN: N_("Calibrate the pan"),
    Step.METER: N_("Prove the meter by the pan"),
    Step.REST: N_("Leave the pan alone for an hour"),
    Step.STOPS: N_("Try the stop and the pendant"),
    Step.PUMP: N_("Learn the pump"),
    Step.PAPERS: N_("Print certificates and label"),
}
REST = {
    "empty": N_("Pan empty"),
    "loaded": N_("Pan loaded"),
    "empty_b": N_("Second pan empty"),
    "loaded_b": N_("Second pan loaded"),
}
LEAVE = {"empty": N_("Leave it alone, empty"), "loaded": N_("Leave it alone, loaded")}
STATES = {"done": N_("done"), "left out": N_("left out"), "open": N_("open")}
SIGNS = {"done": ("✓", "good"), "left out": ("–", "none"), "open": ("○", "due")}


@dataclass(frozen=True)
class Item:
    """One thing of a step. text: what was found, or what to do."""

    sign: str
    what: str
    text: str


@dataclass(frozen=True)
class Press:
    """A button. body: what it sends, as JSON."""

    label: str
    body: str


@dataclass(frozen=True)
class StepCard:
    """over: done or left out. by_hand: whether somebody says that it is done. links: where the step is done, with their words."""

    key: str
    number: int
    title: str
    state: str
    over: bool
    sign: str
    tone: str
    text: str
    items: Sequence[Item]
    presses: Sequence[Press]
    by_hand: bool
    links: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class CommissioningPage:
    """``/commissioning``. again: seconds until it looks anew; 0 where nothing is watched. all_done: nothing is open.
    wanted: the sources that this bay is wired to, which a simulated one's bench panel moves."""

    bay: str
    cards: Sequence[StepCard]
    again: int
    done: int
    all_done: bool
    simulated: bool
    wanted: Sequence[str]


@dataclass(frozen=True)
class Label:
    """``/commissioning/label``: what is stuck to the bay. rows: what, and what it says. drawing: the page's address.
    here_alone: no other machine reaches that."""

    bay: str
    rows: Sequence[tuple[str, str]]
    address: str
    drawing: Markup
    here_alone: bool


class Turn(Body):
    """what: look for moving devices, rest the pan in a phase, end either; or a step done, or left out; or all anew."""

    what: Literal["look", "rest", "end", "done", "left", "anew"]
    step: Annotated[Step | None, Field(strict=False)] = None
    phase: Line = ""
    remark: Remark = ""


HERE = ("127.0.0.1", "localhost", "::1")
"""Names by which a machine calls itself."""


def _send(label: str, **body: str) -> Press:
    return Press(label, json.dumps(body))


def _devices(wanted: Sequence[str], at: Progress, watching: str) -> tuple[list[Item], list[Press]]:
    items = []
    for source in wanted:
        let_go = TOUCHES[source].by is not None or source in at.released
        sign = "✓" if source in at.seen and let_go else "○"
        text = (
            (_("seen") if let_go else _("seen; now let go")) if source in at.seen else _(TOUCHES[source].do)
        )
        items.append(Item(sign, words.source(source), text))
    press = (
        _send(_("End looking"), what="end")
        if watching == "devices"
        else _send(_("Look while I touch them"), what="look")
    )
    return items, [press] if watching in ("", "devices") else []


def _steady_text(found: Steadiness, phase: str) -> str:
    moved = (
        _("{minutes:.0f} min: noise {noise}, zero moved by {moved}, {drift} an hour")
        if phase.startswith("empty")
        else _("{minutes:.0f} min: noise {noise}, load crept by {moved}, {drift} an hour")
    )
    told = moved.format(
        minutes=found.lasts_s / 60,
        noise=fmt.grams(found.noise_kg, places=1),
        moved=fmt.grams(found.creep_kg, signed=True, places=1),
        drift=fmt.grams(found.drift_kg_h, signed=True, places=1),
    )
    if found.warmed_c is None:
        return told
    return _("{told}; the air moved by {change} °C").format(told=told, change=fmt.decimal(found.warmed_c, 1))


def _rest(
    wanted: Sequence[str], at: Progress, watching: str, watched_s: float
) -> tuple[list[Item], list[Press]]:
    """Where there are two pans, both are left alone at once."""
    do = {
        "empty": _("take everything off the pan; an hour shows its zero's drift"),
        "loaded": _("put about the heaviest load on it; half an hour shows its creep"),
    }
    items, presses = [], []
    for phase in phases(wanted):
        found, both = at.rest.get(phase), phase.removesuffix("_b")
        shown = do[both] if found is None else _steady_text(found, phase)
        if watching == both:
            shown = _("left alone for {time}").format(time=fmt.clock(watched_s))
            presses = [_send(_("End and keep"), what="end")]
        items.append(Item("✓" if found is not None else "○", _(REST[phase]), shown))
    if not watching:
        presses = [_send(_(LEAVE[phase]), what="rest", phase=phase) for phase in do]
    return items, presses


def cards_of(engine: Engine) -> list[StepCard]:
    """All steps as they stand."""
    service = engine.commissioning
    at, watching = service.progress, service.watching
    certificates = engine.calibrations.view().certificates
    settings = engine.settings()
    in_use = register.in_use(certificates, days.today(settings.zone), settings.pan_b is not None)
    pans = [one for kind, one in in_use.items() if kind != "meter"]
    devices, look = _devices(service.wanted, at, watching)
    rested, rest = _rest(service.wanted, at, watching, service.watched_s)
    hands = [item for item in devices if item.what in (words.source("pendant"), words.source("stop_open"))]
    finished = {
        Step.DEVICES: all(item.sign == "✓" for item in devices),
        Step.PAN: all(one.tone in ("good", "soon") for one in pans),
        Step.METER: in_use["meter"].tone in ("good", "soon"),
        Step.REST: at.rest.keys() >= set(phases(service.wanted)),
        **{step: step in at.done for step in BY_HAND},
    }
    papers = [
        (one.address, _("To the certificate: {name}").format(name=one.title))
        for one in in_use.values()
        if one.address
    ]
    bodies: dict[Step, tuple[str, Sequence[Item], Sequence[Press], Sequence[tuple[str, str]]]] = {
        Step.DEVICES: (_("Touch or move each; the station says which one it saw. One that is not seen is not wired as the bay's file says."), devices, look, ()),
        Step.NAME: (_("This bay is called {bay_name}; its certificates carry that name. Another name goes into [bay] of its file.").format(bay_name=engine.bay_name), (), (), ()),
        Step.PAN: (" ".join(one.text if len(pans) == 1 else f"{one.title}: {one.text}" for one in pans), (), (), [("/calibration", _("To the pan's calibration"))]),
        Step.METER: (in_use["meter"].text, (), (), [("/calibration", _("To the meter's proving"))]),
        Step.REST: (_("Nobody walks by, no door stands open."), rested, rest, ()),
        Step.STOPS: (
            _("Press each and let go while the station looks (step 1). Then press the hard-wired stop once with the pump running into "
            "a vessel: the pump has to stop at once, and nothing may start on release."), hands, (), (),
        ),
        Step.PUMP: (_pump_text(engine), (), (), ()),
        Step.PAPERS: (_("Certificates beside the bay, the label on it."), (), (), [*papers, ("/commissioning/label", _("To the label"))]),
    }  # fmt: skip
    cards = []
    for number, step in enumerate(Step, 1):
        text, items, presses, links = bodies[step]
        state = "done" if finished[step] else "left out" if step in at.left else "open"
        sign, tone = SIGNS[state]
        said = (
            at.done.get(step, "") if state == "done" else at.left.get(step, "") if state == "left out" else ""
        )
        cards.append(
            StepCard(step.value, number, _(TITLES[step]), f"{_(STATES[state])}: {said}" if said else _(STATES[state]), state != "open", sign, tone, text, items, presses, step in BY_HAND, links)
        )  # fmt: skip
    return cards


def _pump_text(engine: Engine) -> str:
    with engine.reading() as ledger:
        runs = list(islice(ledger.shop_events("calibration_run", newest_first=True), RUNS))
    flows = [float(run["body"]["flow_l_min"]) for run in runs]
    learned = _("How far the pump runs on after a stop is learned with every stop, for each fluid.")
    if not flows:
        return learned + " " + _("Its flow comes from the meter's proving.")
    moved = _(
        "In the newest {n} proving runs it moved {flow} L/min: write that as flow_l_min into [pump] of the bay's file."
    )
    return f"{learned} " + moved.format(n=len(flows), flow=fmt.decimal(statistics.fmean(flows), 2))


@router.get("/commissioning")
def commissioning(engine: Station) -> Response:
    cards = cards_of(engine)
    finished = sum(card.over for card in cards)
    service = engine.commissioning
    page = CommissioningPage(
        engine.bay_name,
        cards,
        AGAIN_S if service.watching else 0,
        finished,
        finished == len(cards),
        is_simulated(engine),
        service.wanted,
    )
    return page_of("commissioning.html", page)


@router.get("/commissioning.json")
def commissioning_json(engine: Station) -> Response:
    service = engine.commissioning
    at = service.progress
    content = {
        "watching": service.watching,
        "wanted": service.wanted,
        "seen": sorted(at.seen),
        "rest": {phase: asdict(found) for phase, found in at.rest.items()},
        "steps": {card.key: card.state for card in cards_of(engine)},
    }
    return JSONResponse(content)


@router.get("/commissioning/label")
def label(engine: Station, request: Request) -> Response:
    address = str(request.base_url)
    settings, certificates = engine.settings(), engine.calibrations.view().certificates
    held = register.in_use(certificates, days.today(settings.zone), settings.pan_b is not None)
    rows = [(one.title, f"{fmt.sentence(one.state)} {one.text}") for one in held.values()]
    rows.append((_("Software"), short(engine.software)))
    import segno  # with an XML writer and HTTP's client: for whoever wants a code drawn

    code = segno.make_qr(address, error="m").svg_inline(
        omitsize=True, border=2, svgclass="qr", lineclass=None
    )
    return page_of(
        "label.html", Label(engine.bay_name, rows, address, Markup(code), request.url.hostname in HERE)
    )


@changes.post("/commissioning")
async def turn(engine: Station, threads: DiskThreads, body: Turn) -> Response:
    service = engine.commissioning
    if body.what in ("done", "left"):
        if body.step is None:
            raise Problem(400, _("Please check"), _("Say which step is meant."))
        await do(threads, service.say if body.what == "done" else service.leave_out, body.step, body.remark)
    elif body.what == "rest":
        await do(threads, service.rest, body.phase)
    else:
        await do(threads, {"look": service.look, "end": service.end, "anew": service.anew}[body.what])
    return done()
