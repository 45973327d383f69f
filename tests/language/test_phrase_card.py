"""The phrase card: everything on it can be said, and it fits a sheet."""

from html.parser import HTMLParser

import pytest

from assistant.adapters.files.data_files import page_template
from assistant.errors import GrammarError
from assistant.language.grammar import Grammar
from assistant.language.phrase_card import card_lines, card_page, phrase_card


class Text(HTMLParser):
    """Pieces of text of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.pieces: list[str] = []
        self.feed(page)

    def handle_data(self, data: str) -> None:
        self.pieces.append(data.strip())


def test_every_command_is_on_the_card_and_every_phrase_is_one_of_its_own(grammar: Grammar) -> None:
    groups = [group for group in phrase_card(grammar) if group.title != "words"]
    rows = [row for group in groups for row in group.rows]
    assert len(rows) == len(grammar.commands)
    for command, row in zip(grammar.commands, rows, strict=True):
        said = [grammar.parse(phrase.split()) for phrase in row.phrases]
        assert [parsed.command for parsed in said if parsed] == [command.name] * len(row.phrases)


def test_a_metric_job_can_say_what_is_on_the_card(metric_grammar: Grammar) -> None:
    assert phrase_card(metric_grammar)


def test_the_words_of_the_card_are_those_that_its_phrases_do_not_show(grammar: Grammar) -> None:
    (words,) = [group for group in phrase_card(grammar) if group.title == "words"]
    named = {row.about: row.phrases for row in words.rows}
    assert named["ring"] == ("top ring", "second ring", "upper rail", "lower rail", "oil ring")
    assert "question" not in named  # every question is a phrase of the card


def test_an_example_that_cannot_be_said_is_refused(grammar_texts: dict[str, str]) -> None:
    texts = {**grammar_texts}
    texts["calls.abnf"] = texts["calls.abnf"].replace("@example wrap up", "@example pack up")
    with pytest.raises(GrammarError, match="'pack up' is no sentence of the rule \\$wrap_up"):
        phrase_card(Grammar(texts))


def test_a_command_without_an_example_shows_a_sentence_of_it(
    grammar_texts: dict[str, str],
) -> None:
    texts = {**grammar_texts}
    texts["calls.abnf"] = texts["calls.abnf"].replace(" * @example wrap up\n", "")
    rows = [row for group in phrase_card(Grammar(texts)) for row in group.rows]
    assert ("wrap up",) in [row.phrases for row in rows]


def test_the_text_fits_a_sheet_and_a_terminal(grammar: Grammar) -> None:
    # 66 lines of a sheet of Letter at six lines an inch, as printers have them; 80 columns.
    lines = list(card_lines(phrase_card(grammar)))
    assert len(lines) <= 60
    assert max(map(len, lines)) <= 80
    assert not any("<" in line or "|" in line for line in lines)


def test_the_page_holds_every_phrase_and_nothing_from_outside(grammar: Grammar) -> None:
    card = phrase_card(grammar)
    page = card_page(card, template=page_template("phrases"), software="a <b>")
    pieces = [piece.rstrip(",") for piece in Text(page).pieces]
    assert {phrase for group in card for row in group.rows for phrase in row.phrases} <= set(pieces)
    assert "a &lt;b&gt;" in page
    assert "http:" not in page
    assert "https:" not in page
    assert "<script" not in page
