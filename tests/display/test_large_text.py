"""Large letters: shapes by eye (golden), sizes by counting."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.display.large_text import SCALES, Scale, block_letters, columns_of, largest

DRAWN = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.+-? ", min_size=1, max_size=8)


def test_letters_in_half_blocks() -> None:
    assert block_letters("3 TOP", Scale(1, 1)) == (
        "▀▀▀▄    ▀▀█▀▀ ▄▀▀▄ █▀▀▄",
        " ▀▀▄      █   █  █ █▀▀ ",
        "▀▀▀       ▀    ▀▀  ▀   ",
    )


def test_letters_in_ascii() -> None:
    assert block_letters("oil 1", Scale(2, 1), ascii_only=True) == (
        " ##  ### #        # ",
        "#  #  #  #       ## ",
        "#  #  #  #        # ",
        "#  #  #  #        # ",
        " ##  ### ####    ###",
    )


def test_no_two_glyphs_look_alike() -> None:
    drawn = [block_letters(c, Scale(1, 1)) for c in "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.+-?"]
    assert len(set(drawn)) == len(drawn)


def test_what_has_no_glyph_is_a_question_mark() -> None:
    assert block_letters("ü", Scale(2, 2)) == block_letters("?", Scale(2, 2))


@given(DRAWN, st.sampled_from(SCALES), st.booleans())
def test_lines_are_as_many_and_as_wide_as_promised(text: str, scale: Scale, plain: bool) -> None:
    lines = block_letters(text, scale, ascii_only=plain)
    assert {len(line) for line in lines} == {columns_of(text, scale)}
    if not plain:
        assert len(lines) == scale.lines
    else:
        assert all(line.isascii() for line in lines)


@given(DRAWN, st.integers(1, 200), st.integers(1, 12), st.booleans())
def test_the_largest_that_fits_fits_and_no_larger_one_does(
    text: str, width: int, lines: int, plain: bool
) -> None:
    def fits(scale: Scale) -> bool:
        drawn = block_letters(text, scale, ascii_only=plain)
        return len(drawn) <= lines and len(drawn[0]) <= width

    best = largest(text, width=width, lines=lines, ascii_only=plain)
    assert best == next((scale for scale in SCALES if fits(scale)), None)


@pytest.mark.parametrize("ring", ["16 second", "16 upper", "16 lower", "16 top", "16 oil"])
def test_every_ring_is_large_in_the_usual_terminal(ring: str) -> None:
    # 80 x 24 and 60 x 20 are the sizes that the read-out was designed for.
    assert largest(ring, width=60, lines=5) is not None
