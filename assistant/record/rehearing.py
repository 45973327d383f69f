"""Old calls, heard again: what would be understood differently today. Pure.

Every call is judged in the state in which it was called out then, so that one difference does not
make others.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby

from assistant.bench import events as ev
from assistant.bench.commands import Command, command_from
from assistant.bench.decisions import decide
from assistant.bench.interpretation import Rejection, interpret
from assistant.bench.reply_terms import CommandNotAllowed
from assistant.bench.session import State, apply
from assistant.ear.utterance import Heard
from assistant.language.grammar import Grammar


class Verdict(StrEnum):
    """How a call is understood today, against then; the words are what is printed."""

    SAME = "the same"
    OTHER = "understood differently"
    TAKEN = "taken now, had no effect then"
    REFUSED = "no effect now, was taken then"


@dataclass(frozen=True, slots=True)
class Understood:
    """What was made of a call. words: heard, maybe none. refused: why no effect, None if taken."""

    words: str
    command: str | None
    refused: str | None


@dataclass(frozen=True, slots=True)
class HeardAgain:
    """One kept call. turn: its number in the log."""

    turn: int
    clip: str
    then: Understood
    now: Understood
    verdict: Verdict


def kept_calls(envelopes: Sequence[ev.Envelope]) -> list[str]:
    """Names of the clips of all calls, oldest first."""
    heard = (one.event for one in envelopes if isinstance(one.event, ev.CallHeard))
    return [event.clip for event in heard if event.clip is not None]


def heard_again(
    envelopes: Sequence[ev.Envelope], grammar: Grammar, hear: Callable[[str], Heard | None]
) -> Iterator[HeardAgain]:
    """Every kept call of a log, heard again.

    hear: from the name of a clip to what is heard in it, None if it is gone.
    """
    state = State()
    for turn, group in groupby(envelopes, key=lambda envelope: envelope.turn):
        events = list(group)
        for envelope in events:
            call = envelope.event
            if isinstance(call, ev.CallHeard) and call.clip is not None:
                heard = hear(call.clip)
                if heard is not None:
                    yield _compared(turn, call.clip, call, heard, grammar, state)
        for envelope in events:
            state = apply(state, envelope)


def _compared(
    turn: int, clip: str, call: ev.CallHeard, heard: Heard, grammar: Grammar, state: State
) -> HeardAgain:
    now, command = _understood(heard, grammar, state)
    then = Understood(call.words, call.command, call.refused)
    if now.refused is not None:
        verdict = Verdict.SAME if then.refused is not None else Verdict.REFUSED
    elif then.refused is not None:
        verdict = Verdict.TAKEN
    else:
        same = now.words == then.words and now.command == then.command
        same = same or command == _meaning(then.words, grammar, state)
        verdict = Verdict.SAME if same else Verdict.OTHER
    return HeardAgain(turn, clip, then, now, verdict)


def _understood(heard: Heard, grammar: Grammar, state: State) -> tuple[Understood, Command | None]:
    meant = interpret(heard, grammar, state)
    words = " ".join(heard.words)
    if isinstance(meant, Rejection):
        return Understood(words, None, meant.reason), None
    try:
        decide(state, meant.command)
    except CommandNotAllowed as refused:
        return Understood(words, None, refused.refusal), None
    return Understood(words, meant.parsed.command, None), meant.command


def _meaning(words: str, grammar: Grammar, state: State) -> Command | None:
    """What the words of then mean in the grammar of today; None if nothing."""
    parsed = grammar.parse(tuple(words.split()))
    return None if parsed is None else command_from(parsed, state.the_job.unit)
