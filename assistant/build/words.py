"""What can be said and what is answered: the grammar and the wording, from their folder.

Apart from ears.py, so that who only types loads no recogniser.
"""

from pathlib import Path

from assistant.adapters.files.data_files import grammar_texts, shipped
from assistant.bench.wording import Wording
from assistant.language.grammar import Grammar
from assistant.language.grammar_files import REPLIES_FILE
from assistant.units import Unit


def load_grammar(folder: Path | None = None, *, unit: Unit = Unit.INCH) -> Grammar:
    """The grammar in ``folder``, or the bench's own. Raises GrammarError."""
    if folder is None:
        return Grammar(grammar_texts(shipped("grammar")), unit=unit)  # the tests have looked at it
    grammar = Grammar(grammar_texts(folder), unit=unit)
    grammar.refuse_double_meaning()
    return grammar


def load_wording(grammar: Grammar | None = None) -> Wording:
    """The bench's replies, numbers worded by ``grammar``; None leaves them in figures."""
    numbers = grammar.numbers if grammar is not None else None
    return Wording(grammar_texts(shipped("grammar"))[REPLIES_FILE], numbers)
