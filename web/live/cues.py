"""What the bay page may say aloud: the moments that nobody under a vehicle can see on a screen."""

from station.bay.views import BayView
from web.live.dock import REACHED_L, reached

NEAR_L = 0.2
"""So much before the target the hand on the control is told. Common practice, no source."""


def cue(view: BayView) -> str:
    """What holds now, as a word that ``cues.js`` has a tone for, or "". The page gives the tone when it changes."""
    fill = view.stage == "fill" and view.to_go_l is not None
    if fill and view.latched is None and view.pump_on:
        return "near" if REACHED_L <= (view.to_go_l or 0.0) <= NEAR_L else ""
    if fill and reached(view):
        return "target"
    if view.latched is not None:
        return "stopped"
    if view.stage == "drip" and view.wait_s == 0:
        return "drip_over"
    if view.timer is not None and view.timer.what == "cure" and view.timer.left_s <= 0:
        return "cure_over"
    return ""
