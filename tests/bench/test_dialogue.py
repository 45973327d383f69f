"""One turn: log before show before speak, and nothing of it when the log cannot be written."""

import re

import pytest

from assistant.bench import events as ev
from assistant.bench.dialogue import Call, Dialogue
from assistant.bench.ports import Tone
from assistant.bench.session import State, replay
from assistant.bench.wording import Wording
from assistant.errors import JobError, LogError
from assistant.language.grammar import Grammar
from tests.fakes import (
    START,
    THOU,
    TOP,
    UPPER,
    Bench,
    FakeClock,
    FakeSpeaker,
    MemoryStore,
    heard,
    small_job,
)


def test_a_turn_is_logged_then_shown_then_spoken(bench: Bench) -> None:
    bench.say("ground two")
    assert [effect for effect, _ in bench.effects] == ["log", "show", "say"]
    (_, kinds), (_, shown), (_, said) = bench.effects
    assert kinds == ["call heard", "metal ground", "reply given"]
    assert shown.startswith("Ground 2 thou.")
    assert said.startswith("Ground two thou.")


def test_when_the_log_cannot_be_written_nothing_is_shown_said_or_kept(bench: Bench) -> None:
    bench.say("top ring")
    before, stored = bench.state, list(bench.store.events)
    bench.effects.clear()
    bench.store.full = True
    with pytest.raises(LogError, match="No space left"):
        bench.say("fifteen goes")
    assert bench.effects == []
    assert bench.state is before
    bench.store.full = False
    assert bench.store.events == stored
    bench.say("fifteen goes")
    assert bench.state == replay(bench.store.events)
    assert bench.state.ring((1, TOP)).facts != ()


def test_when_the_voice_fails_it_is_told_once_and_the_session_goes_on(bench: Bench) -> None:
    bench.speaker.broken = True
    bench.say("ground two")
    bench.say("deburred")
    assert bench.state == replay(bench.store.events)
    assert bench.state.ring((1, UPPER)).passes == 1
    troubles = [e.event for e in bench.store.events if isinstance(e.event, ev.TroubleNoted)]
    assert [(t.about, t.detail) for t in troubles] == [("voice lost", "no voice")]
    bench.speaker.broken = False
    bench.say("ring is square")
    assert bench.speaker.said[-1] == "The voice is back."
    assert bench.last.events == (ev.TroubleNoted(about="voice back"),)


def test_when_the_screen_fails_the_state_is_what_the_log_holds(bench: Bench) -> None:
    def broken(_: object) -> None:
        raise BrokenPipeError

    bench.dialogue._show = broken
    with pytest.raises(BrokenPipeError):
        bench.say("ground two")
    assert bench.state == replay(bench.store.events)


def test_what_was_heard_is_logged_with_source_times_score_and_command(bench: Bench) -> None:
    bench.say("ground two", score=0.91234567)
    call = bench.store.events[-3].event
    assert call == ev.CallHeard(
        source="microphone", words="ground two", command="ground", refused=None, score=0.9123,
        start_s=1.0, end_s=2.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("words", "score", "refused"),
    [
        ("banana", 0.95, "unknown words"),
        ("fifteen goes", 0.4, "not sure"),
        ("fifteen goes", 0.1, "foreign"),
        ("cylinder nine", 0.95, "no such cylinder"),
    ],
)
def test_what_has_no_effect_is_logged_with_the_reason(
    bench: Bench, words: str, score: float, refused: str
) -> None:
    before = bench.state
    bench.say(words, score=score)
    heard_events = [e.event for e in bench.store.events if isinstance(e.event, ev.CallHeard)]
    assert (heard_events[-1].words, heard_events[-1].refused) == (words, refused)
    assert heard_events[-1].command is None
    assert (bench.state.rings, bench.state.here) == (before.rings, before.here)
    assert bench.last.refused == refused


def test_talk_that_is_not_for_the_bench_gets_no_answer(bench: Bench) -> None:
    bench.say("fifteen goes", score=0.1)
    assert [effect for effect, _ in bench.effects] == ["log", "show"]
    assert bench.speaker.said[1:] == []


def test_nothing_heard_leaves_no_trace_in_the_log(bench: Bench) -> None:
    before, stored = bench.state, len(bench.store.events)
    bench.say("")
    assert (bench.state, len(bench.store.events)) == (before, stored)


def test_all_events_of_a_turn_share_its_number_and_are_in_order(bench: Bench) -> None:
    bench.through("top ring", "sixteen goes seventeen snug", "accept it", "banana")
    events = bench.store.events
    assert [e.seq for e in events] == list(range(len(events)))
    turns = [e.turn for e in events]
    assert turns == sorted(turns)
    assert set(turns) == {0, 1, 2, 3, 4}
    assert [e.event.kind for e in events if e.turn == 3] == [
        "call heard", "ring accepted", "ring picked", "reply given",
    ]  # fmt: skip


def test_the_log_alone_gives_the_state(bench: Bench) -> None:
    bench.through("top ring", "fifteen goes sixteen snug", "ground one", "take that back")
    bench.through("ground half", "stand by", "listen up", "ground twelve")
    assert replay(bench.store.events) == bench.state == replay(bench.store.read())


# --- opening ----------------------------------------------------------------------------------


def dialogue_on(store: MemoryStore, grammar: Grammar, wording: Wording) -> Dialogue:
    return Dialogue(
        store=store, clock=FakeClock(), grammar=grammar, wording=wording, speaker=FakeSpeaker(),
        show=lambda _: None, state=replay(store.read()),
    )  # fmt: skip


def test_a_new_session_logs_its_job_and_takes_up_the_first_ring(
    store: MemoryStore, grammar: Grammar, wording: Wording
) -> None:
    turn = dialogue_on(store, grammar, wording).open(small_job(), software="leafcall 9")
    assert [e.event for e in store.events][:2] == [
        ev.SessionOpened(job=small_job(), software="leafcall 9"),
        ev.RingPicked(cylinder=1, position=UPPER),
    ]
    assert store.events[0].at == START
    assert turn.reply.spoken.startswith("cylinder one upper rail. At least fifteen thou.")


def test_an_unfinished_session_goes_on_at_its_ring(
    bench: Bench, grammar: Grammar, wording: Wording
) -> None:
    bench.through("top ring", "twelve goes thirteen snug")
    turn = dialogue_on(bench.store, grammar, wording).open(bench.job, software="x")
    assert turn.events == (ev.SessionResumed(software="x"),)
    assert turn.reply.spoken.startswith("Going on. cylinder one top ring. About thirteen thou.")


def test_without_a_ring_at_hand_it_goes_on_at_the_next_one(
    bench: Bench, grammar: Grammar, wording: Wording
) -> None:
    bench.through(*["skip this ring"] * 6)
    turn = dialogue_on(bench.store, grammar, wording).open(bench.job, software="x")
    assert turn.events[1] == ev.RingPicked(cylinder=1, position=UPPER)


@pytest.mark.parametrize(("answer", "passes"), [("yes", 1), ("no", 0), ("fifteen goes", 0)])
def test_a_question_left_open_is_asked_again_when_the_session_goes_on(
    bench: Bench, grammar: Grammar, wording: Wording, answer: str, passes: int
) -> None:
    bench.through("top ring", "ground twelve")
    asked = bench.last.reply
    again = dialogue_on(bench.store, grammar, wording)
    turn = again.open(bench.job, software="x")
    assert turn.reply.shown == f"Going on. Cylinder 1 top ring. {asked.shown}"
    assert again.state.ring((1, TOP)).passes == 0
    again.take(Call(heard(answer), source="microphone"))
    assert again.state.ring((1, TOP)).passes == passes
    assert again.state.pending is None


@pytest.mark.parametrize(
    ("waiting", "call", "told"),
    [
        ("butts", "fifteen goes", "Butts was not counted. 15 goes."),
        ("eight no go", "fifteen goes", "8 thou no go was not counted. 15 goes."),
        ("butts", "ground eleven", "Butts was not counted. Ground 11 thou? "),
        ("butts", "stand by", "Butts was not counted. Standing by."),
        ("butts", "wrap up", "Butts was not counted. Wrapped up."),
        ("butts", "next ring", "Butts was not counted. Cylinder 2 upper rail."),
        ("butts", "skip this ring", "Butts was not counted. Skipped."),
    ],
)
def test_a_call_that_goes_past_a_question_is_told_what_was_not_counted(
    bench: Bench, waiting: str, call: str, told: str
) -> None:
    bench.through("top ring", "fourteen goes fifteen snug", waiting)
    assert bench.state.pending is not None
    bench.say(call)
    assert bench.last.reply.shown.startswith(told)


@pytest.mark.parametrize("call", ["yes", "no", "butts", "take that back", "what now", "note",
                                  "speak louder", "how much more"])  # fmt: skip
def test_a_call_that_answers_a_question_or_leaves_it_open_tells_of_nothing_lost(
    bench: Bench, call: str
) -> None:
    bench.through("top ring", "fourteen goes fifteen snug", "butts", call)
    assert "not counted" not in bench.last.reply.shown


def test_a_correction_of_what_waits_is_an_answer(bench: Bench) -> None:
    bench.through("top ring", "fourteen goes fifteen snug", "eight no go", "make that sixteen")
    assert "not counted" not in bench.last.reply.shown


def test_a_session_whose_rings_are_all_done_opens_again(
    bench: Bench, grammar: Grammar, wording: Wording
) -> None:
    while bench.state.here is not None:
        second = bench.state.here[1] == "second"
        bench.through("nineteen snug" if second else "seventeen snug", "accept it")
    assert bench.state.open_rings() == ()
    turn = dialogue_on(bench.store, grammar, wording).open(bench.job, software="x")
    assert turn.reply.shown.startswith("Going on. All rings are done.")
    again = dialogue_on(bench.store, grammar, wording)
    assert again.tell("microphone back").reply.shown == "The microphone is back."


def test_standing_by_and_a_note_under_way_end_with_the_session(
    bench: Bench, grammar: Grammar, wording: Wording
) -> None:
    bench.through("note")
    again = dialogue_on(bench.store, grammar, wording)
    again.open(bench.job, software="x")
    again.take(Call(heard("ground two"), source="microphone"))
    assert again.state.ring((1, UPPER)).passes == 1


def test_a_changed_job_is_refused_with_the_way_out(
    bench: Bench, grammar: Grammar, wording: Wording
) -> None:
    stored = len(bench.store.events)
    with pytest.raises(JobError, match=r"job file has changed .* new session with --new"):
        dialogue_on(bench.store, grammar, wording).open(small_job(cylinders=3), software="x")
    assert len(bench.store.events) == stored


# --- notes ------------------------------------------------------------------------------------


def test_after_note_the_next_call_is_kept_as_sound_and_means_nothing(bench: Bench) -> None:
    bench.say("note")
    call = Call(heard("wrap up"), source="microphone", keep=lambda _: "0001.wav")
    turn = bench.dialogue.take(call)
    assert turn.events == (ev.NoteKept(clip="0001.wav"),)
    assert not turn.state.closed
    bench.say("wrap up")
    assert bench.state.closed


def test_a_typed_note_is_kept_as_text(bench: Bench) -> None:
    bench.type("note")
    bench.type("Blue rag, cylinder 2!")
    assert bench.last.events == (ev.NoteKept(text="blue rag cylinder two"),)


def no_room(_most_bytes: int | None) -> str:
    raise LogError("The clip cannot be kept: No space left on device.")


def test_a_note_that_cannot_be_kept_is_told_and_the_next_call_counts_again(bench: Bench) -> None:
    bench.say("note")
    turn = bench.dialogue.take(Call(heard("x"), source="microphone", keep=no_room))
    assert [type(event) for event in turn.events] == [ev.NoteKept, ev.TroubleNoted]
    assert turn.reply.spoken == "The sound could not be kept."
    bench.say("ground two")
    assert bench.state.ring((1, UPPER)).passes == 1
    assert isinstance(bench.state, State)


# --- kept calls -------------------------------------------------------------------------------


def kept_on(
    bench: Bench, text: str, *, score: float = 0.95, lossy: bool = False
) -> list[int | None]:
    """Call out with sound that can be kept; for which room it was asked to be kept."""
    asked: list[int | None] = []

    def keep(most_bytes: int | None) -> str:
        asked.append(most_bytes)
        return f"{len(asked):04d}.wav"

    bench.dialogue.take(Call(heard(text, score=score), source="microphone", keep=keep, lossy=lossy))
    return asked


def clips(bench: Bench) -> list[str | None]:
    return [e.event.clip for e in bench.store.events if isinstance(e.event, ev.CallHeard)]


def test_no_call_is_kept_unless_the_builder_said_so(bench: Bench) -> None:
    assert kept_on(bench, "ground two") == []
    bench.say("keep recordings")
    assert kept_on(bench, "deburred") == [200_000_000]
    bench.say("no recordings")
    assert kept_on(bench, "ring is square") == []
    assert clips(bench) == [None, None, "0001.wav", None, None]


def test_talk_of_others_is_never_kept_but_a_call_that_was_not_sure_is(bench: Bench) -> None:
    bench.say("keep recordings")
    assert kept_on(bench, "ground two", score=0.1) == []
    assert kept_on(bench, "ground two", score=0.4) == [200_000_000]
    bench.say("stand by")
    assert kept_on(bench, "ground two") == []


def test_when_the_room_for_clips_is_used_up_it_says_so_and_stops_keeping(bench: Bench) -> None:
    bench.say("keep recordings")
    full = Call(heard("ground two"), source="microphone", keep=lambda _: None)
    turn = bench.dialogue.take(full)
    assert turn.reply.spoken.endswith("No more sound is kept.")
    assert bench.state.ring((1, UPPER)).passes == 1
    assert kept_on(bench, "deburred") == []


def test_a_clip_that_cannot_be_kept_never_stops_a_call(bench: Bench) -> None:
    bench.say("keep recordings")
    turn = bench.dialogue.take(Call(heard("ground two"), source="microphone", keep=no_room))
    assert bench.state.ring((1, UPPER)).passes == 1
    assert "The sound could not be kept." in turn.reply.spoken
    assert kept_on(bench, "deburred") == []


# --- voice and troubles -----------------------------------------------------------------------


def test_the_voice_is_set_by_voice_and_stays_over_a_resumed_session(
    bench: Bench, grammar: Grammar, wording: Wording
) -> None:
    assert bench.speaker.voices == [(70, 170)]
    bench.through("speak louder", "speak slower")
    assert bench.speaker.voices[1:] == [(100, 170), (100, 145)]
    assert bench.say("speak louder") == "That is as far as it goes."
    again = dialogue_on(bench.store, grammar, wording)
    again.open(bench.job, software="x")
    assert again.state.the_voice == ev.VoiceSet(volume_percent=100, words_per_minute=145)


def test_settings_given_at_the_start_are_in_the_log(grammar: Grammar, wording: Wording) -> None:
    bench = Bench(small_job(), grammar, wording, opened=False)
    wanted = (
        ev.VoiceSet(volume_percent=50, words_per_minute=120),
        ev.ClipKeepingSet(on=True, most_mb=7),
    )
    bench.dialogue.open(bench.job, software="x", settings=wanted)
    assert bench.speaker.voices == [(50, 120)]
    assert bench.state.keeping_clips == wanted[1]
    assert replay(bench.store.events) == bench.state


def test_a_taken_call_has_one_tone_and_one_that_was_not_understood_another(bench: Bench) -> None:
    bench.speaker.tones.clear()
    bench.say("ground two")
    bench.say("deburred", score=0.4)
    bench.say("deburred", score=0.1)  # talk: not even a tone
    bench.say("accept it")  # no reading yet
    assert bench.speaker.tones == [Tone.HEARD, Tone.AGAIN, Tone.AGAIN]


def test_a_call_whose_sound_was_lost_in_part_is_asked_again(bench: Bench) -> None:
    kept_on(bench, "ground two", lossy=True)
    assert bench.speaker.said[-1] == "Sound was lost. Say it again."
    assert bench.state.ring((1, UPPER)).passes == 0
    assert bench.store.events[-3].event.refused == "sound lost"


def test_a_trouble_is_logged_shown_and_said(bench: Bench) -> None:
    bench.dialogue.tell("microphone lost", "usb mic gives no sound any more")
    (trouble,) = bench.last.events
    assert trouble == ev.TroubleNoted(
        about="microphone lost", detail="usb mic gives no sound any more"
    )
    assert bench.speaker.said[-1] == "The microphone is gone. Look at its plug."
    assert replay(bench.store.events) == bench.state


# --- calls of which the ear is not sure -------------------------------------------------------


def test_an_unsure_call_is_read_back_and_counts_after_a_yes(bench: Bench) -> None:
    assert bench.mumble("ground two") == "ground two? Yes or no?"
    assert bench.last.reply.shown == "Ground two? Yes or no?"
    assert bench.speaker.tones[-1] is Tone.AGAIN
    assert bench.state.ring((1, UPPER)).passes == 0
    assert bench.say("yes").startswith("Ground two thou.")
    assert bench.state.ring((1, UPPER)).passes == 1
    bench.say("take that back")
    assert bench.state.ring((1, UPPER)).passes == 0


def test_strokes_that_the_bench_has_told_to_take_need_less_sureness(metric_bench: Bench) -> None:
    bench = metric_bench
    bench.through("top ring", "twenty goes twenty five snug")
    (told,) = re.findall(r"(\w[\w ]*) strokes\.$", bench.speaker.said[-1])
    assert told != "two"
    assert bench.mumble("two strokes").endswith("Yes or no?")
    bench.say("no")
    assert bench.mumble(f"{told} strokes").startswith(f"{told} strokes.")
    assert bench.state.ring((1, TOP)).passes == 1


def test_what_the_bench_has_told_to_do_needs_less_sureness(bench: Bench) -> None:
    bench.through("top ring", "ten goes eleven snug")
    words = bench.speaker.said[-1].rstrip(".").split("Grind ")[1].removesuffix(" thou")
    assert bench.mumble("ground two").endswith("Yes or no?")
    bench.say("no")
    assert bench.mumble(f"ground {words}").startswith(f"Ground {words} thou.")
    assert bench.speaker.tones[-1] is Tone.HEARD
    assert bench.state.ring((1, TOP)).passes == 1
    assert bench.mumble("deburred").startswith("Deburred.")
    assert bench.mumble("accept it") == "Say again?"  # its gap is not known: it cannot be meant
    bench.through("sixteen goes seventeen snug", "deburred", "ends are square")
    assert bench.mumble("accept it").startswith("Accepted.")


def test_a_no_leaves_all_as_it_was_and_the_call_itself_again_is_a_yes(bench: Bench) -> None:
    before = bench.state.rings
    bench.mumble("ground two")
    assert bench.say("no").startswith("Dropped.")
    assert bench.state.rings == before
    bench.mumble("ground two")
    bench.say("ground two")
    assert bench.state.ring((1, UPPER)).passes == 1
    assert bench.state.pending is None
    bench.mumble("ground three")
    bench.say("ground four")  # what was surely heard drops the question
    assert bench.state.pending is None
    assert [fact.feed_nm for fact in bench.state.ring((1, UPPER)).facts] == [2 * THOU, 4 * THOU]


def test_a_number_can_be_corrected_while_its_question_is_open(bench: Bench) -> None:
    bench.mumble("ground two")
    bench.say("make that three")
    assert [fact.feed_nm for fact in bench.state.ring((1, UPPER)).facts] == [3 * THOU]


def test_what_would_be_asked_or_refused_anyway_is_not_asked_twice(bench: Bench) -> None:
    assert bench.mumble("accept it") == "Say again?"  # there is nothing to accept
    bench.through("top ring", "fifteen goes", "ends are square")
    question = bench.mumble("fourteen no go")
    assert "against the last leaf" in question
    assert bench.state.pending is not None
    assert bench.state.pending.about == "reading contradicts"
