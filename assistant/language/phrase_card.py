"""The phrase card: what people say at the bench, from the grammar itself, to be seen at a glance.

The phrases are the examples that stand beside each command in the grammar, each held against it;
where there is none, a short sentence is drawn. Everything that can be said: ``Grammar.card``.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

import jinja2

from assistant.errors import GrammarError
from assistant.language.grammar import CommandHelp, Grammar

_WORDS = range(3, 13)  # words with a meaning that are listed: as many as a card has room for
_ABOUT_AT = 48  # column of the meanings in text


@dataclass(frozen=True, slots=True)
class CardRow:
    """One command: its meaning in a few words, and how people say it."""

    about: str
    phrases: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CardGroup:
    """Commands that belong together."""

    title: str
    rows: tuple[CardRow, ...]


def phrase_card(grammar: Grammar) -> tuple[CardGroup, ...]:
    """The card by groups, in the order of the grammar; last the words that change in a phrase.

    Raises GrammarError if an example of the grammar cannot be said.
    """
    groups = [
        CardGroup(title or "commands", tuple(_row(command, grammar) for command in commands))
        for title, commands in groupby(grammar.commands, key=lambda command: command.group)
    ]
    shown = {phrase for group in groups for row in group.rows for phrase in row.phrases}
    words = tuple(
        CardRow(name.replace("_", " "), entries)
        for name, entries in grammar.word_lists()
        if len(entries) in _WORDS and not set(entries) <= shown
    )
    return (*groups, CardGroup("words", words)) if words else tuple(groups)


def _row(command: CommandHelp, grammar: Grammar) -> CardRow:
    for phrase in command.examples:
        parsed = grammar.parse(phrase.split())
        if parsed is None or parsed.command != command.name:
            raise GrammarError(
                f"The example {phrase!r} is no sentence of the rule ${command.name}: change one."
            )
    phrases = command.examples or (grammar.short_sentence(command.name),)
    return CardRow(command.about or command.name.replace("_", " "), phrases)


def card_lines(card: tuple[CardGroup, ...]) -> Iterator[str]:
    """The card as text: phrases on the left, what they are for on the right."""
    for group in card:
        yield ""
        yield group.title.upper()
        for row in group.rows:
            line = ""
            about = row.about
            for phrase in row.phrases:
                longer = f"{line}, {phrase}" if line else phrase
                if line and len(longer) > _ABOUT_AT - 5:
                    yield f"  {line + ',':<{_ABOUT_AT - 2}}{about}".rstrip()
                    about, longer = "", phrase
                line = longer
            yield f"  {line:<{_ABOUT_AT - 2}}{about}".rstrip()


def card_page(card: tuple[CardGroup, ...], *, template: str, software: str) -> str:
    """The card as a page that prints on one sheet. template: text of pages/phrases.html."""
    page = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).from_string(template)
    return page.render(groups=card, software=software)
