"""What the bench says and shows, worded by ``grammar/replies.yaml``."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from string import Formatter

from pydantic import BaseModel, ConfigDict, ValidationError

from assistant.bench import events as ev
from assistant.bench.advice import Advice, Step, advise
from assistant.bench.chances import told_risk, told_share
from assistant.bench.commands import Ask, Check, Command, Question
from assistant.bench.gap_words import is_guess
from assistant.bench.interpretation import Rejection
from assistant.bench.job import RingPosition
from assistant.bench.plan import BAND_SHARE, RingKey
from assistant.bench.ring_status import standings, verdict_of
from assistant.bench.session import Pending, State
from assistant.errors import CommandNotAllowed, GrammarError
from assistant.fitting.belief import Belief
from assistant.fitting.facts import Feel
from assistant.fitting.removal import is_narrow
from assistant.fitting.targets import Window
from assistant.language.grammar_files import REPLIES_FILE, load_yaml
from assistant.language.numbers import NumberWords
from assistant.units import Unit, floor_to, round_to, show_gap, show_span, to_called

_MOST_OPTIONS = 6
_MOST_DROPPED = 3


@dataclass(frozen=True, slots=True)
class Reply:
    """One answer: words to speak (numbers in words) and the line to show (figures)."""

    spoken: str
    shown: str

    def __bool__(self) -> bool:
        return bool(self.spoken or self.shown)


class _Wording(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    units: dict[Unit, str]
    rings: dict[RingPosition, str]
    cautions: tuple[str, ...]
    place: str
    advice: dict[str, str]
    done: dict[str, str]
    gaps: dict[str, str]
    answers: dict[str, str]
    entries: dict[str, str]
    questions: dict[str, str]
    troubles: dict[str, str]
    refusals: dict[str, str]


class Wording:
    """The replies of a grammar folder, ready to be filled in.

    text: of ``replies.yaml``. numbers: words for figures; None leaves figures to the voice.
    Raises GrammarError if a name or place is missing or unknown.
    """

    def __init__(self, text: str, numbers: NumberWords | None) -> None:
        try:
            self._data = _Wording.model_validate(load_yaml(REPLIES_FILE, text))
        except ValidationError as error:
            first = error.errors()[0]
            place = ".".join(str(part) for part in first["loc"])
            raise GrammarError(f"{REPLIES_FILE}, {place}: {first['msg']}.") from error
        self._numbers = numbers

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is shown before work and on every sheet."""
        return self._data.cautions

    def names(self, group: str) -> frozenset[str]:
        """Names in a group: advice, gaps, done, answers, entries, questions, troubles,
        refusals."""
        return frozenset(getattr(self._data, group))

    def text(self, group: str, name: str) -> str:
        """The template of a reply. Raises GrammarError if the file lacks it."""
        texts: Mapping[str, str] = getattr(self._data, group)
        if name not in texts:
            raise GrammarError(f"{REPLIES_FILE}, {group}: there is no reply {name!r}: add it.")
        return texts[name]

    def places(self, group: str, name: str) -> frozenset[str]:
        """Names of the places in a reply."""
        parsed = Formatter().parse(self.text(group, name))
        return frozenset(place for _, place, _, _ in parsed if place)

    def fill(self, group: str, name: str, unit: Unit, facts: Mapping[str, object]) -> Reply:
        """The reply with its places filled. Raises GrammarError if a fact is missing."""
        template = self.text(group, name)
        try:
            spoken = template.format_map({k: self._said(k, v, unit) for k, v in facts.items()})
            shown = template.format_map({k: self._shown(k, v, unit) for k, v in facts.items()})
        except (KeyError, IndexError, ValueError) as error:
            raise GrammarError(
                f"{REPLIES_FILE}, {group}, {name}: cannot fill {error}; "
                f"there is {', '.join(facts) or 'nothing'}."
            ) from error
        if self._numbers is not None:
            spoken = self._numbers.spell_figures(spoken)
        return Reply(" ".join(spoken.split()), _capital(" ".join(shown.split())))

    def place(self, key: RingKey) -> str:
        """A ring as called: cylinder 1 top ring."""
        cylinder, position = key
        return self._data.place.format(cylinder=cylinder, ring=self._data.rings[position])

    def ring(self, position: str) -> str:
        """A ring position as called: top ring."""
        return self._data.rings[RingPosition(position)]

    def options(self, words: Sequence[str]) -> list[str]:
        """Words that may follow, at most six; all that begin a number are told as one."""
        numeral = self._numbers.words if self._numbers is not None else frozenset()
        plain = [word for word in words if word not in numeral]
        begins = [self.text("answers", "a number")] if len(plain) < len(words) else []
        return (plain + begins)[:_MOST_OPTIONS]

    def span(self, low_nm: int, high_nm: int, unit: Unit) -> Reply:
        """Two lengths with the unit said once."""
        spoken = f"{self._say_count(low_nm, unit)} to {self._say_length(high_nm, unit)}"
        return Reply(spoken, show_span(low_nm, high_nm, unit))

    def _said(self, name: str, value: object, unit: Unit) -> str:
        if isinstance(value, Reply):
            return value.spoken
        if name.endswith("_stack"):
            *first, last = str(value).split()
            counts = [self._say_count(int(nm), unit) for nm in first]
            return " plus ".join([*counts, self._say_length(int(last), unit)])
        if name.endswith("_count"):
            return self._say_count(int(str(value)), unit)
        if name == "strokes":
            return self._strokes(value)
        if not name.endswith("_nm"):
            return str(value)
        if name == "feed_nm" and int(str(value)) % unit.half_nm:
            # A dial that knows no halves: never round a cut up, so say it as it is shown.
            return show_gap(floor_to(int(str(value)), unit.call_nm // 10), unit)
        return " or ".join(self._say_length(int(nm), unit) for nm in str(value).split())

    def _strokes(self, value: object) -> str:
        one = int(str(value)) == 1
        return self.text("answers", "one stroke" if one else "strokes").format(count=value)

    def rounds(self, count: int) -> str:
        """So many more rounds of cutting and measuring, in words."""
        return self.text("answers", "one round" if count == 1 else "rounds").format(count=count)

    def _say_length(self, length_nm: int, unit: Unit) -> str:
        return f"{self._say_count(length_nm, unit)} {self._data.units[unit]}"

    def _say_count(self, length_nm: int, unit: Unit) -> str:
        """Called units in words, rounded to the grid of feel; figures where no words reach."""
        count = to_called(round_to(abs(length_nm), unit.half_nm), unit)
        try:
            said = self._numbers.say(count) if self._numbers else f"{count.normalize():f}"
        except GrammarError:
            said = f"{count.normalize():f}"
        return f"{self.text('answers', 'minus')} {said}" if length_nm < 0 and count else said

    def _shown(self, name: str, value: object, unit: Unit) -> str:
        if isinstance(value, Reply):
            return value.shown
        if name.endswith("_stack"):
            return " plus ".join(show_gap(int(nm), unit) for nm in str(value).split())
        if name.endswith("_count"):
            return f"{to_called(int(str(value)), unit).normalize():f}"
        if name == "strokes":
            return self._strokes(value)
        if not name.endswith("_nm"):
            return str(value)
        return " or ".join(show_gap(int(nm), unit) for nm in str(value).split())


def _capital(text: str) -> str:
    return re.sub(r"(^|[.?!] )([a-z])", lambda found: found[1] + found[2].upper(), text)


def join(replies: Iterable[Reply]) -> Reply:
    """Several replies as one."""
    kept = list(replies)
    return Reply(
        " ".join(reply.spoken for reply in kept if reply.spoken),
        " ".join(reply.shown for reply in kept if reply.shown),
    )


# --- which replies a turn gets ----------------------------------------------------------------


def reply_to_rejection(rejection: Rejection, wording: Wording, unit: Unit) -> Reply:
    """What to answer to a call that was not understood; may be silence."""
    facts = dict(rejection.facts)
    if "follow" in facts:
        facts["follow"] = ", ".join(wording.options(facts["follow"].split(", ")))
    return wording.fill("refusals", rejection.reason, unit, facts)


def reply_to_refusal(refused: CommandNotAllowed, wording: Wording, unit: Unit) -> Reply:
    """What to answer to a command that makes no sense now."""
    facts = dict(refused.facts)
    if "ring" in facts:
        facts["ring"] = wording.ring(facts["ring"])
        facts["rings"] = ", ".join(wording.ring(ring) for ring in facts["rings"].split(", "))
    return wording.fill("refusals", refused.name, unit, facts)


def reply_to_turn(
    command: Command, new_events: tuple[ev.Event, ...], after: State, wording: Wording
) -> Reply:
    """What to answer to a command that was taken: what was entered, then the next step."""
    if isinstance(command, Ask):
        return _answer(command.question, after, wording)
    opened = any(isinstance(e, ev.SessionOpened | ev.SessionResumed) for e in new_events)
    asked = after.pending if any(isinstance(e, ev.QuestionAsked) for e in new_events) else None
    if asked is not None and not opened:
        return reply_to_pending(asked, after, wording)
    corrected = any(isinstance(event, ev.RingEvent) for event in new_events)
    told = [event for event in new_events if not (opened and isinstance(event, ev.VoiceSet))]
    said = [_done(event, after, wording, corrected=corrected) for event in told]
    if not opened and any(isinstance(event, _NO_ADVICE) for event in new_events):
        return join(said)
    if asked is not None:
        return join([*said, reply_to_pending(asked, after, wording)])
    return join([*said, reply_to_advice(advise(after), after, wording)])


def reply_to_dropped(waiting: Pending, state: State, wording: Wording) -> Reply:
    """That the entry of a question which nobody answered does not count."""
    unit = state.the_job.unit
    entry = [event for event in waiting.events if isinstance(event, ev.RingEvent)]
    said = [event for event in entry if not isinstance(event, ev.RingPicked)]
    lines = [entry_line(event, wording, unit) for event in said[:_MOST_DROPPED] or entry]
    entries = Reply(
        ", ".join(line.spoken for line in lines), ", ".join(line.shown for line in lines)
    )
    return wording.fill("done", "not counted", unit, {"entry": entries})


_NO_ADVICE = (
    ev.SessionClosed | ev.NoteBegun | ev.ListeningPaused | ev.VoiceSet | ev.ClipKeepingSet
)  # fmt: skip
"""Events that change nothing about the next step: what was advised need not be said again."""


def reply_to_trouble(about: str, state: State, wording: Wording) -> Reply:
    """What to say of a trouble of the machine, or of its end."""
    places = {"place": wording.place(state.here) if state.here is not None else ""}
    return wording.fill("troubles", about, state.the_job.unit, places)


def reply_to_pending(pending: Pending, state: State, wording: Wording) -> Reply:
    """The open question."""
    facts = dict(pending.facts)
    key = (int(facts["cylinder"]), RingPosition(facts["ring"]))
    filled: dict[str, object] = {**facts, "place": wording.place(key)}
    if "feel" in facts:
        butts = facts["feel"] == Feel.BUTTS
        entry = "butts" if butts else "leaf tried"
        filled["reading"] = wording.fill("entries", entry, state.the_job.unit, facts)
        filled["instead"] = _instead(facts, state.the_job.unit, wording)
    return wording.fill("questions", pending.about, state.the_job.unit, filled)


def _instead(facts: Mapping[str, str], unit: Unit, wording: Wording) -> Reply:
    """What was likelier meant than a doubted reading; may be nothing."""
    if "other ring" in facts:
        other = (int(facts["other cylinder"]), RingPosition(facts["other ring"]))
        return wording.fill("gaps", "fits other", unit, {"place": wording.place(other)})
    if facts.get("likely_nm"):
        return wording.fill("gaps", "fits", unit, facts)
    return Reply("", "")


def reply_to_advice(advice: Advice, state: State, wording: Wording) -> Reply:
    """The next step."""
    unit = state.the_job.unit
    name = advice.step.value
    facts: dict[str, object] = {
        "more_nm": advice.more_nm,
        "feed_nm": advice.feed_nm,
        "strokes": advice.strokes,
        "over": told_risk(advice.p_over),
        "under": told_risk(advice.p_under),
        "inside": told_share(advice.p_inside),
        "is_over": told_share(advice.p_over),
    }
    if advice.stack_nm:
        facts["leaf_stack"] = " ".join(str(leaf_nm) for leaf_nm in advice.stack_nm)
    if advice.key is not None:
        facts["place"] = wording.place(advice.key)
    if advice.step in (Step.ALL_DONE, Step.ALL_LIKELY, Step.NOT_RIGHT):
        facts |= _verdict_facts(state, advice.key)
    if advice.window is not None and advice.key is not None:
        facts |= _window_facts(advice.window, unit, wording)
        if advice.step is Step.SEAT and advice.window.most_nm is None:
            name += " least only"
        elif advice.step is Step.SEAT and is_narrow(advice.window, state.bench(advice.key)):
            name += " narrow"
    if advice.belief is not None and advice.belief.known:
        sure = advice.step in (Step.ACCEPT, Step.DRESS, Step.LIKELY)
        facts["gap"] = _gap(advice.belief, unit, wording, sure=sure)
    checks = state.ring(advice.key).checks if advice.key is not None else frozenset()
    if advice.step is Step.DRESS:
        name += " ends" * (Check.DEBURRED in checks) + " deburr" * (Check.ENDS_SQUARE in checks)
    if advice.step is Step.LIKELY and advice.key is not None and state.ring(advice.key).passes:
        name += " dress" * (not {Check.DEBURRED, Check.ENDS_SQUARE} <= checks)
    if advice.step is Step.AFTER_CUT and Check.DEBURRED in checks:
        name += " square" if Check.SQUARE in checks else " deburred"
    if advice.step is Step.MEASURE and "gap" not in facts:
        name += " afresh"
    guess = advice.belief is not None and advice.belief.known and is_guess(advice.belief)
    if advice.step is Step.CUT and (guess or round_to(advice.more_nm, unit.half_nm) == 0):
        # A rail that is only not surely long enough, or a gap that is a guess: no rest to name.
        name += " near"
    if advice.strokes:
        name += " strokes"
    told = wording.fill("advice", name, unit, facts)
    if advice.elsewhere is None:
        return told
    place = {"place": wording.place(advice.elsewhere)}
    return join([told, wording.fill("gaps", "fits other", unit, place)])


def _verdict_facts(state: State, key: RingKey | None = None) -> dict[str, object]:
    """The verdict on the job for a reply, and how the ring at ``key`` stands."""
    found = standings(state)
    words = verdict_of(found).words()
    standing = found[key].words if key is not None else ""
    return {"verdict": Reply(words.capitalize(), words), "standing": standing}


def _window_facts(window: Window, unit: Unit, wording: Wording) -> dict[str, object]:
    facts: dict[str, object] = {"least_nm": window.least_nm, "target_nm": window.target_nm}
    if window.most_nm is not None:
        facts["most_nm"] = window.most_nm
        facts["window"] = wording.span(window.least_nm, window.most_nm, unit)
    return facts


def _gap(belief: Belief, unit: Unit, wording: Wording, *, sure: bool) -> Reply:
    """The gap in a few words: a figure where the band is narrow (with its margin if ``sure``,
    since measuring is over then), else the band."""
    low_nm, high_nm = belief.interval_nm(BAND_SHARE)
    if is_guess(belief) and low_nm < 0:
        return wording.fill("gaps", "below", unit, {"high_nm": high_nm})
    if is_guess(belief):
        return wording.fill("gaps", "wide", unit, {"band": wording.span(low_nm, high_nm, unit)})
    margin_nm = max(belief.best_nm - low_nm, high_nm - belief.best_nm, unit.half_nm)
    facts = {"gap_nm": belief.best_nm, "margin_count": round_to(margin_nm, unit.half_nm)}
    return wording.fill("gaps", "sure" if sure else "about", unit, facts)


def _done(event: ev.Event, after: State, wording: Wording, *, corrected: bool) -> Reply:
    """How an event is confirmed: in as few words as tell a mishearing from the truth."""
    unit = after.the_job.unit
    here = {"place": wording.place(after.here)} if after.here is not None else {}
    facts: dict[str, object] = dict(here)
    match event:
        case ev.SessionOpened():
            return Reply("", "")
        case ev.SessionResumed():
            name = "resumed"
        case ev.RingPicked() as picked:
            name, facts["place"] = "picked", wording.place(picked.key)
        case ev.LeafTried(leaf_nm=leaf_nm, feel=feel):
            name = "butts" if feel is Feel.BUTTS else "leaf tried"
            facts |= {"leaf_count": leaf_nm, "feel": feel.value}
        case ev.RingReopened(fresh=fresh):
            name = "fresh" if fresh else "reopened"
        case ev.MetalGround(feed_nm=feed_nm):
            name, facts["feed_nm"] = "cut", feed_nm
        case ev.StrokesFiled(strokes=strokes):
            name, facts["strokes"] = "strokes", strokes
        case ev.RingChecked(check=check):
            name = check
        case ev.RingAccepted(outside=outside):
            name = "accepted outside" if outside else "accepted"
        case ev.RingSpoiled():
            name = "spoiled"
        case ev.RingSkipped():
            name = "skipped"
        case ev.EntryRetracted() if corrected:
            name = "corrected"
        case ev.EntryRetracted():
            name = "retracted" if here else "retracted all"
        case ev.QuestionAnswered(yes=False):
            name = "dropped" if here else "retracted all"
        case ev.ListeningPaused():
            name = "standing by"
        case ev.ListeningResumed():
            name = "listening"
        case ev.NoteBegun():
            name = "note begun"
        case ev.NoteKept():
            name = "note kept"
        case ev.VoiceSet():
            name = "voice set"
        case ev.ClipKeepingSet(on=on):
            name = "keeping calls" if on else "not keeping calls"
        case ev.SessionClosed():
            name = "closed"
            facts |= _verdict_facts(after)
        case _:
            return Reply("", "")
    return wording.fill("done", name, unit, facts)


def _answer(question: Question, state: State, wording: Wording) -> Reply:
    unit = state.the_job.unit
    if question is Question.AGAIN:
        if state.last_reply:
            # So marked, a call that was misheard as "say again" cannot pass for a new answer.
            begin = wording.text("answers", "again").partition("{")[0]
            said = state.last_reply.removeprefix(begin)
            return wording.fill("answers", "again", state.the_job.unit, {"said": said})
        return wording.fill("answers", "nothing said", unit, {})
    if question is Question.PHRASES:
        return wording.fill("answers", "phrases", unit, {})
    if question is Question.NOW and state.pending is not None:
        return reply_to_pending(state.pending, state, wording)
    advice = advise(state)
    if question is Question.NOW or advice.key is None:
        return reply_to_advice(advice, state, wording)
    key = advice.key
    window, belief = state.window(key), state.belief(key)
    facts: dict[str, object] = {
        "place": wording.place(key),
        "open": len(state.open_rings()),
        **_window_facts(window, unit, wording),
    }
    match question:
        case Question.WHERE:
            name = "where"
        case Question.TARGET if window.most_nm is None:
            name = "target least only"
        case Question.TARGET:
            name = "target"
        case Question.READ_BACK:
            return _read_back(state, facts, wording)
        case _ if not belief.known or belief.butting:
            name = "more unknown"
        case _ if advice.step in (Step.DRESS, Step.ACCEPT):
            name = "more none"
        case _ if is_guess(belief):
            return reply_to_advice(advice, state, wording)
        case _ if advice.step is Step.CUT:
            name = "more strokes" if advice.strokes else "more cut"
            facts |= {
                "more_nm": advice.more_nm,
                "feed_nm": advice.feed_nm,
                "strokes": advice.strokes,
                "passes": wording.rounds(max(1, round(advice.passes))),
            }
        case _ if advice.step in (Step.CLOSE, Step.LIKELY) or belief.best_nm >= window.least_nm:
            return reply_to_advice(advice, state, wording)
        case _:
            name, facts["more_nm"] = "more", advice.more_nm
    return wording.fill("answers", name, unit, facts)


def _read_back(state: State, facts: Mapping[str, object], wording: Wording) -> Reply:
    unit = state.the_job.unit
    if not state.last_entry:
        return wording.fill("answers", "read back none", unit, facts)
    parts = [entry_line(event, wording, unit) for event in state.last_entry]
    spoken = wording.fill(
        "answers", "read back", unit, {**facts, "entry": ", ".join(p.spoken for p in parts)}
    )
    shown = wording.fill(
        "answers", "read back", unit, {**facts, "entry": ", ".join(p.shown for p in parts)}
    )
    return Reply(spoken.spoken, shown.shown)


def entry_line(event: ev.RingEvent, wording: Wording, unit: Unit) -> Reply:
    """One entry as it is read back and listed: ``15 thou goes``."""
    facts = {
        "place": wording.place(event.key),
        **event.model_dump(exclude={"kind", "position"}),
    }
    name: str = event.kind
    if isinstance(event, ev.LeafTried):
        facts["feel"] = event.feel.value
        name = "butts" if event.feel is Feel.BUTTS else name
    filled = wording.fill("entries", name, unit, facts)
    return Reply(filled.spoken, filled.shown[:1].lower() + filled.shown[1:])
