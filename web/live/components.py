"""What pages are built from, on a page of its own: each part once, as it is written in a template, and when to use it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

from fastapi import APIRouter
from markupsafe import Markup
from starlette.responses import Response

from station.bay.views import ItemView
from web.frame import about, words
from web.frame.deps import Station, is_simulated, page_of
from web.frame.problem import Problem
from web.frame.render import ENVIRONMENT, HERE
from web.live import contexts
from web.live.live import Live
from web.live.pages import TheHub

router = APIRouter()


@dataclass(frozen=True)
class Component:
    """source: what a template writes to have it. drawing: what comes of that. inert: drawn, and not to be pressed here."""

    name: str
    when: str
    source: str
    inert: bool = False
    drawing: Markup | None = None


@dataclass(frozen=True)
class ComponentsPage:
    """``/components``, on a simulated bay only. elsewhere: parts that one page alone is made of."""

    live: Live
    components: Sequence[Component]
    elsewhere: Sequence[str]


PARTS, LIVE = '{% from "_parts.html" import ', '{% from "_live.html" import '
COMPONENTS = (
    Component("A figure with its doubt", "For a figure that leads a page and moves. Its U95 always stands with it; the value comes by its name in live.py.", LIVE + 'figure %}{{ figure(live, "Drained", "drained", "mid") }}'),
    Component("A figure without a doubt", "For what is left to do, where a doubt would say nothing.", LIVE + 'plain_figure %}{{ plain_figure(live, "To go", "to_go") }}'),
    Component("A countdown", "For whatever time has to pass, with its bar. The maker's time rules where there is one.", LIVE + 'countdown %}{{ countdown(live, "mid") }}'),
    Component("A figure's name that says more", "On the bay's page, for every figure with something behind it: a tap leads to its row of what is explained at the foot of the figures, which unfolds.", LIVE + 'why %}' + PARTS + 'explained %}<p>{{ why("Drained", "drained") }} 2.62 ± 0.01 L</p>{{ explained(explained_shown) }}'),
    Component("A text, a number, a part that moves", "For anything else on a page that follows the stream: text where it stands in a sentence, number where its size follows its length, part for a ready fragment, shown and geo as attributes of an element.", LIVE + 'text, number, part, shown, geo %}<p {{ shown(live, "idle") }}>Pan {{ text(live, "pan") }}</p> {{ number(live, "pan") }} {{ part(live, "stages") }} <svg width="100%" height="12"><rect class="bar-done" height="12" {{ geo(live, "timer") }}/></svg>'),
    Component("The banner of a page that hears nothing", "First in every page with figures that move; live.js shows it after a second of silence.", PARTS + "stale %}{{ stale(hidden=false) }}"),
    Component("What the station objects to", "First in every page that sends something. An objection that begins with a field's label goes to that field instead.", '{% include "_message.html" %}'),
    Component("A token that is shown once", "Where somebody is given one, hidden until then: how it gets to the bay, and that it does not come again.", '{% with page = token_shown %}{% include "_token.html" %}{% endwith %}'),
    Component("The badge of a simulated bay", "In the header of every page that shows measured figures.", '{% include "_simulated.html" %}'),
    Component("Facts", "For a short list of names and values; kind figures sets numbers in a column; a row that has more to say unfolds.", PARTS + "facts %}{{ facts(facts_shown) }}"),
    Component("A table that folds", "For any list. On a narrow page each row becomes a card, and each cell says its data-label.", '<table class="cards"><thead><tr><th scope="col">Fluid</th><th scope="col" class="amount">Left</th></tr></thead><tbody><tr><th scope="row">Gear oil 75W-90</th><td data-label="Left" class="amount">38.2 ± 0.4 L</td></tr></tbody></table>'),
    Component("A chip", "For the state of one row: good, soon, due, none, or a verdict. The word says all that the colour says.", PARTS + 'chip %}{{ chip("good", "✓", "in use") }} {{ chip("due", "⚠", "due") }}'),
    Component("A tag", "Before a sentence that must not be read over.", PARTS + 'tag %}<p>{{ tag("Caution") }} Hot fluid scalds.</p>'),
    Component("A caution", "For what holds work up until somebody has dealt with it, with the remedy in it. With a sign it is read out when it comes by itself.", PARTS + 'caution %}{% call caution("The pump is held off", sign=true) %}<p>Say why, or put it right.</p>{% endcall %}'),
    Component("Buttons", "One primary button to a form; grave for what cannot be taken back; a link that leads to a file or a page looks like a button.", '<button type="button" class="primary">Open the job</button> <button type="button">Note it</button> <button type="button" class="grave">Abandon</button> <button type="button" disabled>Not yet</button> <a class="button" href="/jobs">All jobs</a>'),
    Component("Fields", "The label says the unit where one is needed; the field takes what people write. What is wrong stands beside the field.", '<form class="inline"><div class="pair"><label>Torque, with unit <input name="value" placeholder="42 N·m"></label><label>Fastener <select name="what"><option>drain plug</option></select></label></div><label>Listed capacity <input name="capacity" value="5" aria-invalid="true" aria-describedby="objected"></label><p class="objection" id="objected">Listed capacity: add the unit, such as 5 L.</p></form>'),
    Component("What is folded away", "For what few people need at the moment. Never for a caution, and never for the next action.", '<details class="more"><summary>Remark</summary><p>Here is more.</p></details>'),
    Component("A switch of this device", "For what one phone does for whoever holds it.", '<div class="switches"><button type="button" data-device="dark" aria-pressed="false">Dark page <span></span></button></div>'),
    Component("Hold to run, and its stop", "Wherever a page may run the pump, and nowhere twice: hold.js sends the beats and lets go.", PARTS + "hold %}{{ hold() }}", inert=True),
    Component("A list to tick", "Before an action that needs something to be so.", '{% with items = items_shown %}<div class="checklist">{% include "_checklist.html" %}</div>{% endwith %}', inert=True),
    Component("The job's stages", "Where a page shows one job: what is past, now and ahead.", '{% with stages = stages_shown, stage = "fill" %}<div class="stages">{% include "_stages.html" %}</div>{% endwith %}'),
    Component("Faults", "What a sensor does not do, at the head of the page, until it is mended.", '{% with faults = faults_shown %}<div class="faults">{% include "_faults.html" %}</div>{% endwith %}'),
    Component("What stands for as long as it is so", "Of the bay itself, such as a full disk; it stops nothing.", '{% with flags = ["The disk is nearly full."] %}<div class="standing">{% include "_standing.html" %}</div>{% endwith %}'),
    Component("Notices", "What was out of the ordinary in a job, newest first.", '{% with notices = notices_shown, more = 2 %}<div class="notices">{% include "_notices.html" %}</div>{% endwith %}'),
    Component("The verdict", "What a fill has come to: the word, the reason, the numbers behind it.", '{% include "_verdict.html" %}'),
    Component("What a job came to", "At the head of a job's page, here and over many bays: verdict, reason and who acts next.", '{% with judged = judged_shown %}{% include "_judged.html" %}{% endwith %}'),
    Component("What each instrument says", "Under a verdict, so that nobody has to believe one instrument.", '{% with witnesses = witnesses_shown %}{% include "_witnesses.html" %}{% endwith %}'),
    Component("The flask", "The fill as a picture: the neck spreads the last part out, with the tolerance across it.", '{% include "_flask.html" %}'),
    Component("The drain's bar", "Drained so far, what is to come with its doubt, and the listed capacity.", '{% include "_drain_bar.html" %}'),
    Component("A list's frame", "Above and below the rows of any list that may be long: search, narrowing, pages, files; from web.frame.listing.", '{% from "_list.html" import ask, pages %}{{ ask(list_shown) }}{{ pages(list_shown) }}'),
    Component("A control chart", "For values of one meter, bay or method over time: axis, centre, limits and marks; from web.shop.charts.", '{% with c = chart_shown %}{% include "_chart.html" %}{% endwith %}'),
    Component("The head of tables on paper", "On a page that goes out printed; on the screen it is not shown.", '{% with whose = ["Saltings Community Buses", "Bay 1"] %}{% include "_paper.html" %}{% endwith %}'),
    Component("Entries of the books", "For what came in, went out or was counted.", '{% from "_entered.html" import entered %}{{ entered(entries_shown) }}'),
    Component("Fills in a list", "Where fills are held against what was expected: ranked as a table, to_check with what would settle each, every for the way to all of them.", '{% from "_fills.html" import ranked, to_check, every %}{{ ranked(fills_shown) }}{{ to_check(fills_shown) }}{{ every(every_shown) }}'),
    Component("The drained fluid's condition", "In any form that asks what came out.", '{% with words = condition_shown %}<form class="inline">{% include "_condition_fields.html" %}</form>{% endwith %}'),
)  # fmt: skip
SAMPLES: dict[str, Any] = {
    "explained_shown": about.LIVE[:2],
    "facts_shown": [
        SimpleNamespace(label="Drained", value="2.62 ± 0.01 L", about="What came out, weighed by the pan."),
        SimpleNamespace(label="By", value="M. Okafor", about=""),
    ],
    "items_shown": [
        ItemView("hot", "Fluid below 60 °C, or gloves and sleeves on", False, True),
        ItemView("plug", "Fill plug loosened first", True, False),
    ],
    "stages_shown": words.JOB_STAGES,
    "faults_shown": [("Pan", "no reading for 1 s at 10:42")],
    "notices_shown": [
        SimpleNamespace(text="Pump stopped: no flow for 0.7 s.", stops=True),
        SimpleNamespace(text="Something was laid into the pan.", stops=False),
    ],
    "witnesses_shown": [
        SimpleNamespace(name="Meter", says="2.86 ± 0.02 L", word="full", settles=""),
        SimpleNamespace(name="Level", says="not seen", word="–", settles="Look at the fill plug."),
    ],
    "judged_shown": SimpleNamespace(
        verdict=SimpleNamespace(sign="▼", word="Short", text="0.27 L less than the compartment should take."), verdict_name="short",
        reason="Stopped by hand 0.27 L before the target: fill up.", who="technician", said="", witnesses=[],
    ),
    "list_shown": SimpleNamespace(
        address="/jobs", kept=[], search="Vehicle or technician", words="", asked=False, clear="", fields=[],
        narrowed=False, count="3 jobs", pages=[], files=[],
    ),
    "chart_shown": SimpleNamespace(
        name="Bay 1", tally="n = 3", text="Steady.", recent=[], address="", n=3,
        panels=[SimpleNamespace(
            title="Deviation", height=132, zones="", limits="M58 16H334M58 116H334", centre="M58 66H334",
            line="M80 60L200 74L310 52", dots="", marks=[], labels=[SimpleNamespace(y=66, text="0.00")],
            band=(30, 72), zero="M58 66H334", axis=[SimpleNamespace(y=66, text="0 L")], ends=("1 Nov", "25 Nov"),
        )],
    ),
    "entries_shown": [SimpleNamespace(when="2026-11-25", entered="", kind="received", where="drum 1", volume="57.2 L", technician="M. Okafor", note="")],
    "fills_shown": [SimpleNamespace(
        job_id="none", where="Bus 12 · rear axle", day="2026-11-25", instrument="Bay 1 meter", filled="2.60 L",
        expected="2.87 L", deviation="−0.27 L", percent="−9.4 %", reason="Stopped by hand.", settles=["Look at the level."],
    )],
    "token_shown": SimpleNamespace(server="http://192.0.2.10:8766"),
    "every_shown": SimpleNamespace(every=("/quality", "All fills")),
    "condition_shown": contexts.ConditionWords(),
}  # fmt: skip
"""What the parts show that the bay has not at the moment. Invented."""


def elsewhere() -> list[str]:
    """Templates that are parts and not shown here: one page alone is made of them."""
    sources = " ".join(c.source for c in COMPONENTS)
    parts = sorted(path.name for path in (HERE / "templates").glob("_*.html"))
    return [name for name in parts if f'"{name}"' not in sources]


def drawn(live: Live) -> list[Component]:
    """Each with what comes of it. live: the bay as it is, for the parts that move."""
    values = {**SAMPLES, "live": live}
    return [replace(c, drawing=Markup(ENVIRONMENT.from_string(c.source).render(values))) for c in COMPONENTS]


@router.get("/components")
def components(engine: Station, hub: TheHub) -> Response:
    if not is_simulated(engine):
        raise Problem(404, "Not on a real bay", "The parts of the pages are shown on a simulated bay only.")
    live = hub.newest()
    return page_of("components.html", ComponentsPage(live, drawn(live), elsewhere()))
