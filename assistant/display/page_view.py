"""What the live page is told: the bench as JSON, a view after every turn and a pulse in between.

Pure. The page draws what it is told and works nothing out itself.
"""

import json

from assistant.bench.ports import Mode
from assistant.bench.ring_status import RingStatus, Verdict
from assistant.display.panel import meter_share, meter_word
from assistant.display.panel_model import LiveFacts, PanelFacts

_ALERTS = {Mode.STAND_BY: "stand by", Mode.LOST: "no mic"}
_HEARS = (Mode.LISTENING, Mode.HEARING, Mode.NOTE, Mode.KEYBOARD)
_MOST_NAMED = 3
"""Wrong rings of one kind that the verdict names; more would hide it."""


def view_message(facts: PanelFacts | None, *, plot: str = "", closed: bool = False) -> str:
    """The whole view after a turn. facts: None before the first one. plot: inline SVG, escaped.

    closed: the session is wrapped up.
    """
    if facts is None:
        return json.dumps({"t": "view", "ready": False})
    there = {standing.status for _, cells in facts.rows for standing in cells}
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
            "rows": [
                (name, [(one.status.name_in_pages, one.words) for one in cells])
                for name, cells in facts.rows
            ],
            "here": facts.here,
            "signs": {one.name_in_pages: one.value for one in RingStatus if one in there},
            "verdict": _verdict(facts.verdict),
            "figures": facts.figures,
            "plot": plot,
        }
    )


def _verdict(verdict: Verdict) -> dict[str, str]:
    """In words; progress: only where the words do not hold it."""
    return {
        "grade": verdict.grade.name.lower(),
        "words": verdict.words(named=_MOST_NAMED),
        "progress": verdict.progress if verdict.parts else "",
    }


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
    """A level as percent of the meter."""
    return None if level_db is None else round(100 * meter_share(level_db))
