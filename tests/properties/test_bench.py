"""What holds for every session, tried on random ones: the fold, taking back, one meaning, no
crash, and never a cut past the most allowed."""

import dataclasses
import random
from decimal import Decimal
from math import erfc, hypot, sqrt
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.adapters.files.data_files import grammar_texts
from assistant.bench import events as ev
from assistant.bench.advice import advise
from assistant.bench.commands import command_from
from assistant.bench.job import Job
from assistant.bench.log_chain import scan
from assistant.bench.session import State, apply, replay
from assistant.bench.standing import is_expected
from assistant.bench.wording import Wording
from assistant.display.turn_lines import turn_lines
from assistant.fitting.targets import HAIR_NM
from assistant.language.grammar import Grammar
from assistant.language.grammar_files import REPLIES_FILE
from assistant.record.review_text import review_lines
from assistant.record.sheet_from_log import sheet_of
from assistant.units import Unit
from tests.examples import FEW, MANY
from tests.fakes import Bench, metric_job, small_job

ROOT = Path(__file__).resolve().parents[2]
TEXTS = grammar_texts(ROOT / "grammar")
GRAMMARS = {unit: Grammar(TEXTS, unit=unit) for unit in Unit}
WORDING = Wording(TEXTS[REPLIES_FILE], GRAMMARS[Unit.INCH].numbers)
JOBS: dict[str, Job] = {"inch, dial": small_job(), "metric, file": metric_job()}

# Calls that a session is likely to hold, so that random ones get somewhere; {n} is any number.
LIKELY = [
    "{n} goes", "{n} snug", "{n} no go", "{n} goes {m} snug", "{n} almost", "butts",
    "top ring {n} goes {m} snug", "cylinder one second ring {n} snug", "ground {f}", "{c} strokes",
    "next ring", "top ring", "second ring", "cylinder one", "accept it", "yes", "yes", "no",
    "take that back", "make that {n}", "ring is square", "deburred", "ends are square",
    "ends are not square", "skip this ring", "spoiled ring", "what now", "how much more",
    "read it back", "stand by", "listen up", "listen up", "note", "wrap up",
]  # fmt: skip


@st.composite
def calls(draw: st.DrawFn, unit: Unit) -> str:
    """A call, likely or any sentence of the grammar."""
    if draw(st.integers(0, 5)) == 0:
        seed = draw(st.integers(0, 10_000))
        return " ".join(GRAMMARS[unit].sample(random.Random(seed)).words)
    scale = 1 if unit is Unit.INCH else 2
    n = draw(st.integers(10, 22)) * scale
    numbers = GRAMMARS[unit].numbers
    assert numbers is not None

    said = {
        "n": numbers.say(Decimal(n)),
        "m": numbers.say(Decimal(n + scale)),
        "f": numbers.say(Decimal(draw(st.integers(1, 8))) / 2),
        "c": numbers.say(Decimal(draw(st.integers(1, 20)))),
    }
    return draw(st.sampled_from(LIKELY)).format(**said)


@st.composite
def sessions(draw: st.DrawFn) -> tuple[str, list[str]]:
    """(name of the job, calls)"""
    name = draw(st.sampled_from(sorted(JOBS)))
    return name, draw(st.lists(calls(JOBS[name].unit), max_size=14))


def bench_for(name: str) -> Bench:
    return Bench(JOBS[name], GRAMMARS[JOBS[name].unit], WORDING)


def held(name: str, said: list[str]) -> Bench:
    bench = bench_for(name)
    for call in said:
        if bench.state.closed:
            break
        bench.type(call)
    return bench


def bare(state: State) -> State:
    """Without what only counts turns or remembers the last reply.

    A state that is gone back to holds no question, so it does not matter whether one was open.
    """
    before = None
    if state.before is not None:
        before = bare(dataclasses.replace(state.before, pending=None))
    return dataclasses.replace(
        state, turn=-1, seq=-1, entry_turn=-1, retracted=frozenset(), last_reply="", before=before
    )


@FEW
@given(sessions())
def test_any_session_can_be_held_shown_stored_replayed_and_reported(
    session: tuple[str, list[str]],
) -> None:
    name, said = session
    bench = held(name, said)
    text, _ = ev.to_lines(bench.store.events)
    stored = list(scan(text.encode()).events)
    assert stored == bench.store.events
    assert replay(stored) == bench.state
    for turn in bench.turns:
        assert all(text == text.strip() for _, text in turn_lines(turn, WORDING))
    assert len(list(review_lines(stored, WORDING))) > len(list(bench.job.places()))
    sheet = sheet_of(stored, log_name="log.jsonl", wording=WORDING)
    assert len(sheet.rings) == len(list(bench.job.places()))


@FEW
@given(sessions(), st.data())
def test_what_is_taken_back_was_never_said(
    session: tuple[str, list[str]], data: st.DataObject
) -> None:
    name, said = session
    bench = held(name, said)
    if bench.state.closed or not bench.state.listening or bench.state.noting:
        return
    before = bench.state
    bench.type(data.draw(calls(bench.job.unit)))
    entered = bench.state.before is not None and bench.state.entry_turn == bench.state.turn
    if not entered or any(isinstance(e, ev.EntryRetracted) for e in bench.last.events):
        return
    bench.type("take that back")
    assert bench.last.refused is None
    # A question that was open before ends with any entry, taken back or not.
    assert bare(bench.state) == bare(dataclasses.replace(before, pending=None))


@FEW
@given(sessions())
def test_the_state_grows_event_by_event_as_the_log_does(session: tuple[str, list[str]]) -> None:
    bench = held(*session)
    state = State()
    for at, envelope in enumerate(bench.store.events):
        state = apply(state, envelope)
        assert (state.seq, state.turn) == (at, envelope.turn)
    assert state == bench.state


@FEW
@given(sessions())
def test_a_refused_or_unheard_call_changes_nothing_but_the_log(
    session: tuple[str, list[str]],
) -> None:
    name, said = session
    bench = bench_for(name)
    for call in said:
        if bench.state.closed:
            return
        before = bench.state
        bench.type(call)
        if bench.last.refused is not None:
            assert bare(bench.state) == bare(before)


@FEW
@given(sessions(), st.data())
def test_an_unsure_call_changes_nothing_until_a_yes_and_then_just_what_it_says(
    session: tuple[str, list[str]], data: st.DataObject
) -> None:
    name, said = session
    call = " ".join(GRAMMARS[JOBS[name].unit].words_of(data.draw(calls(JOBS[name].unit))))
    asked, sure = held(name, said), held(name, said)
    if asked.state.closed or asked.state.noting:
        return
    before = asked.state
    asked.mumble(call)
    sure.say(call)
    if asked.state.rings != before.rings:  # just what the bench has told the builder to do
        parsed = GRAMMARS[JOBS[name].unit].parse(call.split())
        assert parsed is not None
        assert is_expected(command_from(parsed, JOBS[name].unit), held(name, said).state)
        assert bare(asked.state) == bare(sure.state)
        return
    if asked.state.pending is None or asked.last.refused is not None:
        return
    if asked.state.pending.about == "misheard":
        refused = asked.dialogue.state
        asked.say("yes")
        assert bare(asked.state) == bare(sure.state)
        asked.dialogue.state = refused
        asked.say("no")
        assert bare(asked.state) == bare(dataclasses.replace(before, pending=None))
    else:
        assert bare(asked.state) == bare(sure.state)


@FEW
@given(sessions())
def test_no_cut_is_advised_that_by_the_belief_passes_the_most_with_more_than_the_risk(
    session: tuple[str, list[str]],
) -> None:
    bench = held(*session)
    for key in bench.job.places():
        advice = advise(bench.state, key)
        if not (advice.feed_nm or advice.strokes):
            continue
        window, belief = bench.state.window(key), bench.state.belief(key)
        grinder = belief.bench.grinder
        units = advice.feed_nm or advice.strokes
        assert advice.feed_nm % grinder.step_nm == 0 or advice.strokes
        # Larger than one step only if expected to stay within the largest cut.
        expected_nm = units * grinder.unit_rate_nm
        assert expected_nm <= max(bench.job.grinder.largest_cut_nm, grinder.unit_rate_nm
                                  * grinder.unit_step) * (1 + 1e-9)  # fmt: skip
        if window.most_nm is None:
            continue
        # Plain reference: mean over rate and gap of the chance of a normal spread beyond the most.

        sd_nm = hypot(grinder.cut_sd_nm, belief.bench.person.offset_sd_nm)
        over, limit_nm = 0.0, window.most_nm + HAIR_NM
        for rate, row in zip(belief.rates, belief.weights, strict=True):
            for felt_nm, weight in zip(belief.felt_nm, row, strict=True):
                if weight > 1e-9:
                    gap_nm = felt_nm - belief.bench.person.offset_nm + rate * units
                    over += weight * 0.5 * erfc((limit_nm - gap_nm) / sd_nm / sqrt(2))
        assert over <= float(bench.job.risk) * 1.02 + 1e-6


@pytest.mark.parametrize("unit", list(Unit))
@MANY
@given(seed=st.integers(0, 10**9))
def test_every_sentence_of_the_grammar_means_one_command(unit: Unit, seed: int) -> None:
    grammar = GRAMMARS[unit]
    words = grammar.sample(random.Random(seed)).words
    meanings = {command_from(way, unit) for way in grammar.parses(words)}
    assert len(meanings) == 1
    assert grammar.is_complete(words)
    assert all(grammar.is_prefix(words[:n]) for n in range(len(words)))
    assert grammar.words_of(" ".join(words)) == words


@MANY
@given(st.text(max_size=60))
def test_any_typed_text_is_understood_or_refused_and_never_an_error(text: str) -> None:
    bench = bench_for("inch, dial")
    bench.type(text)
    assert replay(bench.store.events) == bench.state
