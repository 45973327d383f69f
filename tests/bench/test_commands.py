"""Commands: what each sentence asks for, whole objects compared."""

import pytest

from assistant.bench.commands import (
    COMMAND_NAMES,
    Accept,
    Amend,
    Answer,
    Ask,
    Check,
    Checked,
    Command,
    Filed,
    Ground,
    ListenUp,
    Pick,
    Place,
    Question,
    Report,
    Skip,
    Spoiled,
    StandBy,
    TakeNote,
    Undo,
    WrapUp,
    command_from,
)  # fmt: skip
from assistant.bench.job import RingPosition
from assistant.errors import GrammarError
from assistant.fitting.facts import Feel, Reading
from assistant.language.grammar import Grammar, Parsed
from assistant.language.phrase_tree import Slot
from assistant.units import Unit
from tests.fakes import SECOND, THOU, TOP


def asked(grammar: Grammar, text: str, unit: Unit = Unit.INCH) -> Command:
    parsed = grammar.parse(text.split())
    assert parsed is not None
    return command_from(parsed, unit)


@pytest.mark.parametrize(
    ("text", "command"),
    [
        ("next ring", Pick(None)),
        ("cylinder two", Pick(Place(2, None))),
        ("top ring", Pick(Place(None, TOP))),
        ("back to cylinder two top ring", Pick(Place(2, TOP))),
        ("fifteen goes", Report(None, (Reading(15 * THOU, Feel.GOES),), ((15 * THOU,),))),
        ("fifteen goes easily", Report(None, (Reading(15 * THOU, Feel.GOES),), ((15 * THOU,),))),
        ("ten drops through", Report(None, (Reading(10 * THOU, Feel.DROPS),), ((10 * THOU,),))),
        (
            "cylinder two second ring fifteen and a half snug sixteen no go",
            Report(
                Place(2, SECOND),
                (Reading(393_700, Feel.SNUG), Reading(16 * THOU, Feel.NO_GO)),
                ((393_700,), (16 * THOU,)),
            ),
        ),
        (
            "ten plus six almost",
            Report(None, (Reading(16 * THOU, Feel.ALMOST, leaves=2),), ((10 * THOU, 6 * THOU),)),
        ),
        ("butts", Report(None, (Reading(0, Feel.BUTTS),), ((),))),
        ("top ring no leaf goes", Report(Place(None, TOP), (Reading(0, Feel.BUTTS),), ((),))),
        ("ground two and a half", Ground(63_500)),
        ("took one thou", Ground(THOU)),
        ("twelve strokes", Filed(12)),
        ("deburred", Checked(Check.DEBURRED)),
        ("ring is square", Checked(Check.SQUARE)),
        ("ends are square", Checked(Check.ENDS_SQUARE)),
        ("ends are not square", Checked(Check.ENDS_NOT_SQUARE)),
        ("what now", Ask(Question.NOW)),
        ("how much more", Ask(Question.MORE)),
        ("what is the target", Ask(Question.TARGET)),
        ("where am i", Ask(Question.WHERE)),
        ("read it back", Ask(Question.READ_BACK)),
        ("say again", Ask(Question.AGAIN)),
        ("what are the calls", Ask(Question.PHRASES)),
        ("yes", Answer(True)),
        ("no", Answer(False)),
        ("make that sixteen", Amend(16)),  # type: ignore[arg-type]
        ("take that back", Undo()),
        ("stand by", StandBy()),
        ("listen up", ListenUp()),
        ("accept it", Accept()),
        ("spoiled ring", Spoiled()),
        ("skip this ring", Skip()),
        ("note", TakeNote()),
        ("wrap up", WrapUp()),
    ],
)
def test_a_sentence_asks_for(grammar: Grammar, text: str, command: Command) -> None:
    assert asked(grammar, text) == command


def test_in_a_metric_job_forty_is_0_40_mm(metric_grammar: Grammar) -> None:
    report = asked(metric_grammar, "forty two and a half snug", Unit.METRIC)
    assert report == Report(None, (Reading(425_000, Feel.SNUG),), ((425_000,),))
    assert asked(metric_grammar, "ground half", Unit.METRIC) == Ground(5_000)


def test_every_ring_of_the_job_model_can_be_called(grammar: Grammar) -> None:
    called = set()
    for text in ("top ring", "second ring", "upper rail", "lower rail", "oil ring"):
        pick = asked(grammar, text)
        assert isinstance(pick, Pick)
        assert pick.place is not None
        called.add(pick.place.position)
    assert called == set(RingPosition)


def parsed(command: str, *slots: Slot) -> Parsed:
    return Parsed(command, slots, ("x",), "x")


def test_a_command_that_the_bench_does_not_know_is_refused_with_those_it_knows() -> None:
    with pytest.raises(GrammarError, match="no command 'dance'; it knows accept, amend,"):
        command_from(parsed("dance"), Unit.INCH)


@pytest.mark.parametrize("name", sorted(COMMAND_NAMES & {"ground", "strokes", "ask", "answer"}))
def test_a_command_without_its_slot_is_refused_with_its_phrasing(name: str) -> None:
    with pytest.raises(GrammarError, match=f"command '{name}', phrasing 'x': the bench cannot"):
        command_from(parsed(name), Unit.INCH)


def test_a_ring_word_that_the_bench_does_not_know_is_refused() -> None:
    with pytest.raises(GrammarError, match="'middle' is not a valid RingPosition"):
        command_from(parsed("pick", Slot("ring", "middle", ("middle",))), Unit.INCH)
