"""Commands decide events: what a call means for the session, or why it cannot be.

``decide`` may refuse (CommandNotAllowed) or ask back (QuestionAsked); it changes nothing itself.
"""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from assistant.bench import commands as cmd
from assistant.bench import events as ev
from assistant.bench.commands import Command, Place, Report, VoiceChange
from assistant.bench.job import GrinderKind, RingPosition
from assistant.bench.plan import RingKey
from assistant.bench.reply_terms import (
    CommandNotAllowed,
    Either,
    Length,
    QuestionFacts,
    QuestionReply,
    Refusal,
)
from assistant.bench.session import Outcome, State, with_ring_event
from assistant.fitting.doubt import DoubtKind, doubt_after, fits_instead
from assistant.fitting.facts import Reading
from assistant.fitting.removal import CutReason, next_cut, p_over_after
from assistant.fitting.targets import HAIR_NM
from assistant.units import Unit, from_called


def decide(state: State, command: Command) -> tuple[ev.Event, ...]:
    """The events that ``command`` causes in ``state``; none for a plain question.

    Raises CommandNotAllowed where the command makes no sense now.
    """
    match command:
        case cmd.Ask():
            return ()
        case cmd.StandBy():
            return (ev.ListeningPaused(),)
        case cmd.ListenUp():
            return (ev.ListeningResumed(),)
        case cmd.SetVoice(change=change):
            return (_voice(state.the_voice, change),)
        case cmd.KeepCalls(on=on):
            kept = state.keeping_clips or ev.ClipKeepingSet(on=on)
            return (kept.model_copy(update={"on": on}),)
        case cmd.TakeNote():
            return (ev.NoteBegun(),)
        case cmd.WrapUp():
            return (ev.SessionClosed(),)
        case cmd.Undo():
            return _undo(state)
        case cmd.Answer(yes=yes):
            return _answer(state, yes)
        case cmd.OtherUnit():
            raise CommandNotAllowed(Refusal.OTHER_UNIT, unit=state.the_job.unit.call_symbol)
        case cmd.Amend(number=number):
            return _amend(state, number)
        case cmd.Pick(place=place):
            return _pick(state, place)
        case Report():
            return _report(state, command)
        case cmd.Accept():
            return _accept(state)
        case cmd.Spoiled():
            return _leave(state, ev.RingSpoiled)
        case cmd.Skip():
            return _leave(state, ev.RingSkipped)
        case cmd.Checked(check=check):
            cylinder, position = _at_hand(state)
            checked = ev.RingChecked(cylinder=cylinder, position=position, check=check)
            return (*_entry(state, (checked,)), *_asked_again(state, key=(cylinder, position)))
        case cmd.Ground(feed_nm=feed_nm):
            cylinder, position = _at_hand(state)
            if state.the_job.grinder.kind is not GrinderKind.DIAL:
                raise CommandNotAllowed(Refusal.JOB_HAS_A_FILE)
            cut = ev.MetalGround(cylinder=cylinder, position=position, feed_nm=feed_nm)
            return _entry(state, (cut,))
        case cmd.Filed(strokes=strokes):
            cylinder, position = _at_hand(state)
            if state.the_job.grinder.kind is not GrinderKind.FILE:
                raise CommandNotAllowed(Refusal.JOB_HAS_A_DIAL)
            filed = ev.StrokesFiled(cylinder=cylinder, position=position, strokes=strokes)
            return _entry(state, (filed,))


_VOLUMES_PERCENT = (20, 35, 50, 70, 100)
_SPEED_STEP_WPM = 25


def _voice(now: ev.VoiceSet, change: VoiceChange) -> ev.VoiceSet:
    """The voice one step further; about 3 dB or 25 words a minute."""
    volume, speed_wpm = now.volume_percent, now.words_per_minute
    match change:
        case VoiceChange.LOUDER:
            volume = min((v for v in _VOLUMES_PERCENT if v > volume), default=volume)
        case VoiceChange.SOFTER:
            volume = max((v for v in _VOLUMES_PERCENT if v < volume), default=volume)
        case VoiceChange.FASTER:
            speed_wpm = min(speed_wpm + _SPEED_STEP_WPM, ev.FASTEST_WPM)
        case VoiceChange.SLOWER:
            speed_wpm = max(speed_wpm - _SPEED_STEP_WPM, ev.SLOWEST_WPM)
    changed = ev.VoiceSet(volume_percent=volume, words_per_minute=speed_wpm)
    if changed == now:
        raise CommandNotAllowed(Refusal.VOICE_AT_ITS_LIMIT)
    return changed


def _at_hand(state: State) -> RingKey:
    if state.here is None:
        raise CommandNotAllowed(Refusal.WHICH_RING)
    return state.here


def _resolve(state: State, place: Place | None) -> RingKey:
    """The ring that a call means. Raises CommandNotAllowed if it is none of the job's."""
    job = state.the_job
    if place is None:
        return _at_hand(state)
    cylinder = place.cylinder or (state.here[0] if state.here else None)
    if cylinder is None:
        if job.cylinders > 1:
            raise CommandNotAllowed(Refusal.WHICH_CYLINDER)
        cylinder = 1
    if not 1 <= cylinder <= job.cylinders:
        raise CommandNotAllowed(
            Refusal.NO_SUCH_CYLINDER, cylinder=cylinder, cylinders=job.cylinders
        )
    if place.position is None:
        # "cylinder two" alone: the first open ring there, else the first of all.
        order = [key for key in job.places() if key[0] == cylinder]
        still_open = [key for key in order if state.ring(key).outcome is None]
        return (still_open or order)[0]
    if place.position not in job.order:
        rings = tuple(job.order)
        raise CommandNotAllowed(Refusal.NO_SUCH_RING, ring=place.position, rings=rings)
    return (cylinder, place.position)


def corrected(report: Report, number: Decimal, unit: Unit) -> Report:
    """A report that was refused for a leaf, its last leaf replaced."""
    leaf_nm = from_called(number, unit)
    last = Reading(leaf_nm, report.readings[-1].feel)
    return replace(
        report, readings=(*report.readings[:-1], last), parts_nm=(*report.parts_nm[:-1], (leaf_nm,))
    )


def asked_of_earlier(state: State, made: tuple[ev.Event, ...]) -> tuple[ev.Event, ...]:
    """What ``decide`` found for taking back or correcting the last entry, as a question: the call
    just before was refused, so the builder may have meant that one, and nothing of it was noted."""
    if not isinstance(made[0], ev.EntryRetracted):
        return made
    return (_question(QuestionReply.EARLIER, _of(state.last_entry[-1].key), made),)


def asked_first(made: tuple[ev.Event, ...], words: Sequence[str]) -> tuple[ev.Event, ...]:
    """What ``decide`` found for an entry, as a question: the call may have been misheard.

    What is a question already stays one, and what was asked and is said again is answered.
    """
    if isinstance(made[0], ev.QuestionAsked | ev.QuestionAnswered):
        return made
    first = next(event for event in made if isinstance(event, ev.RingEvent))
    key = first.key
    return (_question(QuestionReply.MISHEARD, _of(key, said=" ".join(words)), made),)


def _pick(state: State, place: Place | None) -> tuple[ev.Event, ...]:
    key = _resolve(state, place) if place is not None else state.next_ring()
    if key is None:
        raise CommandNotAllowed(
            Refusal.NO_OTHER_RING if state.open_rings() else Refusal.NO_RING_LEFT
        )
    cylinder, position = key
    picked = ev.RingPicked(cylinder=cylinder, position=position)
    match state.ring(key).outcome:
        case Outcome.SKIPPED:
            return (picked, ev.RingReopened(cylinder=cylinder, position=position))
        case Outcome.SPOILED:
            fresh = ev.RingReopened(cylinder=cylinder, position=position, fresh=True)
            return (_question(QuestionReply.ANOTHER_RING, _of(key), (picked, fresh)),)
    return (picked,)


def _report(state: State, command: Report) -> tuple[ev.Event, ...]:
    key = _resolve(state, command.place)
    cylinder, position = key
    _check_leaves(state, command)
    proposed: list[ev.RingEvent] = []
    if key != state.here:
        proposed.append(ev.RingPicked(cylinder=cylinder, position=position))
    proposed += (
        ev.LeafTried(
            cylinder=cylinder, position=position, leaf_nm=r.leaf_nm, leaves=r.leaves, feel=r.feel
        )
        for r in command.readings
    )
    return _entry(state, tuple(proposed))


def _check_leaves(state: State, command: Report) -> None:
    job = state.the_job
    for part_nm in (part for parts in command.parts_nm for part in parts):
        if part_nm not in job.leaves_nm:
            near = sorted(job.leaves_nm, key=lambda leaf_nm: (abs(leaf_nm - part_nm), leaf_nm))
            raise CommandNotAllowed(
                Refusal.NO_SUCH_LEAF,
                leaf_nm=Length(part_nm),
                near_nm=Either(tuple(sorted(near[:2]))),
            )


def _entry(state: State, proposed: tuple[ev.RingEvent, ...]) -> tuple[ev.Event, ...]:
    """The proposed ring events, or the question that must be answered before they count."""
    waiting = state.pending.events if state.pending is not None else ()
    if waiting and _without_retraction(waiting) == proposed:
        return (ev.QuestionAnswered(yes=True), *waiting)  # said again word for word: that is a yes
    trial = state
    for event in proposed:
        key = event.key
        ring = trial.ring(key)
        if ring.outcome is not None and not isinstance(event, ev.RingPicked | ev.RingReopened):
            cylinder, position = key
            fresh = ring.outcome is Outcome.SPOILED
            reopened = ev.RingReopened(cylinder=cylinder, position=position, fresh=fresh)
            rest = proposed[proposed.index(event) :]
            picks = proposed[: proposed.index(event)]
            if ring.outcome is Outcome.SKIPPED:
                return _entry(state, (*picks, reopened, *rest))
            about = QuestionReply.ANOTHER_RING if fresh else QuestionReply.OPEN_AGAIN
            return (_question(about, _of(key), (*picks, reopened, *rest)),)
        question = _doubt_of(trial, key, event)
        if question is not None:
            return (_question(*question, proposed),)
        trial = with_ring_event(trial, event)
    return proposed


def _asked_again(state: State, *, key: RingKey) -> tuple[ev.QuestionAsked, ...]:
    """The open question once more: a check of its ring is no answer, and drops no reading."""
    waiting = state.pending
    if waiting is None or waiting.about in _OF_PLACE or state.ring(key).outcome is not None:
        return ()
    if any(event.key != key for event in waiting.events if isinstance(event, ev.RingEvent)):
        return ()
    return (ev.QuestionAsked(about=waiting.about, facts=waiting.facts, pending=waiting.events),)


def _of(key: RingKey, *, said: str | None = None) -> QuestionFacts:
    return QuestionFacts(cylinder=key[0], ring=key[1], said=said)


_DOUBTS = {
    DoubtKind.SHRANK: QuestionReply.READING_SHRANK,
    DoubtKind.GREW_TOO_LITTLE: QuestionReply.READING_GREW_TOO_LITTLE,
    DoubtKind.GREW_TOO_MUCH: QuestionReply.READING_GREW_TOO_MUCH,
    DoubtKind.CONTRADICTS: QuestionReply.READING_CONTRADICTS,
    DoubtKind.IMPOSSIBLE: QuestionReply.READING_IMPOSSIBLE,
}


def _doubt_of(
    state: State, key: RingKey, event: ev.RingEvent
) -> tuple[QuestionReply, QuestionFacts] | None:
    """What to ask if the event can hardly be true, else None."""
    job = state.the_job
    match event:
        case ev.LeafTried(leaf_nm=leaf_nm, feel=feel, leaves=leaves):
            reading = Reading(leaf_nm, feel, leaves=leaves)
            found = doubt_after(
                state.ring(key).facts, reading, state.bench(key), window=state.window(key)
            )
            if found is None:
                return None
            facts = QuestionFacts(cylinder=key[0], ring=key[1], leaf_nm=leaf_nm, feel=feel)
            others = {
                other: state.belief(other)
                for other in job.places()
                if other != key and state.ring(other).outcome is None and state.ring(other).facts
            }
            swapped = fits_instead(others, reading)
            if swapped is not None:
                other = {"other_cylinder": swapped[0], "other_ring": swapped[1]}
                facts = facts.model_copy(update=other)
            elif found.likely_nm:
                facts = facts.model_copy(update={"likely_nm": found.likely_nm[0]})
            return _DOUBTS[found.kind], facts
        case ev.MetalGround(feed_nm=feed_nm) if _may_go_over_unmeasured(state, key, feed_nm):
            facts = QuestionFacts(cylinder=key[0], ring=key[1], feed_nm=feed_nm)
            return QuestionReply.SECOND_CUT, facts
        case ev.StrokesFiled(strokes=strokes) if _may_go_over_unmeasured(state, key, strokes):
            facts = QuestionFacts(cylinder=key[0], ring=key[1], strokes=strokes)
            return QuestionReply.SECOND_STROKES, facts
        case ev.MetalGround(feed_nm=feed_nm):
            window, belief = state.window(key), state.belief(key)
            too_far = (
                window.most_nm is not None
                and belief.known
                and belief.best_nm + feed_nm > window.most_nm + job.unit.call_nm
            )
            if too_far or not state.within_largest_cut(key, feed_nm):
                facts = QuestionFacts(cylinder=key[0], ring=key[1], feed_nm=feed_nm)
                return QuestionReply.LARGE_CUT, facts
        case ev.StrokesFiled(strokes=strokes):
            # step_nm of a file is only a guess of what a stroke takes off, so twice is allowed.
            if strokes * job.grinder.step_nm > 2 * job.grinder.largest_cut_nm:
                facts = QuestionFacts(cylinder=key[0], ring=key[1], strokes=strokes)
                return QuestionReply.MANY_STROKES, facts
    return None


_COULD_GO_OVER = 0.01
"""Chance from which a second cut without a leaf between is asked back (no source)."""


def _may_go_over_unmeasured(state: State, key: RingKey, units: int) -> bool:
    """Whether a cut after a cut, no leaf tried between, could end above the most."""
    window = state.window(key)
    if window.most_nm is None or state.ring(key).measured is not False:
        return False
    belief = state.belief(key)
    return belief.seen and p_over_after(belief, units, window.most_nm + HAIR_NM) > _COULD_GO_OVER


_OF_PLACE = (QuestionReply.OPEN_AGAIN, QuestionReply.ANOTHER_RING)
"""Questions that are of the ring, not of what was said of it."""


def _question(
    about: QuestionReply, facts: QuestionFacts, pending: Sequence[ev.Event]
) -> ev.QuestionAsked:
    return ev.QuestionAsked(about=about.value, facts=facts.stored(), pending=tuple(pending))


def _accept(state: State) -> tuple[ev.Event, ...]:
    key = _at_hand(state)
    cylinder, position = key
    window, belief = state.window(key), state.belief(key)
    if not belief.known or belief.butting or not state.ring(key).measured:
        raise CommandNotAllowed(Refusal.ACCEPT_WITHOUT_A_READING)
    accepted = ev.RingAccepted(cylinder=cylinder, position=position)
    reason = next_cut(belief, window, state.bench(key)).reason
    if reason in (CutReason.INSIDE, CutReason.RAIL_OK):
        strange = _relation_question(state, key)
        if strange is not None:
            return (
                _question(
                    QuestionReply.ACCEPT_RELATION, strange, (accepted, *_then_next(state, key))
                ),
            )
        return (accepted, *_then_next(state, key))
    if reason is CutReason.LIKELY:  # the reply told how likely; nobody need be asked again
        return (accepted.model_copy(update={"outside": True}), *_then_next(state, key))
    below = belief.best_nm < window.least_nm
    about = QuestionReply.ACCEPT_BELOW if below else QuestionReply.ACCEPT_ABOVE
    if window.holds(belief.best_nm):
        about = QuestionReply.ACCEPT_UNSURE
    outside = accepted.model_copy(update={"outside": True})
    facts = QuestionFacts(cylinder=cylinder, ring=position, gap_nm=belief.best_nm)
    return (_question(about, facts, (outside, *_then_next(state, key))),)


def _relation_question(state: State, key: RingKey) -> QuestionFacts | None:
    """What to ask before a top or second ring is accepted whose gap does not suit the other's."""
    wanted = state.the_job.top_over_second
    pair = (RingPosition.TOP, RingPosition.SECOND)
    if wanted is None or key[1] not in pair:
        return None
    other = (key[0], pair[1 - pair.index(key[1])])
    if state.ring(other).outcome is not Outcome.ACCEPTED:
        return None
    found_nm = state.top_over_second_nm(key[0])
    if found_nm is None or wanted.least_nm <= found_nm <= wanted.most_nm:
        return None
    return QuestionFacts(
        cylinder=key[0], ring=key[1], difference_nm=found_nm, least_nm=wanted.least_nm,
        most_nm=wanted.most_nm,
    )  # fmt: skip


def _leave(state: State, made: type[ev.RingSpoiled] | type[ev.RingSkipped]) -> tuple[ev.Event, ...]:
    key = _at_hand(state)
    return (made(cylinder=key[0], position=key[1]), *_then_next(state, key))


def _then_next(state: State, key: RingKey) -> tuple[ev.RingPicked, ...]:
    following = replace(state, here=key).next_ring()
    if following is None or state.ring(following).outcome is Outcome.SKIPPED:
        return ()
    return (ev.RingPicked(cylinder=following[0], position=following[1]),)


def _undo(state: State) -> tuple[ev.Event, ...]:
    if state.pending is not None:
        return (ev.QuestionAnswered(yes=False),)
    if state.before is None:
        raise CommandNotAllowed(Refusal.NOTHING_TO_TAKE_BACK)
    return (ev.EntryRetracted(retracted_turn=state.entry_turn),)


def _answer(state: State, yes: bool) -> tuple[ev.Event, ...]:
    if state.pending is None:
        raise CommandNotAllowed(Refusal.NO_QUESTION_OPEN)
    answered = ev.QuestionAnswered(yes=yes)
    if not yes:
        return (answered,)
    entry = state.pending.events
    if state.pending.about in _OF_PLACE:
        # Yes to the ring; what was said of it has yet to be believed.
        said = _without_retraction(entry)
        taken_back = entry[: len(entry) - len(said)]
        return (answered, *taken_back, *_entry(replace(state, pending=None), said))
    return (answered, *entry)


def _amend(state: State, number: Decimal) -> tuple[ev.Event, ...]:
    """The last entry (or the one that waits for a yes) again, its last number replaced."""
    job = state.the_job
    waiting = state.pending.events if state.pending is not None else ()
    entry = _without_retraction(waiting) if waiting else state.last_entry
    at = next(
        (n for n in reversed(range(len(entry))) if isinstance(
            entry[n], ev.LeafTried | ev.MetalGround | ev.StrokesFiled)),
        None,
    )  # fmt: skip
    if at is None or (not waiting and state.before is None):
        raise CommandNotAllowed(Refusal.NO_NUMBER_TO_CORRECT)
    match entry[at]:
        case ev.LeafTried() as tried:
            leaf_nm = from_called(number, job.unit)
            reading = Reading(leaf_nm, tried.feel)
            _check_leaves(state, Report(None, (reading,), ((leaf_nm,),)))
            corrected: ev.RingEvent = tried.model_copy(update={"leaf_nm": leaf_nm, "leaves": 1})
        case ev.MetalGround() as ground:
            corrected = ground.model_copy(update={"feed_nm": from_called(number, job.unit)})
        case ev.StrokesFiled() as filed:
            if number != int(number):
                raise CommandNotAllowed(Refusal.HALF_A_STROKE)
            corrected = filed.model_copy(update={"strokes": int(number)})
        case _:
            raise CommandNotAllowed(Refusal.NO_NUMBER_TO_CORRECT)
    proposed = (*entry[:at], corrected, *entry[at + 1 :])
    if waiting and entry == waiting:
        return _entry(replace(state, pending=None), proposed)
    # A question that was open before the entry is not answered by correcting it.
    decided = _entry(replace(state.before or state, pending=None), proposed)
    retracted = ev.EntryRetracted(retracted_turn=state.entry_turn)
    if isinstance(decided[0], ev.QuestionAsked):
        # The old entry stands until the yes: a cut that was made must not be lost by a "no".
        return (decided[0].model_copy(update={"pending": (retracted, *decided[0].pending)}),)
    return (retracted, *decided)


def _without_retraction(waiting: tuple[ev.Event, ...]) -> tuple[ev.RingEvent, ...]:
    """The ring events of a question; that of a correction takes the old entry back first."""
    return tuple(event for event in waiting if isinstance(event, ev.RingEvent))
