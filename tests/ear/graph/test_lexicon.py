"""How words sound, and what numbers the sounds have."""

import pytest

from assistant.ear.graph.lexicon import (
    PHONE_NUMBER,
    PHONES,
    Lexicon,
    phone_names,
    placed,
    unit_of,
    word_boundary_file,
)
from assistant.errors import GrammarError


def test_there_are_39_phones_in_four_places_and_quiet() -> None:
    # 39: the phone set of the CMU Pronouncing Dictionary, its own documentation
    assert len(PHONES) == 39
    assert len(phone_names()) == 1 + 4 * 39
    assert phone_names()[0] == "SIL"


def test_phones_know_their_place_in_a_word() -> None:
    names = {number: name for name, number in PHONE_NUMBER.items()}
    assert [names[n] for n in placed(("B", "AH", "T", "S"))] == ["B_B", "AH_I", "T_I", "S_E"]
    assert [names[n] for n in placed(("AH",))] == ["AH_S"]


def test_the_four_places_of_a_phone_share_one_sound() -> None:
    units = [unit_of(n) for n in range(1, len(phone_names()) + 1)]
    assert units == [0] + [u for u in range(1, 40) for _ in range(4)]


def test_word_boundary_file_has_one_line_a_phone() -> None:
    lines = word_boundary_file().splitlines()
    assert lines[0] == "1 nonword"
    assert lines[1:5] == ["2 begin", "3 end", "4 internal", "5 singleton"]
    assert len(lines) == len(phone_names())


def test_a_dictionary_line_may_have_stress_and_variants() -> None:
    lexicon = Lexicon("again  AH0 G EH1 N\nagain(2) AH0 G EY1 N\n# a note\n;;; another\n")
    assert lexicon.ways("again") == (("AH", "G", "EH", "N"), ("AH", "G", "EY", "N"))


def test_entries_of_a_grammar_replace_those_of_the_dictionary() -> None:
    lexicon = Lexicon("butts B AH T S").with_entries({"butts": ["B UH T S"], "shim": ["SH IH M"]})
    assert lexicon.ways("butts") == (("B", "UH", "T", "S"),)
    assert "shim" in lexicon


def test_a_word_that_nobody_spelled_is_named_with_the_way_out() -> None:
    with pytest.raises(GrammarError, match=r"'gudgeon' sounds: add a line .* pronunciations\.dict"):
        Lexicon("snug S N AH G").ways("gudgeon")


@pytest.mark.parametrize("phones", ["S N UX G", ""])
def test_a_phone_that_there_is_none_of_is_refused(phones: str) -> None:
    with pytest.raises(GrammarError, match="is no phone; use AA AE"):
        Lexicon().with_entries({"snug": [phones]})
