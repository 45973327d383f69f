"""A whole session without a microphone: a scripted person fits an engine by voice.

The truth comes from outside the product: gaps, cuts and feel from the simulated bench of
``tests/benchmarks/shop.py``, what was called from the person, the voice from eSpeak NG.
"""

import random
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from assistant.adapters.files.job_file import read_job
from assistant.adapters.sound.speaker import VoiceSpeaker
from assistant.adapters.sound.wav_file import survey
from assistant.bench import events as ev
from assistant.bench.session import replay
from assistant.bench.wording import Wording
from assistant.language.grammar import Grammar
from tests.benchmarks.shop import Engine, Scenario
from tests.fakes import Bench, small_job
from tests.simulation.bench_work import ends, job_text, person_for
from tests.simulation.person import Habits, Meant, Person
from tests.simulation.room import Room, Shop
from tests.simulation.standing import standing
from tests.simulation.told import ReplyReader
from tests.simulation.voices import caller, levelled
from tests.simulation.whole import Session, play

TALK = Path(__file__).resolve().parent.parent / "sample_audio" / "talk"


# --- by voice -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def played(
    tmp_path_factory: pytest.TempPathFactory, grammar: Grammar
) -> tuple[Session, dict[tuple[int, str], str]]:
    """One cylinder, second and top ring, in a quiet room with talk and dropped tools."""
    path = tmp_path_factory.mktemp("osprey") / "osprey.toml"
    path.write_text(job_text(1), encoding="utf-8")
    job = read_job(path)
    engine = Engine(Scenario("quiet", tilt=0.0), np.random.default_rng(4))
    person = person_for(job, grammar, engine, habits=Habits(pairs=1.0, says_deburred=0.3), seed=4)
    person.rings[1, "second"].gap, person.rings[1, "top"].gap = 13.4, 19.8  # one cut, none
    talk = [
        levelled(survey(clip).samples().astype(np.float64)) for clip in sorted(TALK.glob("0*.wav"))
    ]
    shop = Shop(talk=0.25, tools=0.2, gap_s=(0.3, 0.6), longest_s=240.0)
    bench_voice = VoiceSpeaker(words_per_minute=400)  # quick replies, for a quick test
    room = Room(shop, person, caller("en-us+f3"), bench_voice.sound, talk=talk, seed=4)
    session = play(path, person, room, grammar)
    return session, ends(person, job)


@pytest.mark.audio
@pytest.mark.timeout(300)
def test_every_ring_ends_truly_inside_its_window(
    played: tuple[Session, dict[tuple[int, str], str]],
) -> None:
    session, rings = played
    assert session.person.finished
    assert rings == {(1, "second"): "right", (1, "top"): "right"}
    assert session.person.rings[1, "second"].cuts > 0
    assert session.person.rings[1, "top"].cuts == 0


@pytest.mark.audio
@pytest.mark.timeout(300)
def test_what_stands_in_the_log_is_what_she_meant_no_more_no_less(
    played: tuple[Session, dict[tuple[int, str], str]],
) -> None:
    session, _ = played
    assert standing(session.log) == session.person.ledger
    assert all(len(entries) > 2 for entries in session.person.ledger.values())


@pytest.mark.audio
@pytest.mark.timeout(300)
def test_nothing_of_its_own_voice_of_talk_or_of_tools_is_taken(
    played: tuple[Session, dict[tuple[int, str], str]],
) -> None:
    session, _ = played
    assert session.room.talk_s
    assert session.room.tools
    assert len(session.room.speaker.said) > 10
    assert session.strangers == []
    assert len(session.room.unasked) == session.sessions  # how a session opens, nothing else


@pytest.mark.audio
@pytest.mark.timeout(300)
def test_the_log_replays_to_the_state_that_was_reached_and_the_sheet_is_written(
    played: tuple[Session, dict[tuple[int, str], str]],
) -> None:
    session, _ = played
    assert session.folder is not None
    assert replay(session.log) == session.taken[-1].turn.state
    assert session.taken[-1].turn.state.closed
    page = session.folder.sheet.read_text(encoding="utf-8")
    table = session.folder.table.read_text(encoding="utf-8")
    assert "Osprey" in page
    assert table.count("accepted") >= 2


# --- by words alone: the person, and repair after what an ear may do --------------------------


def _through_words(
    grammar: Grammar, wording: Wording, seed: int, *, misheard: float, unsure: float = 0.0
) -> tuple[Bench, Person, list[Meant]]:
    """The small job fitted without sound; a share of calls is lost or heard as something else.

    unsure: share of calls that the ear hears well but is not sure of.
    """
    job, rng = small_job(), random.Random(seed)
    bench = Bench(job, grammar, wording, opened=False)
    person = person_for(
        job, grammar, Engine(Scenario("words"), np.random.default_rng(seed)), seed=seed
    )
    person.hears(bench.dialogue.open(job, software="test").reply.spoken)
    calls = []
    while not person.finished and len(calls) < 400:
        meant = person.next_call()
        calls.append(meant)
        heard = meant.words
        if rng.random() < misheard:
            heard = "" if rng.random() < 0.5 else " ".join(grammar.sample(rng).words)
        say = bench.mumble if rng.random() < unsure else bench.say
        person.hears(say(heard) if heard else None)
        if bench.state.closed and not person.finished:
            bench.dialogue.open(job, software="test")
    return bench, person, calls


@pytest.mark.parametrize("seed", [1, 2])
def test_a_person_who_is_heard_well_never_repeats_herself(
    grammar: Grammar, wording: Wording, seed: int
) -> None:
    bench, person, calls = _through_words(grammar, wording, seed, misheard=0.0)
    assert person.finished
    assert not [meant for meant in calls if meant.extra]
    assert all(grammar.parse(meant.words.split()) is not None for meant in calls)
    assert standing(bench.store.events) == person.ledger


@pytest.mark.parametrize("seed", [4, 5])
def test_what_is_misheard_is_noticed_in_the_replies_and_put_right(
    grammar: Grammar, wording: Wording, seed: int
) -> None:
    bench, person, calls = _through_words(grammar, wording, seed, misheard=0.1)
    assert person.finished
    assert [meant for meant in calls if meant.extra]
    assert standing(bench.store.events) == person.ledger


@pytest.mark.parametrize("seed", [6, 7])
def test_an_entry_that_the_ear_was_not_sure_of_is_never_said_twice(
    grammar: Grammar, wording: Wording, seed: int
) -> None:
    bench, person, calls = _through_words(grammar, wording, seed, misheard=0.0, unsure=0.3)
    assert person.finished
    asked = [e.event for e in bench.store.events if isinstance(e.event, ev.QuestionAsked)]
    assert len([question for question in asked if question.about == "misheard"]) > 5
    assert not [
        meant for meant in calls if meant.tries and meant.kind not in ("ask", "answer", "wrap")
    ]
    assert standing(bench.store.events) == person.ledger


@pytest.mark.parametrize("seed", [7, 10])
def test_what_was_asked_back_wrongly_is_denied(
    grammar: Grammar, wording: Wording, seed: int
) -> None:
    bench, person, calls = _through_words(grammar, wording, seed, misheard=0.1, unsure=0.5)
    assert person.finished
    assert any(meant.words == "no" for meant in calls)
    assert standing(bench.store.events) == person.ledger


def test_a_reply_is_understood_by_its_words_alone(grammar: Grammar) -> None:
    assert grammar.numbers is not None
    reader = ReplyReader(grammar.numbers)
    told = reader.read(
        "fifteen goes. sixteen and a half snug. About sixteen thou. two and a half thou to go. "
        "Grind one and a half thou."
    )
    assert told.entries == ("15 goes", "16.5 snug")
    assert told.grinds == Decimal("1.5")
    asked = reader.read(
        "fifty thou goes? That goes against the last leaf. fifteen thou would fit. Yes or no?"
    )
    assert asked.asked == "50 goes"
    assert asked.entries == ()
    seated = reader.read("cylinder three top ring. Window eighteen to twenty thou. "
                         "Set it square, try ten plus seven and a half thou.")  # fmt: skip
    assert seated.place == (3, "top")
    assert seated.tries == (Decimal(10), Decimal("7.5"))
    assert reader.read("Say again?").refused
    assert not reader.read("No more. Inside.").refused


def test_what_was_taken_back_does_not_stand(grammar: Grammar, wording: Wording) -> None:
    bench = Bench(small_job(), grammar, wording)
    bench.through("ten goes", "eleven no go", "take that back", "ten and a half almost")
    assert standing(bench.store.events) == {(1, "upper rail"): ["10 goes"]}
