"""Which replies a turn gets: what was entered, the answer or question, the next step."""

from collections.abc import Sequence

from assistant.bench import events as ev
from assistant.bench.advice import Advice, Step, advise
from assistant.bench.chances import told_risk, told_share
from assistant.bench.commands import Ask, Check, Command, Question
from assistant.bench.gap_words import GapKind, is_guess, told_gap
from assistant.bench.interpretation import Rejection
from assistant.bench.plan import RingKey
from assistant.bench.reply_terms import (
    AdviceReply,
    AnswerReply,
    CommandNotAllowed,
    Count,
    DoneReply,
    EntryReply,
    Fact,
    Feed,
    GapReply,
    Length,
    QuestionFacts,
    QuestionReply,
    Stack,
    Strokes,
)
from assistant.bench.ring_status import standings, verdict_of
from assistant.bench.session import Pending, State
from assistant.bench.wording import Facts, Reply, Wording, join
from assistant.errors import LogDamaged
from assistant.fitting.belief import Belief
from assistant.fitting.facts import Feel
from assistant.fitting.removal import is_narrow
from assistant.fitting.targets import Window
from assistant.units import Unit, round_to

_MOST_TOLD = 3


def reply_to_rejection(rejection: Rejection, wording: Wording, unit: Unit) -> Reply:
    """What to answer to a call that was not understood; may be silence."""
    return wording.fill(rejection.reason, unit, rejection.facts)


def reply_to_refusal(refused: CommandNotAllowed, wording: Wording, unit: Unit) -> Reply:
    """What to answer to a command that makes no sense now."""
    return wording.fill(refused.refusal, unit, refused.facts)


def reply_to_turn(
    command: Command,
    new_events: tuple[ev.Event, ...],
    before: State,
    after: State,
    wording: Wording,
) -> Reply:
    """What to answer to a command that was taken: what was entered, then the next step."""
    if isinstance(command, Ask):
        return _answer(command.question, after, wording)
    opened = any(isinstance(e, ev.SessionOpened | ev.SessionResumed) for e in new_events)
    asked = after.pending if any(isinstance(e, ev.QuestionAsked) for e in new_events) else None
    corrected = any(isinstance(event, ev.RingEvent) for event in new_events)
    told = [event for event in new_events if not (opened and isinstance(event, ev.VoiceSet))]
    said = [
        _retracted(before, after, wording)
        if isinstance(event, ev.EntryRetracted) and not corrected
        else _done(event, after, wording)
        for event in told
    ]
    if not opened and any(isinstance(event, _NO_ADVICE) for event in new_events):
        return join(said)
    if asked is not None:
        return join([*said, reply_to_pending(asked, after, wording)])
    return join([*said, reply_to_advice(advise(after), after, wording)])


def reply_to_dropped(waiting: Pending, state: State, wording: Wording) -> Reply:
    """That the entry of a question which nobody answered does not count."""
    entry = [event for event in waiting.events if isinstance(event, ev.RingEvent)]
    if not entry:
        return Reply("", "")
    unit = state.the_job.unit
    facts = {"entry": _in_short(entry, wording, unit)}
    return wording.fill(DoneReply.NOT_COUNTED, unit, facts)


def _in_short(entry: Sequence[ev.RingEvent], wording: Wording, unit: Unit) -> Reply:
    """An entry in a few words: the ring taken up on the way goes without saying."""
    said = [event for event in entry if not isinstance(event, ev.RingPicked)]
    return _listed(list(said[:_MOST_TOLD]) or list(entry), wording, unit)


def _listed(entry: Sequence[ev.RingEvent], wording: Wording, unit: Unit) -> Reply:
    lines = [entry_line(event, wording, unit) for event in entry]
    return Reply(", ".join(line.spoken for line in lines), ", ".join(line.shown for line in lines))


def _retracted(before: State, after: State, wording: Wording) -> Reply:
    """That an entry was taken back, and which."""
    unit = after.the_job.unit
    facts: dict[str, Fact | Reply] = {"entry": _in_short(before.last_entry, wording, unit)}
    if after.here is None:
        return wording.fill(DoneReply.RETRACTED_ALL, unit, facts)
    return wording.fill(DoneReply.RETRACTED, unit, {**facts, "place": wording.place(after.here)})


_NO_ADVICE = (
    ev.SessionClosed | ev.NoteBegun | ev.ListeningPaused | ev.VoiceSet | ev.ClipKeepingSet
)  # fmt: skip
"""Events that change nothing about the next step: what was advised need not be said again."""


def reply_to_trouble(about: ev.Trouble, state: State, wording: Wording) -> Reply:
    """What to say of a trouble of the machine, or of its end."""
    unit = state.the_job.unit
    told = wording.trouble(about, unit, {})
    if state.here is None or about not in ("microphone back", "machine slept"):
        return told
    return join([told, wording.fill(DoneReply.PICKED, unit, {"place": wording.place(state.here)})])


def reply_to_pending(pending: Pending, state: State, wording: Wording) -> Reply:
    """The open question. Raises LogDamaged if the log that holds it is not of this program."""
    unit = state.the_job.unit
    try:
        name, about = QuestionReply(pending.about), QuestionFacts.model_validate(pending.facts)
    except ValueError as error:
        raise LogDamaged(
            f"The log holds the question {pending.about!r}, which this Leafcall cannot ask again: "
            "use the one that wrote it, or begin a new session with --new."
        ) from error
    facts = _question_facts(about, unit, wording)
    if name is QuestionReply.EARLIER:
        facts["entry"] = _in_short(state.last_entry, wording, unit)
    return wording.fill(name, unit, facts)


def _question_facts(about: QuestionFacts, unit: Unit, wording: Wording) -> dict[str, Fact | Reply]:
    facts: dict[str, Fact | Reply] = {"place": wording.place(about.key)}
    lengths = {
        "leaf_nm": about.leaf_nm, "gap_nm": about.gap_nm, "difference_nm": about.difference_nm,
        "least_nm": about.least_nm, "most_nm": about.most_nm,
    }  # fmt: skip
    facts |= {name: Length(nm) for name, nm in lengths.items() if nm is not None}
    if about.said is not None:
        facts["said"] = about.said
    if about.feed_nm is not None:
        facts["feed_nm"] = Feed(about.feed_nm)
    if about.strokes is not None:
        facts["strokes"] = Strokes(about.strokes)
    if about.feel is not None and about.leaf_nm is not None:
        facts["reading"] = _reading(about.leaf_nm, about.feel, unit, wording)
        facts["instead"] = _instead(about, unit, wording)
    return facts


def _reading(leaf_nm: int, feel: Feel, unit: Unit, wording: Wording) -> Reply:
    if feel is Feel.BUTTS:
        return wording.fill(EntryReply.BUTTS, unit, {})
    tried: Facts = {"leaf_nm": Length(leaf_nm), "feel": feel.value}
    return wording.fill(EntryReply.LEAF_TRIED, unit, tried)


def _instead(about: QuestionFacts, unit: Unit, wording: Wording) -> Reply:
    """What was likelier meant than a doubted reading; may be nothing."""
    if about.other is not None:
        return wording.fill(GapReply.FITS_OTHER, unit, {"place": wording.place(about.other)})
    if about.likely_nm is not None:
        return wording.fill(GapReply.FITS, unit, {"likely_nm": Length(about.likely_nm)})
    return Reply("", "")


def reply_to_advice(advice: Advice, state: State, wording: Wording) -> Reply:
    """The next step."""
    unit = state.the_job.unit
    facts: dict[str, Fact | Reply] = {
        "more_nm": Length(advice.more_nm),
        "feed_nm": Feed(advice.feed_nm),
        "strokes": Strokes(advice.strokes),
        "over": told_risk(advice.p_over),
        "under": told_risk(advice.p_under),
        "inside": told_share(advice.p_inside),
        "is_over": told_share(advice.p_over),
    }
    if advice.stack_nm:
        facts["leaf_stack"] = Stack(advice.stack_nm)
    if advice.key is not None:
        facts["place"] = wording.place(advice.key)
    if advice.step in (Step.ALL_DONE, Step.ALL_LIKELY, Step.NOT_RIGHT):
        facts |= _verdict_facts(state, advice.key)
    if advice.window is not None:
        facts |= _window_facts(advice.window, unit, wording)
    if advice.belief is not None and advice.belief.known and advice.window is not None:
        done = advice.step in (Step.ACCEPT, Step.DRESS, Step.LIKELY)
        facts["gap"] = _gap(
            advice.belief, advice.window, unit, wording, done=done,
            inside=done and advice.step is not Step.LIKELY,
        )  # fmt: skip
    told = wording.fill(_advice_name(advice, state), unit, facts)
    if advice.elsewhere is None:
        return told
    place = {"place": wording.place(advice.elsewhere)}
    return join([told, wording.fill(GapReply.FITS_OTHER, unit, place)])


def _verdict_facts(state: State, key: RingKey | None = None) -> dict[str, Fact | Reply]:
    """The verdict on the job for a reply, and how the ring at ``key`` stands."""
    found = standings(state)
    words = verdict_of(found).words()
    standing = found[key].words if key is not None else ""
    return {"verdict": Reply(words.capitalize(), words), "standing": standing}


_PLAIN_ADVICE = {
    Step.PICK: AdviceReply.PICK,
    Step.ENDS: AdviceReply.ENDS,
    Step.ACCEPT: AdviceReply.ACCEPT,
    Step.CLOSE: AdviceReply.CLOSE,
    Step.OVER: AdviceReply.OVER,
    Step.LIKELY_OVER: AdviceReply.LIKELY_OVER,
    Step.REPLACE: AdviceReply.REPLACE,
    Step.NOT_RIGHT: AdviceReply.NOT_RIGHT,
    Step.ALL_LIKELY: AdviceReply.ALL_LIKELY,
    Step.ALL_DONE: AdviceReply.ALL_DONE,
}


def _advice_name(advice: Advice, state: State) -> AdviceReply:
    """Which wording of the next step suits the ring: what was checked already is not asked for."""
    plain = _PLAIN_ADVICE.get(advice.step)
    if plain is not None or advice.key is None:
        return plain or AdviceReply.ALL_DONE
    ring, belief, filed = state.ring(advice.key), advice.belief, bool(advice.strokes)
    deburred, known = Check.DEBURRED in ring.checks, belief is not None and belief.known
    match advice.step:
        case Step.SEAT if advice.window is not None and advice.window.most_nm is None:
            return AdviceReply.SEAT_LEAST_ONLY
        case Step.SEAT if advice.window and is_narrow(advice.window, state.bench(advice.key)):
            return AdviceReply.SEAT_NARROW
        case Step.SEAT:
            return AdviceReply.SEAT
        case Step.AFTER_CUT if deburred and Check.SQUARE in ring.checks:
            return AdviceReply.AFTER_CUT_SQUARE
        case Step.AFTER_CUT:
            return AdviceReply.AFTER_CUT_DEBURRED if deburred else AdviceReply.AFTER_CUT
        case Step.MEASURE:
            return AdviceReply.MEASURE if known else AdviceReply.MEASURE_AFRESH
        case Step.CUT_BUTTING:
            return AdviceReply.CUT_BUTTING_STROKES if filed else AdviceReply.CUT_BUTTING
        case Step.DRESS if deburred:
            return AdviceReply.DRESS_ENDS
        case Step.DRESS:
            ends = Check.ENDS_SQUARE in ring.checks
            return AdviceReply.DRESS_DEBURR if ends else AdviceReply.DRESS
        case Step.LIKELY:
            ends = Check.ENDS_SQUARE in ring.checks
            if (deburred and ends) or not ring.passes:
                return AdviceReply.LIKELY
            if deburred:
                return AdviceReply.LIKELY_DRESS_ENDS
            return AdviceReply.LIKELY_DRESS_DEBURR if ends else AdviceReply.LIKELY_DRESS
    # A rail that is only not surely long enough, or a gap that is a guess: no rest to name.
    guess = belief is not None and belief.known and is_guess(belief)
    if guess or round_to(advice.more_nm, state.the_job.unit.half_nm) == 0:
        return AdviceReply.CUT_NEAR_STROKES if filed else AdviceReply.CUT_NEAR
    return AdviceReply.CUT_STROKES if filed else AdviceReply.CUT


def _window_facts(window: Window, unit: Unit, wording: Wording) -> dict[str, Fact | Reply]:
    facts: dict[str, Fact | Reply] = {
        "least_nm": Length(window.least_nm),
        "target_nm": Length(window.target_nm),
    }
    if window.most_nm is not None:
        facts["most_nm"] = Length(window.most_nm)
        facts["window"] = wording.span(window.least_nm, window.most_nm, unit)
    return facts


def _gap(
    belief: Belief, window: Window, unit: Unit, wording: Wording, *, done: bool, inside: bool
) -> Reply:
    """The gap in a few words, from the sides from which it is known.

    done: measuring is over, so a figure is told with its margin, and of a rail only that it has its
    least. inside: surely so; a band that is rounded outwards beyond the window is told as it.
    """
    told = told_gap(belief)
    low, high = Length(told.low_nm or 0), Length(told.high_nm or 0)
    match told.kind:
        case GapKind.FIGURE if told.best_nm is not None:
            margin_nm = max(told.best_nm - low.nm, high.nm - told.best_nm, unit.half_nm)
            facts: Facts = {
                "gap_nm": Length(told.best_nm),
                "margin_count": Count(round_to(margin_nm, unit.half_nm)),
            }
            return wording.fill(GapReply.SURE if done else GapReply.ABOUT, unit, facts)
        case GapKind.OVER if done and window.most_nm is None:
            return wording.fill(GapReply.AT_LEAST, unit, {"least_nm": Length(window.least_nm)})
        case GapKind.OVER:
            return wording.fill(GapReply.OVER, unit, {"low_nm": low})
        case GapKind.UNDER:
            name = GapReply.MAY_BUTT if told.may_butt else GapReply.BELOW
            return wording.fill(name, unit, {"high_nm": high})
    ends = low.nm, high.nm
    if inside and window.most_nm is not None and not all(map(window.holds, ends)):
        ends = window.least_nm, window.most_nm
    return wording.fill(GapReply.WIDE, unit, {"band": wording.span(*ends, unit)})


def _done(event: ev.Event, after: State, wording: Wording) -> Reply:
    """How an event is confirmed: in as few words as tell a mishearing from the truth."""
    unit = after.the_job.unit
    here = {"place": wording.place(after.here)} if after.here is not None else {}
    facts: dict[str, Fact | Reply] = dict(here)
    match event:
        case ev.SessionOpened():
            return Reply("", "")
        case ev.SessionResumed():
            name = DoneReply.RESUMED if here else DoneReply.RESUMED_ALL
        case ev.RingPicked() as picked:
            name, facts["place"] = DoneReply.PICKED, wording.place(picked.key)
        case ev.LeafTried(leaf_nm=leaf_nm, feel=feel):
            name = DoneReply.BUTTS if feel is Feel.BUTTS else DoneReply.LEAF_TRIED
            facts |= {"leaf_count": Count(leaf_nm), "feel": feel.value}
        case ev.RingReopened(fresh=fresh):
            name = DoneReply.FRESH if fresh else DoneReply.REOPENED
        case ev.MetalGround(feed_nm=feed_nm):
            name, facts["feed_nm"] = DoneReply.CUT, Feed(feed_nm)
        case ev.StrokesFiled(strokes=strokes):
            name, facts["strokes"] = DoneReply.STROKES, Strokes(strokes)
        case ev.RingChecked(check=check):
            name = DoneReply(check)
        case ev.RingAccepted(outside=outside):
            name = DoneReply.ACCEPTED_OUTSIDE if outside else DoneReply.ACCEPTED
        case ev.RingSpoiled():
            name = DoneReply.SPOILED
        case ev.RingSkipped():
            name = DoneReply.SKIPPED
        case ev.EntryRetracted():
            name = DoneReply.CORRECTED
        case ev.QuestionAnswered(yes=False):
            name = DoneReply.DROPPED if here else DoneReply.DROPPED_ALL
        case ev.ListeningPaused():
            name = DoneReply.STANDING_BY
        case ev.ListeningResumed():
            name = DoneReply.LISTENING
        case ev.NoteBegun():
            name = DoneReply.NOTE_BEGUN
        case ev.NoteKept():
            name = DoneReply.NOTE_KEPT
        case ev.VoiceSet():
            name = DoneReply.VOICE_SET
        case ev.ClipKeepingSet(on=on):
            name = DoneReply.KEEPING_CALLS if on else DoneReply.NOT_KEEPING_CALLS
        case ev.SessionClosed():
            name = DoneReply.CLOSED
            facts |= _verdict_facts(after)
        case _:
            return Reply("", "")
    return wording.fill(name, unit, facts)


def _answer(question: Question, state: State, wording: Wording) -> Reply:
    unit = state.the_job.unit
    if question is Question.AGAIN:
        if state.last_reply:
            # So marked, a call that was misheard as "say again" cannot pass for a new answer.
            begin = wording.text(AnswerReply.AGAIN).partition("{")[0]
            said = state.last_reply.removeprefix(begin)
            return wording.fill(AnswerReply.AGAIN, state.the_job.unit, {"said": said})
        return wording.fill(AnswerReply.NOTHING_SAID, unit, {})
    if question is Question.PHRASES:
        return wording.fill(AnswerReply.PHRASES, unit, {})
    if question is Question.NOW and state.pending is not None:
        return reply_to_pending(state.pending, state, wording)
    advice = advise(state)
    if question is Question.NOW or advice.key is None:
        return reply_to_advice(advice, state, wording)
    key = advice.key
    window, belief = state.window(key), state.belief(key)
    facts: dict[str, Fact | Reply] = {
        "place": wording.place(key),
        "open": len(state.open_rings()),
        **_window_facts(window, unit, wording),
    }
    match question:
        case Question.WHERE:
            name = AnswerReply.WHERE
        case Question.TARGET if window.most_nm is None:
            name = AnswerReply.TARGET_LEAST_ONLY
        case Question.TARGET:
            name = AnswerReply.TARGET
        case Question.READ_BACK:
            return _read_back(state, facts, wording)
        case _ if not belief.known or belief.butting:
            name = AnswerReply.MORE_UNKNOWN
        case _ if advice.step in (Step.DRESS, Step.ACCEPT):
            name = AnswerReply.MORE_NONE
        case _ if is_guess(belief):
            return reply_to_advice(advice, state, wording)
        case _ if advice.step is Step.CUT:
            name = AnswerReply.MORE_STROKES if advice.strokes else AnswerReply.MORE_CUT
            facts |= {
                "more_nm": Length(advice.more_nm),
                "feed_nm": Feed(advice.feed_nm),
                "strokes": Strokes(advice.strokes),
                "passes": wording.rounds(max(1, round(advice.passes))),
            }
        case _ if advice.step in (Step.CLOSE, Step.LIKELY) or belief.best_nm >= window.least_nm:
            return reply_to_advice(advice, state, wording)
        case _:
            name, facts["more_nm"] = AnswerReply.MORE, Length(advice.more_nm)
    return wording.fill(name, unit, facts)


def _read_back(state: State, facts: Facts, wording: Wording) -> Reply:
    unit = state.the_job.unit
    if not state.last_entry:
        return wording.fill(AnswerReply.READ_BACK_NONE, unit, facts)
    entry = _listed(state.last_entry, wording, unit)
    return wording.fill(AnswerReply.READ_BACK, unit, {**facts, "entry": entry})


def entry_line(event: ev.RingEvent, wording: Wording, unit: Unit) -> Reply:
    """One entry as it is read back and listed: ``15 thou goes``."""
    facts: dict[str, Fact | Reply] = {"place": wording.place(event.key)}
    match event:
        case ev.LeafTried(leaf_nm=leaf_nm, feel=feel):
            filled = _reading(leaf_nm, feel, unit, wording)
            return Reply(filled.spoken, filled.shown[:1].lower() + filled.shown[1:])
        case ev.MetalGround(feed_nm=feed_nm):
            facts["feed_nm"] = Feed(feed_nm)
        case ev.StrokesFiled(strokes=strokes):
            facts["strokes"] = Strokes(strokes)
        case ev.RingChecked(check=check):
            facts["check"] = check
    filled = wording.fill(EntryReply(event.kind), unit, facts)
    return Reply(filled.spoken, filled.shown[:1].lower() + filled.shown[1:])
