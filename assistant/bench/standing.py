"""How far words are towards a call that would be taken: what the ear asks in a pause."""

from collections.abc import Callable

from assistant.bench.advice import Step, advise
from assistant.bench.commands import (
    Accept,
    Check,
    Checked,
    Command,
    Filed,
    Ground,
    Report,
    command_from,
)
from assistant.bench.interpretation import Understood, interpret
from assistant.bench.session import State
from assistant.ear.ports import Standing
from assistant.ear.utterance import Heard
from assistant.fitting.facts import Feel
from assistant.language.grammar import Grammar


class CallStanding:
    """Judges words by a grammar and, where a session is open, by all that is plausible now.

    state: gives the state of the session; None where there is none (sound files, practice).
    """

    def __init__(self, grammar: Grammar, state: Callable[[], State] | None = None) -> None:
        self._grammar = grammar
        self._state = state
        self._numerals = grammar.numbers.words if grammar.numbers is not None else frozenset()

    def standing(self, words: tuple[str, ...], heard: Heard | None = None) -> Standing:
        """How far ``words`` are. heard: what is known of their sound, None = only the words."""
        if not self._grammar.is_complete(words):
            return Standing.OPEN if self._grammar.is_prefix(words) else Standing.NONE
        if heard is not None and not self._trusts(heard):
            return Standing.DOUBTFUL
        if not self._grammar.may_go_on(words) or self._expects(words):
            return Standing.WHOLE
        # They end in a number that may go on ("ground two"), or name what the rest is about.
        half_said = words[-1] in self._numerals or self._grammar.may_become_another(words)
        return Standing.DOUBTFUL if half_said else Standing.MAY_GO_ON

    def _trusts(self, heard: Heard) -> bool:
        if self._state is None:
            return heard.score >= heard.sure_from
        state = self._state()
        meant = interpret(heard, self._grammar, state)
        return isinstance(meant, Understood) and is_taken(meant, state)

    def _expects(self, words: tuple[str, ...]) -> bool:
        parsed = self._grammar.parse(words) if self._state is not None else None
        if parsed is None or self._state is None:
            return False
        state = self._state()
        return is_expected(command_from(parsed, state.the_job.unit), state)


def is_taken(meant: Understood, state: State) -> bool:
    """Surely heard; or less surely, but just what the bench has told the builder to do.

    Few other calls are misheard as just that one: what is left of the doubt is small.
    """
    return meant.sure or _is_advised(meant.command, state)


def is_expected(command: Command, state: State) -> bool:
    """Whether no more is to come after a command, though the grammar has more to say.

    The cut that was advised, or leaves that tell enough: the last one snug, or one that goes and
    one that does not.
    """
    if isinstance(command, Report):
        feels = {reading.feel for reading in command.readings}
        goes, does_not = {Feel.DROPS, Feel.GOES}, {Feel.ALMOST, Feel.NO_GO}
        snug = command.readings[-1].feel is Feel.SNUG
        return snug or bool(feels & goes and feels & does_not)
    return _is_advised(command, state)


def _is_advised(command: Command, state: State) -> bool:
    """Whether the command tells of the cut, the check or the acceptance that was advised."""
    if state.here is None:
        return False
    match command:
        case Ground(feed_nm=feed_nm):
            return feed_nm == advise(state).feed_nm
        case Filed(strokes=strokes):
            return strokes == advise(state).strokes
        case Checked(check=Check.DEBURRED | Check.SQUARE | Check.ENDS_SQUARE):
            return advise(state).step in (Step.AFTER_CUT, Step.DRESS, Step.ENDS)
        case Accept():
            return advise(state).step is Step.ACCEPT
    return False
