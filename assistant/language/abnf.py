"""Reads grammars in the ABNF form of the W3C Speech Recognition Grammar Specification 1.0.

Only the subset that a small closed grammar needs; what else the standard has is refused by name
and line. ``grammar/README.md`` explains the form; the section numbers here are the standard's.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NoReturn

from assistant.errors import GrammarError

MOST_REPEATS = 20  # more often nobody says a thing in one breath
_DEEPEST = 40  # brackets within brackets

_HEADER = re.compile(r"\ufeff?#ABNF[ \t]+(\S+?)(?:[ \t]+([^\s;]+))?[ \t]*;")
# What stands between two characters that end it; all else is a word (appendix D).
_PIECES = re.compile(
    r"""(?P<space>\s+)
    |(?P<doc>/\*\*(?!/).*?\*/)
    |(?P<comment>//[^\n]*|/\*.*?\*/)
    |(?P<weight>/[\d.]+/)
    |(?P<outside>\$<[^>]*>(?:~<[^>]*>)?)
    |(?P<rule>\$[^\W\d]\w*)
    |(?P<tag>\{!\{.*?\}!\}|\{[^{}]*\})
    |(?P<quoted>"[^"]*")
    |(?P<repeat><\s*\d+\s*(?:-\s*\d*\s*)?(?:/[\d.]+/\s*)?>)
    |(?P<uri><[^>\s\d][^>]*>(?:~<[^>]*>)?)
    |(?P<language>![\w-]+)
    |(?P<sign>[()\[\]|;=])
    |(?P<word>[^\s;=|*+<>()\[\]{}/$"!]+)
    """,
    re.VERBOSE | re.DOTALL,
)
_REPEAT = re.compile(r"<\s*(\d+)\s*(-?)\s*(\d*)\s*(/?)")
_REFUSED_HEADERS = {
    "base": "a base address (section 4.9)",
    "lexicon": "a lexicon (section 4.10): put sounds into pronunciations.dict",
    "meta": "meta (section 4.11)",
    "http-equiv": "http-equiv (section 4.11)",
}
_SPECIAL = {"VOID": "$VOID", "GARBAGE": "$GARBAGE"}


@dataclass(frozen=True, slots=True)
class Word:
    """A token (2.1): one word, or in quotes several. line: where it stands, from 1."""

    text: str
    line: int


@dataclass(frozen=True, slots=True)
class Reference:
    """Another rule of the same grammar (2.2.1)."""

    name: str
    line: int


@dataclass(frozen=True, slots=True)
class Outside:
    """A rule of another file (2.2.2): ``$<numbers.yaml#leaf>``."""

    file: str
    name: str
    line: int


@dataclass(frozen=True, slots=True)
class Tag:
    """What the words before it mean (2.6)."""

    text: str
    line: int


@dataclass(frozen=True, slots=True)
class Row:
    """One after another (2.3); without parts it is nothing at all, $NULL."""

    parts: tuple["Expansion", ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """One of several (2.4)."""

    ways: tuple["Expansion", ...]


@dataclass(frozen=True, slots=True)
class Repeat:
    """``least`` to ``most`` times (2.5); 0 to 1 is also written in square brackets."""

    part: "Expansion"
    least: int
    most: int


Expansion = Word | Reference | Outside | Tag | Row | Choice | Repeat


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule (3.1). comment: the text of the documentation comment before it (3.3), or empty."""

    name: str
    expansion: Expansion
    line: int
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole grammar (4): rules in the order written. language, tag_format: empty if not said."""

    root: str
    rules: Mapping[str, Rule]
    language: str = ""
    tag_format: str = ""


@dataclass(frozen=True, slots=True)
class _Piece:
    kind: str
    text: str
    line: int


def read_abnf(text: str) -> Sheet:
    """The grammar that ``text`` writes down. Raises GrammarError with line and reason."""
    header = _HEADER.match(text)
    if header is None:
        _refuse(1, "the file must begin with '#ABNF 1.0 UTF-8;' (section 4.1).")
    if header[1] != "1.0":
        _refuse(1, f"version {header[1]} of the form is not known; write '#ABNF 1.0 UTF-8;'.")
    if (header[2] or "UTF-8").upper() != "UTF-8":
        _refuse(1, f"the file is read as UTF-8, not as {header[2]}: write '#ABNF 1.0 UTF-8;'.")
    return _Reader(_pieces(text, header.end())).sheet()


def text_of(expansion: Expansion) -> str:
    """The expansion in the form it was written in, without comments and needless brackets."""
    match expansion:
        case Word(text):
            return text if re.fullmatch(r"[^\s;=|*+<>()\[\]{}/$\"!]+", text) else f'"{text}"'
        case Reference(name):
            return f"${name}"
        case Outside(file, name):
            return f"$<{file}#{name}>"
        case Tag(text):
            return f"{{!{{{text}}}!}}" if re.search(r"[{}]", text) else f"{{{text}}}"
        case Choice(ways):
            return " | ".join(text_of(way) for way in ways)
        case Repeat(part, 0, 1):
            return f"[{text_of(part)}]"
        case Repeat(part, least, most):
            times = f"{least}" if least == most else f"{least}-{most}"
            return f"{_grouped(part)} <{times}>"
        case Row(()):
            return "$NULL"
        case Row(parts):
            return " ".join(
                f"({text_of(p)})" if isinstance(p, Choice) else text_of(p) for p in parts
            )


def _grouped(part: Expansion) -> str:
    simple = isinstance(part, Word | Reference | Outside)
    return text_of(part) if simple else f"({text_of(part)})"


def _refuse(line: int, reason: str) -> NoReturn:
    raise GrammarError(f"line {line}: {reason}")


def _pieces(text: str, at: int) -> list[_Piece]:
    pieces = []
    line = 1 + text.count("\n", 0, at)
    while at < len(text):
        found = _PIECES.match(text, at)
        if found is None:
            _refuse(line, f"cannot read {text[at : at + 20].split(chr(10))[0]!r}{_hint(text[at])}.")
        kind = found.lastgroup or ""
        if kind not in ("space", "comment"):
            pieces.append(_Piece(kind, found[0], line))
        line += found[0].count("\n")
        at = found.end()
    pieces.append(_Piece("end", "the end of the file", line))
    return pieces


def _hint(sign: str) -> str:
    return {
        "{": ": a tag ends with }, or {!{ with }!}",
        '"': ": a quoted word ends with a quote",
        "/": ": a comment ends with */",
        "*": ": write <0-...> for repeats (section 2.5)",
        "+": ": write <1-...> for repeats (section 2.5)",
    }.get(sign, "")


class _Reader:
    def __init__(self, pieces: list[_Piece]) -> None:
        self._pieces = pieces
        self._at = 0
        self._comment = ""
        self._depth = 0

    def sheet(self) -> Sheet:
        said = self._declarations()
        rules: dict[str, Rule] = {}
        while self._next.kind != "end":
            rule = self._rule()
            if rule.name in rules:
                _refuse(
                    rule.line,
                    f"rule ${rule.name} stands twice; first in line {rules[rule.name].line}.",
                )
            rules[rule.name] = rule
        if "root" not in said:
            _refuse(1, "there is no 'root $call;' that says where a call begins (section 4.7).")
        root = said["root"].text[1:]
        if root not in rules:
            _refuse(said["root"].line, f"there is no rule ${root} for the root.")
        language, form = said.get("language"), said.get("tag-format")
        return Sheet(
            root=root,
            rules=rules,
            language="" if language is None else language.text,
            tag_format="" if form is None else form.text.strip("<>"),
        )

    @property
    def _next(self) -> _Piece:
        """The piece ahead; a documentation comment is put aside for the rule it stands before."""
        while self._pieces[self._at].kind == "doc":
            self._comment = self._pieces[self._at].text
            self._at += 1
        return self._pieces[self._at]

    def _take(self) -> _Piece:
        piece = self._next
        self._at += 1
        return piece

    def _sign(self, sign: str, place: str) -> None:
        piece = self._take()
        if piece.text != sign:
            _refuse(piece.line, f"{piece.text!r} where {sign!r} must stand, {place}.")

    def _declarations(self) -> dict[str, _Piece]:
        wanted = {"language": "word", "mode": "word", "root": "rule", "tag-format": "uri"}
        said: dict[str, _Piece] = {}
        while True:
            piece = self._next
            if piece.kind == "tag":
                _refuse(piece.line, "tags at the top of a file (section 4.12) are not read.")
            if piece.kind != "word" or piece.text in ("public", "private"):
                return said
            self._take()
            if piece.text in _REFUSED_HEADERS:
                _refuse(piece.line, f"{_REFUSED_HEADERS[piece.text]} is not read.")
            if piece.text not in wanted:
                _refuse(
                    piece.line,
                    f"{piece.text!r} is no declaration; there are {', '.join(wanted)}.",
                )
            if piece.text in said:
                _refuse(piece.line, f"{piece.text} is declared twice.")
            value = self._take()
            if value.kind != wanted[piece.text]:
                _refuse(value.line, f"{value.text!r} is no {piece.text}.")
            if piece.text == "mode" and value.text != "voice":
                _refuse(value.line, f"mode {value.text} (section 4.6) is not read, only voice.")
            self._sign(";", f"after the {piece.text}")
            said[piece.text] = value

    def _rule(self) -> Rule:
        self._next  # noqa: B018 - puts the comment aside
        comment, self._comment = self._comment, ""
        piece = self._take()
        if piece.text in ("public", "private"):
            piece = self._take()
        if piece.kind != "rule":
            _refuse(piece.line, f"{piece.text!r} where a rule like '$name = ...;' must begin.")
        if piece.text[1:] in ("NULL", *_SPECIAL):
            _refuse(piece.line, f"{piece.text} has its own meaning and cannot be a rule.")
        self._sign("=", f"after {piece.text}")
        expansion = self._choice()
        self._sign(";", f"at the end of {piece.text}")
        self._comment = ""  # one within the rule belongs to nothing
        return Rule(piece.text[1:], expansion, piece.line, _plain_comment(comment))

    def _choice(self) -> Expansion:
        ways = [self._row()]
        while self._next.text == "|":
            self._take()
            ways.append(self._row())
        return ways[0] if len(ways) == 1 else Choice(tuple(ways))

    def _row(self) -> Expansion:
        parts: list[Expansion] = []
        first = self._next
        while not (self._next.kind == "end" or self._next.text in ("|", ")", "]", ";")):
            parts.append(self._repeated(self._part()))
        if not parts:
            _refuse(first.line, f"nothing stands before {first.text!r}; for nothing write $NULL.")
        return parts[0] if len(parts) == 1 else Row(tuple(parts))

    def _part(self) -> Expansion:
        piece = self._take()
        match piece.kind:
            case "word":
                return Word(piece.text, piece.line)
            case "quoted":
                said = " ".join(piece.text[1:-1].split())
                if not said:
                    _refuse(piece.line, "there is no word between the quotes.")
                return Word(said, piece.line)
            case "tag":
                text = piece.text
                text = text[3:-3] if text.startswith("{!{") else text[1:-1]
                return Tag(text.strip(), piece.line)
            case "rule":
                name = piece.text[1:]
                if name in _SPECIAL:
                    _refuse(piece.line, f"{piece.text} (section 2.2.3) is not read.")
                return Row(()) if name == "NULL" else Reference(name, piece.line)
            case "outside":
                return _outside(piece)
            case "weight":
                _refuse(piece.line, f"weights like {piece.text} (section 2.4.1) are not read.")
            case "language":
                _refuse(
                    piece.line,
                    f"a language for one part, {piece.text} (section 2.7), is not read.",
                )
            case "repeat" | "uri":
                _refuse(piece.line, f"{piece.text!r} repeats nothing: put it after a word.")
        if piece.text in ("(", "["):
            return self._bracketed(piece)
        _refuse(piece.line, f"{piece.text!r} cannot stand here.")

    def _bracketed(self, opening: _Piece) -> Expansion:
        closing = ")" if opening.text == "(" else "]"
        self._depth += 1
        if self._depth > _DEEPEST:
            _refuse(opening.line, f"brackets stand more than {_DEEPEST} deep.")
        if closing == ")" and self._next.text == ")":  # "()" is nothing (section 2.3)
            inner: Expansion = Row(())
        else:
            inner = self._choice()
        found = self._take()
        if found.text != closing:
            _refuse(opening.line, f"{opening.text!r} is not closed by {closing!r}.")
        self._depth -= 1
        return inner if closing == ")" else Repeat(inner, 0, 1)

    def _repeated(self, part: Expansion) -> Expansion:
        while self._next.kind == "repeat":
            piece = self._take()
            found = _REPEAT.match(piece.text)
            assert found is not None  # noqa: S101 - the pieces' own pattern is narrower
            if isinstance(part, Tag):
                _refuse(piece.line, f"{piece.text} repeats a tag: put it after a word.")
            if found[4]:
                _refuse(piece.line, f"{piece.text}: how likely (section 2.5.1) is not read.")
            if found[2] and not found[3]:
                _refuse(piece.line, f"{piece.text} has no end: write <{found[1]}-3> for at most 3.")
            least, most = int(found[1]), int(found[3] or found[1])
            if not least <= most <= MOST_REPEATS or most == 0:
                _refuse(
                    piece.line,
                    f"{piece.text}: write the smaller number first, and at most {MOST_REPEATS}.",
                )
            part = Repeat(part, least, most)
        if self._next.kind == "language":
            self._part()  # refuses it
        return part


def _outside(piece: _Piece) -> Outside:
    found = re.fullmatch(r"\$<([^>#:/]+)#([^\W\d]\w*)>", piece.text)
    if found is None:
        _refuse(
            piece.line,
            f"{piece.text} is not read: only rules of a file in this folder are, like "
            "$<numbers.yaml#leaf> (section 2.2.2).",
        )
    return Outside(found[1], found[2], piece.line)


def _plain_comment(text: str) -> str:
    """The lines of a documentation comment without its stars."""
    lines = [line.strip().lstrip("*").strip() for line in text[3:-2].splitlines()]
    return "\n".join(line for line in lines if line)
