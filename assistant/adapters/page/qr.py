"""An address as a QR code (ISO/IEC 18004) of half-block characters, for any terminal."""

from assistant.errors import LeafcallError

_QUIET = 2  # modules; the standard wants four, readers take two where the ground is bright
_HALVES = {(0, 0): " ", (1, 0): "▀", (0, 1): "▄", (1, 1): "█"}


def qr_lines(text: str) -> list[str]:
    """Lines of equal length, to be shown dark on bright; two modules in a line.

    Raises LeafcallError if the package segno is missing.
    """
    try:
        import segno
    except ImportError as exc:
        raise LeafcallError(
            "The live page needs the extra 'page': run pip install 'leafcall[page]'."
        ) from exc
    code = segno.make(text, error="m", micro=False)
    rows = [[int(dark) for dark in row] for row in code.matrix_iter(border=_QUIET)]
    if len(rows) % 2:
        rows.append([0] * len(rows[0]))
    return [
        "".join(_HALVES[pair] for pair in zip(upper, lower, strict=True))
        for upper, lower in zip(rows[::2], rows[1::2], strict=True)
    ]
