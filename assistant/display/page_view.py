"""What the live page is told: the bench as JSON, a view after every turn and a pulse in between.

Pure. The page draws what it is told and works nothing out itself.
"""

import json

from assistant.bench.ports import Mode
from assistant.display.panel import LOUD_DB, QUIETEST_DB, mark_word, meter_word
from assistant.display.panel_model import LiveFacts, Mark, PanelFacts

_ALERTS = {Mode.STAND_BY: "stand by", Mode.LOST: "no mic"}
_HEARS = (Mode.LISTENING, Mode.HEARING, Mode.NOTE, Mode.KEYBOARD)


def view_message(facts: PanelFacts | None, *, plot: str = "", closed: bool = False) -> str:
    """The whole view after a turn. facts: None before the first one. plot: inline SVG, escaped.

    closed: the session is wrapped up.
    """
    if facts is None:
        return json.dumps({"t": "view", "ready": False})
    there = {mark for _, marks in facts.rows for mark in marks}
    return json.dumps(
        {
            "t": "view",
            "ready": True,
            "closed": closed,
            "job": facts.job,
            "place": facts.place,
            "ring": facts.big_ring,
            "step": facts.big_step,
            "big_gap": facts.big_gap,
            "gap": facts.gap,
            "window": facts.window,
            "more": facts.more,
            "says": facts.says,
            "question": facts.question,
            "heard": facts.heard,
            "sure": None if facts.sure is None else round(facts.sure * 100),
            "effect": facts.effect,
            "rows": [(name, [mark.name.lower() for mark in marks]) for name, marks in facts.rows],
            "here": facts.here,
            "words": {mark.name.lower(): mark_word(mark) for mark in Mark if mark in there},
            "progress": f"{facts.done} of {facts.rings} done",
            "figures": facts.figures,
            "plot": plot,
        }
    )


def pulse_message(live: LiveFacts) -> str:
    """What the ear does now; sent often, so it is short. level, noise: percent of the meter."""
    return json.dumps(
        {
            "t": "pulse",
            "mode": live.mode.value,
            "alert": _ALERTS.get(live.mode, ""),
            "hears": live.mode in _HEARS,
            "mic": live.mode is not Mode.KEYBOARD,
            "level": _percent(live.level_db),
            "noise": _percent(live.noise_db),
            "word": meter_word(live),
            "troubles": live.troubles,
            "cautions": live.cautions,
        }
    )


def _percent(level_db: float | None) -> int | None:
    """A level as percent of the way from the quietest to the loudest that is shown."""
    if level_db is None:
        return None
    share = (level_db - QUIETEST_DB) / (LOUD_DB - QUIETEST_DB)
    return round(100 * min(1.0, max(0.0, share)))
