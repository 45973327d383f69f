"""Edits that turn real input into likely wrong input: parts cut out, doubled, moved, replaced.

An edit is (kind, where, what): the place is a share of the length, so that it stays meaningful as
the input shrinks.
"""

from collections.abc import Sequence
from random import Random

Edit = tuple[int, float, float, bytes]
"""Kind, place and length as shares of the input, bytes to put there."""

KINDS = 7
PIECES = (
    b"", b"\n", b"\0", b"\r\n", b'"', b"{", b"}", b"[", b"]", b",", b"=", b"-1", b"0", b"1e309",
    b"999999999999999999999", b"0.00000000000001", b"null", b"true", b"NaN", b"\xff\xfe",
    "\u201c".encode(), "\u00bd".encode(), b"RIFF", b"data", b"fmt ", b"\xff\xff\xff\xff",
    b"[" * 3000, b"a" * 5000, b";", b"|", b"(", b")", b"$call", b"<", b">", b"{tag}", b"&a", b"*a",
    b"goes", b"snug", b"no go", b"yes", b"take that back", b"top ring", b"accept it", b"ground ",
)  # fmt: skip


def apply_edits(seed: bytes, edits: Sequence[Edit]) -> bytes:
    """The seed after all edits."""
    data = seed
    for kind, place, share, piece in edits:
        at = round(place * len(data))
        end = min(len(data), at + max(1, round(share * share * share * len(data))))
        match kind % KINDS:
            case 0:
                data = data[:at] + piece + data[at:]
            case 1:
                data = data[:at] + piece + data[end:]
            case 2:
                data = data[:at] + data[end:]
            case 3:
                data = data[:end] + data[at:end] + data[end:]
            case 4:
                data = data[:at] + bytes(255 - byte for byte in data[at : at + 1]) + data[at + 1 :]
            case 5:
                lines = data.split(b"\n")
                first, second = round(place * (len(lines) - 1)), round(share * (len(lines) - 1))
                lines[first], lines[second] = lines[second], lines[first]
                data = b"\n".join(lines)
            case _:
                data = data[:end]
    return data[:200_000]


def random_edits(rng: Random) -> list[Edit]:
    """One to six edits."""
    return [
        (rng.randrange(KINDS), rng.random(), rng.random(), rng.choice(PIECES))
        for _ in range(rng.choice((1, 1, 1, 2, 3, 6)))
    ]
