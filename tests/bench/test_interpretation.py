"""What is meant by what was heard: strict parse, weighed by what is plausible, and rejection."""

import pytest

from assistant.bench import events as ev
from assistant.bench.commands import Ground, Pick, Report, command_from
from assistant.bench.interpretation import (
    ASKED_FROM,
    CLEAR_WIN,
    FOREIGN,
    SOUNDALIKE,
    UNLIKELY,
    Rejection,
    Understood,
    interpret,
    plausibility,
    refused_by_ear,
)
from assistant.bench.reply_terms import Fact, NextWords, Refusal
from assistant.bench.session import State
from assistant.ear.utterance import SURE_ENOUGH, Heard, Hypothesis
from assistant.fitting.facts import Feel, Reading
from assistant.language.grammar import Grammar
from assistant.units import Unit
from tests.fakes import THOU, TOP, UPPER, Bench, after, heard, small_job


@pytest.fixture
def state() -> State:
    opened = ev.SessionOpened(job=small_job(), software="test")
    return after(State(), opened, ev.RingPicked(cylinder=1, position=TOP))


def meaning(got: Understood | Rejection) -> str:
    return " ".join(got.parsed.words) if isinstance(got, Understood) else f"({got.reason})"


def reading(thou: int, feel: Feel = Feel.GOES) -> Report:
    return Report(None, (Reading(thou * THOU, feel),), ((thou * THOU,),))


def test_a_sentence_of_the_grammar_is_understood_with_its_weight(
    grammar: Grammar, state: State
) -> None:
    got = interpret(heard("fifteen goes"), grammar, state)
    assert isinstance(got, Understood)
    assert (got.command, got.parsed.command, got.weight) == (reading(15), "readings", 1.0)


@pytest.mark.parametrize(
    ("words", "others", "expected"),
    [
        ("fifteen goes", [("fifty goes", 0.3)], "fifteen goes"),
        ("fifty goes", [("fifteen goes", 0.3)], "fifteen goes"),
        ("fifty goes", [], "fifteen goes"),
        ("sixty snug", [], "sixteen snug"),
        ("what is the time", [("what now", 0.2)], "what now"),
        ("fifteen goes", [("sixteen goes", 0.4)], "(close race)"),
        ("fifteen goes", [("sixteen goes", 0.3)], "fifteen goes"),
        ("fifteen goes", [("fifteen goes easily", 0.45)], "fifteen goes"),
    ],
)
def test_the_plausible_meaning_wins_or_it_is_asked_again(
    grammar: Grammar, state: State, words: str, others: list[tuple[str, float]], expected: str
) -> None:
    got = interpret(heard(words, *others), grammar, state)
    assert meaning(got) == expected


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        # heard, also heard, taken: a thicker leaf is never the looser one
        ("sixteen goes sixteen almost", "fifteen goes sixteen almost", "the second"),
        ("sixteen goes fifteen snug", "sixteen goes seventeen snug", "the second"),
        ("fifteen goes sixteen almost", "sixteen goes sixteen almost", "the first"),
        ("fifteen goes sixteen goes", "fifteen snug sixteen goes", "the first"),
    ],
)
def test_leaves_that_contradict_each_other_in_one_breath_give_way(
    grammar: Grammar, state: State, first: str, second: str, expected: str
) -> None:
    got = interpret(heard(first, (second, 0.3)), grammar, state)
    assert meaning(got) == {"the first": first, "the second": second}[expected]


def test_while_a_question_waits_note_is_heard_as_no(grammar: Grammar, bench: Bench) -> None:
    # "No" and "note" differ by a last sound that noise swallows or makes.
    bench.through("top ring", "ten goes")
    assert meaning(interpret(heard("note"), grammar, bench.state)) == "note"
    assert meaning(interpret(heard("no"), grammar, bench.state)) == "no"
    bench.through("ground twenty")
    assert bench.state.pending is not None
    assert meaning(interpret(heard("note"), grammar, bench.state)) == "no"
    assert meaning(interpret(heard("note"), grammar, bench.state, typed=True)) == "note"


def test_a_close_race_names_both_ways(grammar: Grammar, state: State) -> None:
    got = interpret(heard("fifteen goes", ("sixteen goes", 0.4)), grammar, state)
    assert got == Rejection(
        Refusal.CLOSE_RACE, ("fifteen", "goes"), {"first": "fifteen goes", "second": "sixteen goes"}
    )


def test_a_race_is_close_below_a_fixed_ratio(grammar: Grammar, state: State) -> None:
    for rival, close in ((1 / (1 + CLEAR_WIN) + 0.01, True), (1 / (1 + CLEAR_WIN) - 0.01, False)):
        got = interpret(heard("fifteen goes", ("sixteen goes", rival)), grammar, state)
        assert isinstance(got, Rejection) is close


@pytest.mark.parametrize(
    ("score", "expected"),
    [
        (1.0, "fifteen goes"),
        (SURE_ENOUGH, "fifteen goes"),
        (SURE_ENOUGH - 0.001, "(not sure)"),
        (FOREIGN, "(not sure)"),
        (FOREIGN - 0.001, "(foreign)"),
        (0.0, "(foreign)"),
    ],
)
def test_the_score_decides_whether_it_is_taken_asked_again_or_passed_over(
    grammar: Grammar, state: State, score: float, expected: str
) -> None:
    assert meaning(interpret(heard("fifteen goes", score=score), grammar, state)) == expected


def test_nothing_heard_is_nothing(grammar: Grammar, state: State) -> None:
    assert interpret(Heard((), 0.0), grammar, state) == Rejection(Refusal.NOTHING, ())


# --- typed ------------------------------------------------------------------------------------


def test_what_is_typed_is_never_taken_for_what_sounds_alike(grammar: Grammar, state: State) -> None:
    got = interpret(heard("fifty goes"), grammar, state, typed=True)
    assert isinstance(got, Understood)
    assert got.command == reading(50)


# --- sounds alike -----------------------------------------------------------------------------


def test_two_words_at_most_are_swapped(grammar: Grammar, state: State) -> None:
    got = interpret(heard("fifty goes sixty snug"), grammar, state)
    assert meaning(got) == "fifteen goes sixteen snug"
    # Three swaps would be needed; with two of them every way is as poor as another.
    got = interpret(heard("fifty goes sixty snug seventy no go"), grammar, state)
    assert meaning(got) == "(close race)"


def test_after_a_reading_the_belief_decides_between_words_that_sound_alike(
    bench: Bench, grammar: Grammar
) -> None:
    # Nine and five sound alike; the gap is near nine, so five no go cannot be meant.
    bench.through("top ring", "eight goes")
    got = interpret(heard("five no go"), grammar, bench.state)
    assert isinstance(got, Understood)
    assert got.command == reading(9, Feel.NO_GO)


def test_a_word_heard_outright_is_kept_where_both_are_plausible(
    grammar: Grammar, state: State
) -> None:
    got = interpret(heard("nine goes"), grammar, state)
    assert isinstance(got, Understood)
    assert got.command == reading(9)
    assert got.weight == 1.0 > CLEAR_WIN * SOUNDALIKE


def test_a_weight_is_score_times_swaps_times_plausibility(grammar: Grammar, state: State) -> None:
    got = interpret(Heard((Hypothesis(("fifty", "goes"), 0.8),), 0.9), grammar, state)
    assert isinstance(got, Understood)
    assert got.weight == pytest.approx(0.8 * SOUNDALIKE)


# --- standing by ------------------------------------------------------------------------------


@pytest.mark.parametrize("words", ["fifteen goes", "wrap up", "take that back", "yes", "banana"])
def test_standing_by_everything_but_listen_up_passes(
    grammar: Grammar, state: State, words: str
) -> None:
    paused = after(state, ev.ListeningPaused())
    assert meaning(interpret(heard(words), grammar, paused)) == "(standing by)"


def test_standing_by_listen_up_is_heard_also_as_a_second_guess(
    grammar: Grammar, state: State
) -> None:
    paused = after(state, ev.ListeningPaused())
    assert meaning(interpret(heard("listen up"), grammar, paused)) == "listen up"
    unsure = interpret(heard("banana", ("listen up", 0.4)), grammar, paused)
    assert meaning(unsure) == "listen up"
    poor = interpret(heard("fifteen goes", ("listen up", 0.1)), grammar, paused)
    assert meaning(poor) == "(standing by)"


# --- plausibility -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("command", "expected"),
    [
        ("yes", UNLIKELY),
        ("listen up", UNLIKELY),
        ("what now", 1.0),
        ("cylinder two", 1.0),
        ("cylinder three", UNLIKELY),
        ("oil ring", UNLIKELY),
        ("ground ten", 1.0),
        ("ground eleven", UNLIKELY),
        ("twelve strokes", UNLIKELY),
        ("fifteen goes", 1.0),
        ("fifteen and a half goes", 0.1),
        ("sixty goes", 0.1 * 0.1),
        ("fifteen goes sixty snug", 0.1 * 0.1),
        ("ten plus six goes", 1.0),
        ("cylinder three top ring fifteen goes", UNLIKELY * UNLIKELY),
        ("butts", 1.0),
    ],
)
def test_what_makes_no_sense_now_is_unlikely_but_not_impossible(
    grammar: Grammar, state: State, command: str, expected: float
) -> None:
    parsed = grammar.parse(command.split())
    assert parsed is not None
    got = plausibility(command_from(parsed, Unit.INCH), state)
    assert got == pytest.approx(expected)


def test_a_correction_needs_an_entry(grammar: Grammar, state: State) -> None:
    parsed = grammar.parse(["make", "that", "sixteen"])
    assert parsed is not None
    amend = command_from(parsed, Unit.INCH)
    cut = after(state, ev.MetalGround(cylinder=1, position=TOP, feed_nm=THOU))
    assert (plausibility(amend, state), plausibility(amend, cut)) == (UNLIKELY, 1.0)


def test_a_butting_ring_is_unlikely_once_a_leaf_has_gone(bench: Bench) -> None:
    butts = Report(None, (Reading(0, Feel.BUTTS),), ((),))
    bench.say("top ring")
    assert plausibility(butts, bench.state) == 1.0
    bench.say("fifteen goes")
    assert plausibility(butts, bench.state) == UNLIKELY


def test_work_needs_a_ring_at_hand(bench: Bench) -> None:
    for _ in range(6):
        bench.say("spoiled ring")
    assert bench.state.here is None
    assert plausibility(Ground(THOU), bench.state) == UNLIKELY
    assert plausibility(Pick(None), bench.state) == 1.0


# --- why it is no sentence --------------------------------------------------------------------


MORE, END = NextWords(("more",)), NextWords(())


@pytest.mark.parametrize(
    ("words", "reason", "facts"),
    [
        ("banana", Refusal.UNKNOWN_WORDS, {"said": "banana"}),
        (
            "how much banana",
            Refusal.STRAY_WORD,
            {
                "said": "how much banana",
                "begin": "how much",
                "follow": MORE,
                "stray": "banana",
            },
        ),
        (
            "what now banana",
            Refusal.EXTRA_WORD,
            {
                "said": "what now banana",
                "begin": "what now",
                "follow": END,
                "stray": "banana",
            },
        ),
        (
            "how much",
            Refusal.UNFINISHED,
            {"said": "how much", "begin": "how much", "follow": MORE},
        ),
    ],
)
def test_what_is_no_sentence_is_rejected_with_how_far_it_fits(
    grammar: Grammar, state: State, words: str, reason: Refusal, facts: dict[str, Fact]
) -> None:
    got = interpret(heard(words), grammar, state)
    assert got == Rejection(reason, tuple(words.split()), facts)


def test_the_ring_at_hand_does_not_matter_for_a_reading_with_its_own_place(
    bench: Bench, grammar: Grammar
) -> None:
    bench.through("top ring", "eight goes nine snug")
    got = interpret(heard("cylinder two upper rail twenty five goes"), grammar, bench.state)
    assert isinstance(got, Understood)
    assert got.weight == 1.0
    assert bench.state.here == (1, TOP)
    assert (1, UPPER) in bench.state.open_rings()


@pytest.mark.parametrize(
    ("hypotheses", "score", "refused"),
    [
        ((("fifteen goes", 1.0),), 1.0, None),
        ((("fifteen goes", 0.7), ("fifty goes", 0.3)), 1.0, None),
        ((("fifteen goes", 0.6), ("fifty goes", 0.4)), 1.0, "close race"),
        ((("fifteen goes", 0.6), ("fifteen", 0.4)), 1.0, "close race"),
        ((("fifteen goes", 1.0),), 0.4, "not sure"),
        ((("fifteen goes", 1.0),), 0.1, "foreign"),
        ((("fifteen", 1.0),), 1.0, "no sentence"),
        ((), 0.0, "nothing"),
    ],
)
def test_by_sound_alone(
    grammar: Grammar,
    hypotheses: tuple[tuple[str, float], ...],
    score: float,
    refused: str | None,
) -> None:
    heard = Heard(tuple(Hypothesis(tuple(w.split()), s) for w, s in hypotheses), score)
    assert refused_by_ear(heard, grammar) == refused


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        ((("fifteen goes", 0.9), ("fifteen", 0.1)), "fifteen goes"),
        ((("fifteen goes", 0.6), ("fifteen", 0.4)), "(unfinished)"),
        ((("fifteen", 0.9), ("fifteen goes", 0.1)), "(unfinished)"),
    ],
)
def test_a_sentence_that_may_have_been_broken_off_is_not_taken(
    grammar: Grammar, state: State, shares: tuple[tuple[str, float], ...], expected: str
) -> None:
    heard = Heard(tuple(Hypothesis(tuple(text.split()), share) for text, share in shares), 1.0)
    assert meaning(interpret(heard, grammar, state)) == expected


@pytest.mark.parametrize(
    ("rival", "expected"),
    [
        ("forty no go", "fourteen no go"),  # no such leaf, and far from what is believed
        ("fifteen no go", "(not sure)"),  # as likely here as what was heard
        ("fourteen", "(not sure)"),  # broken off
    ],
)
def test_a_rival_that_makes_no_sense_here_does_not_lower_how_sure_it_is(
    grammar: Grammar, state: State, rival: str, expected: str
) -> None:
    ways = (Hypothesis(("fourteen", "no", "go"), 0.6), Hypothesis(tuple(rival.split()), 0.4))
    doubtful = Heard(ways, 0.4, sure_from=0.8, unrivalled=0.95)
    assert meaning(interpret(doubtful, grammar, state)) == expected
    muffled = Heard(ways, 0.4, sure_from=0.8, unrivalled=0.45)
    assert meaning(interpret(muffled, grammar, state)) == "(not sure)"


@pytest.mark.parametrize(
    ("ways", "score", "expected"),
    [
        ((("fifteen snug", 1.0),), 0.8, "fifteen snug"),
        ((("fifteen snug", 1.0),), 0.79, "fifteen snug?"),
        ((("fifteen snug", 1.0),), ASKED_FROM, "fifteen snug?"),
        ((("fifteen snug", 1.0),), ASKED_FROM - 0.01, "(not sure)"),
        ((("ground two", 0.9), ("ground ten", 0.1)), 0.6, "ground two?"),
        ((("ground two", 0.6), ("ground ten", 0.4)), 0.6, "(not sure)"),  # two are as likely
        ((("ground two", 0.6), ("ground", 0.4)), 0.6, "(not sure)"),  # or it was broken off
        ((("sixty snug", 1.0),), 0.6, "sixteen snug?"),  # no leaf of sixty there, and it sounds so
        ((("ground nineteen", 1.0),), 0.6, "(not sure)"),  # nobody grinds so much
        ((("cylinder nine", 1.0),), 0.6, "(not sure)"),  # there are two
        ((("make that two", 1.0),), 0.6, "(not sure)"),  # nothing to correct
        ((("yes", 1.0),), 0.6, "(not sure)"),
        ((("what now", 1.0),), 0.6, "(not sure)"),  # only entries are worth a question
        ((("take that back", 1.0),), 0.6, "(not sure)"),
        ((("stand by", 1.0),), 0.6, "(not sure)"),
    ],
)
def test_an_unsure_call_is_asked_back_if_it_is_clear_and_ordinary_here(
    grammar: Grammar, state: State, ways: tuple[tuple[str, float], ...], score: float, expected: str
) -> None:
    hypotheses = tuple(Hypothesis(tuple(text.split()), share) for text, share in ways)
    got = interpret(Heard(hypotheses, score, sure_from=0.8), grammar, state)
    asked = isinstance(got, Understood) and not got.sure
    assert meaning(got) + "?" * asked == expected


def test_an_unsure_call_is_never_asked_while_it_stands_by(grammar: Grammar, state: State) -> None:
    deaf = after(state, ev.ListeningPaused())
    got = interpret(Heard((Hypothesis(("ground", "two"), 1.0),), 0.7, sure_from=0.8), grammar, deaf)
    assert meaning(got) == "(standing by)"
