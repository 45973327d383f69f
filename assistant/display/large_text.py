"""Large letters made of blocks, to be read from two metres; an alphabet of our own.

A glyph is five rows of pixels, three to five wide. A pixel is ``across`` columns wide and ``half
rows`` half lines high; half lines need the block characters, plain ASCII takes whole lines only.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

_ROWS = 5
_DRAWN = """
A .##. #..# #### #..# #..#
B ###. #..# ###. #..# ###.
C .### #... #... #... .###
D ###. #..# #..# #..# ###.
E #### #... ###. #... ####
F #### #... ###. #... #...
G .### #... #.## #..# .###
H #..# #..# #### #..# #..#
I ### .#. .#. .#. ###
J ..## ...# ...# #..# .##.
K #..# #.#. ##.. #.#. #..#
L #... #... #... #... ####
M #...# ##.## #.#.# #...# #...#
N #..# ##.# #.## #..# #..#
O .##. #..# #..# #..# .##.
P ###. #..# ###. #... #...
Q .##. #..# #..# #.## .###
R ###. #..# ###. #.#. #..#
S .### #... .##. ...# ###.
T ##### ..#.. ..#.. ..#.. ..#..
U #..# #..# #..# #..# .##.
V #...# #...# .#.#. .#.#. ..#..
W #...# #...# #.#.# ##.## #...#
X #..# #..# .##. #..# #..#
Y #...# .#.#. ..#.. ..#.. ..#..
Z #### ..#. .#.. #... ####
0 .##. #.## #..# ##.# .##.
1 .#. ##. .#. .#. ###
2 ###. ...# .##. #... ####
3 ###. ...# .##. ...# ###.
4 #..# #..# #### ...# ...#
5 #### #... ###. ...# ###.
6 .##. #... ###. #..# .##.
7 #### ...# ..#. .#.. .#..
8 .##. #..# .##. #..# .##.
9 .##. #..# .### ...# .##.
. . . . . #
+ ... .#. ### .#. ...
- ... ... ### ... ...
? ###. ...# .##. .... .#..
"""
_GLYPHS = {
    line[0]: tuple(line[1:].split()) for line in _DRAWN.splitlines() if line
} | {" ": ("..",) * _ROWS}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Scale:
    """Size of a pixel: columns across, half lines down; both 1 or more."""

    half_rows: int
    across: int

    def __lt__(self, other: "Scale") -> bool:
        """Whether its letters are smaller: narrower, or as wide and lower."""
        return (self.across, self.half_rows) < (other.across, other.half_rows)

    @property
    def lines(self) -> int:
        """Lines that letters of this size take."""
        return -(-_ROWS * self.half_rows // 2)


_MOST_ACROSS = 10
SCALES = tuple(
    Scale(half_rows, across)
    for across in range(_MOST_ACROSS, 0, -1)
    for half_rows in (across + 1, across)
)
"""Largest first. Pixels are square where a character is twice as high as wide, or a little higher:
what is to be read from afar may be tall."""


def columns_of(text: str, scale: Scale) -> int:
    """Columns that ``text`` takes."""
    return max(0, sum(len(_glyph(c)[0]) + 1 for c in text) - 1) * scale.across


@lru_cache(maxsize=256)
def block_letters(text: str, scale: Scale, *, ascii_only: bool = False) -> tuple[str, ...]:
    """``text`` in capital letters as lines of equal length; a character without a glyph is ``?``.

    ascii_only: drawn with ``#`` in whole lines; an odd count of half lines is rounded up.
    """
    pixels = [" ".join(_glyph(c)[row].replace(".", " ") for c in text) for row in range(_ROWS)]
    wide = ["".join(c * scale.across for c in row) for row in pixels]
    if ascii_only:
        whole = -(-scale.half_rows // 2)
        return tuple(row for row in wide for _ in range(whole))
    halves = [row for row in wide for _ in range(scale.half_rows)]
    if len(halves) % 2:
        halves.append(" " * len(wide[0]))
    signs = {"  ": " ", "# ": "▀", " #": "▄", "##": "█"}
    return tuple(
        "".join(signs[upper + lower] for upper, lower in zip(*halves[at : at + 2], strict=True))
        for at in range(0, len(halves), 2)
    )


@lru_cache(maxsize=256)
def largest(text: str, *, width: int, lines: int, ascii_only: bool = False) -> Scale | None:
    """The largest scale that fits ``width`` columns and ``lines`` lines; None if none does."""
    return next(fitting_scales(text, width=width, lines=lines, ascii_only=ascii_only), None)


def fitting_scales(
    text: str, *, width: int, lines: int, ascii_only: bool = False
) -> Iterator[Scale]:
    """All scales that fit ``width`` columns and ``lines`` lines, largest first."""
    for scale in SCALES:
        high = -(-scale.half_rows // 2) * _ROWS if ascii_only else scale.lines
        if columns_of(text, scale) <= width and high <= lines:
            yield scale


def _glyph(character: str) -> tuple[str, ...]:
    return _GLYPHS.get(character.upper(), _GLYPHS["?"])
