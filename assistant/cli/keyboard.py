"""The command that fits rings from the keyboard."""

from collections.abc import Iterator, Sequence
from functools import partial
from textwrap import wrap

from assistant.adapters.recognisers.typed_recognizer import TypedRecognizer
from assistant.adapters.terminal.terminal import Terminal
from assistant.bench.dialogue import Call
from assistant.bench.ports import Mode
from assistant.bench.typed_hints import hint
from assistant.build.sessions import Session
from assistant.cli.options import USUAL_PAGE_PORT, Fresh, JobFile, Mute, Page, PagePort, Speed
from assistant.cli.running import running_session, shown_screen
from assistant.ear.utterance import Heard, Hypothesis
from assistant.language.grammar import CommandHelp, Grammar
from assistant.language.numbers import join
from assistant.language.written import words_typed

_HELP, _LEAVE, _UNDO = ("help", "?"), ("quit", "exit"), "undo"
_TAKE_BACK = "take that back"
_NOTE = "note"
_FEW = 8  # sayings of a call that help lists one by one


def type_(
    job: JobFile,
    mute: Mute = False,
    fresh: Fresh = False,
    speed: Speed = None,
    page: Page = False,
    page_port: PagePort = USUAL_PAGE_PORT,
) -> None:
    """Fit rings from the keyboard: the same calls, typed, one a line ('help' lists them)."""
    terminal = Terminal()
    with shown_screen(page, page_port, plain=True, mode=Mode.KEYBOARD) as screen:
        terminal.show(
            "Type calls as you would say them. 'help' lists them, 'undo' takes the last one back, "
            "'quit' leaves."
        )
        with running_session(
            job, screen, mute=mute, fresh=fresh, speed=speed, tones=False
        ) as session:
            _follow(terminal, session, job)


def _follow(terminal: Terminal, session: Session, job: JobFile) -> None:
    """Take what is typed until the builder leaves."""
    keyboard = TypedRecognizer(partial(words_typed, grammar=session.grammar))
    for line in terminal.lines(lambda: _prompt(session)):
        word = line.strip().rstrip("!.").lower()
        if not session.dialogue.state.noting:
            if word in _LEAVE:
                if session.dialogue.state.open_rings():
                    terminal.show(f"'leafcall type {job}' goes on from here.")
                return
            if word in _HELP:
                for shown in help_lines(session.grammar):
                    terminal.show(shown)
                continue
            if word == _UNDO:
                line = _TAKE_BACK
        if _take(session, keyboard, terminal, line):
            return


def _take(session: Session, keyboard: TypedRecognizer, terminal: Terminal, line: str) -> bool:
    """Let the session have a line; whether that ended it. A blank line is nothing."""
    dialogue, text = session.dialogue, _clean(line)
    if not text:
        return False
    session.speaker.stop()  # who types on has read the reply
    if dialogue.state.noting:
        dialogue.take(_call(Heard((Hypothesis(tuple(text.split()), 1.0),), 1.0), text))
        return False
    first, _, rest = text.replace(":", " ", 1).partition(" ")
    if first.lower() == _NOTE and rest.strip() and dialogue.state.listening:  # all in one line
        dialogue.take(_call(keyboard.hear(_NOTE), text))
        if dialogue.state.noting:
            return _take(session, keyboard, terminal, rest)
        return False
    heard = keyboard.hear(text)
    if not heard.words:
        return False
    turn = dialogue.take(_call(heard, text))
    if turn.refused is not None and turn.state.listening:
        told = hint(heard.words, session.job, session.grammar)
        if told is not None:
            terminal.show_labelled([("hint", told)])
    return turn.state.closed


def _call(heard: Heard, text: str) -> Call:
    return Call(heard, source="keyboard", typed=True, text=text)


def _clean(line: str) -> str:
    """A line without what no keyboard means to write, such as the codes of arrow keys."""
    return "".join(c if c.isprintable() else " " for c in line).strip()


def _prompt(session: Session) -> str:
    state = session.dialogue.state
    if state.noting:
        return "note > "
    if state.pending is not None:
        return "yes or no > "
    return f"{session.wording.place(state.here)} > " if state.here is not None else "> "


def help_lines(grammar: Grammar) -> Iterator[str]:
    """The calls by group with examples, and what the keyboard alone knows."""
    group = None
    for command in grammar.commands:
        if command.group != group:
            group = command.group
            yield (group or "calls").upper()
        sayings = _sayings(command, grammar)
        text = f"{command.about or command.name}: {', '.join(sayings)}"
        yield from wrap(text, 78, initial_indent="  ", subsequent_indent="      ")
    yield "NUMBERS"
    yield "  15, 15.5, 15 1/2, 0.0155 in an inch job; 40, 40.5, 0.40, 0.405 in a metric one"
    yield "KEYBOARD"
    for words, about in (
        ("help", "this list; 'leafcall phrases --all' has everything that can be said"),
        ("undo", f"the same as: {_TAKE_BACK}"),
        ("note: your words", "kept as you type them, with the ring at hand"),
        ("quit", "leave; the session goes on when you type again"),
    ):
        yield f"  {words}: {about}"


def _sayings(command: CommandHelp, grammar: Grammar) -> Sequence[str]:
    """All ways to say it where they are few, else examples."""
    few = grammar.sayings(command.name, _FEW)
    return command.examples if few is None else [join(words) for words in few]
