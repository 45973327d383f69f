"""The reader of the standard's ABNF form, against the examples printed in the standard.

Reference: W3C Speech Recognition Grammar Specification 1.0 (16 March 2004). The text was not at
hand when these were written: examples and section numbers are from memory.
"""

import pytest

from assistant.errors import GrammarError
from assistant.language.abnf import (
    Choice,
    Expansion,
    Outside,
    Reference,
    Repeat,
    Row,
    Sheet,
    Tag,
    Word,
    read_abnf,
    text_of,
)  # fmt: skip

HEAD = "#ABNF 1.0 UTF-8;\nlanguage en;\nroot $a;\n"  # three lines: a rule begins in line 4


def rule(expansion: str) -> Expansion:
    return read_abnf(f"{HEAD}$a = {expansion};").rules["a"].expansion


def bare(expansion: Expansion) -> object:
    """The expansion without lines, to compare with one written down."""
    match expansion:
        case Word(text) | Tag(text):
            return (type(expansion), text)
        case Reference(name):
            return (Reference, name)
        case Outside(file, name):
            return (Outside, file, name)
        case Row(parts) | Choice(parts):
            return (type(expansion), *map(bare, parts))
        case Repeat(part, least, most):
            return (Repeat, bare(part), least, most)


def said(*words: str) -> tuple[object, ...]:
    return tuple((Word, word) for word in words)


# --- what is read -----------------------------------------------------------------------------

TOPPED = (
    Row,
    (Repeat, (Row, (Repeat, (Word, "very"), 0, 1), (Word, "big")), 0, 1),
    (Word, "pizza"),
    (Repeat, (Row, (Repeat, (Choice, *said("with", "and")), 0, 1), (Reference, "topping")), 0, 3),
)


@pytest.mark.parametrize(
    ("section", "expansion", "expected"),
    [
        ("2.1", "hello", (Word, "hello")),
        ("2.1", '"San Francisco"', (Word, "San Francisco")),
        ("2.1", '"San\n   Francisco"', (Word, "San Francisco")),  # white space is made plain
        ("2.1", "2", (Word, "2")),
        ("2.1", "I'd", (Word, "I'd")),
        ("2.2.1", "$city", (Reference, "city")),
        ("2.2.2", "$<date.gram#month>", (Outside, "date.gram", "month")),
        ("2.2.3", "$NULL", (Row,)),
        ("2.3", "this is a test", (Row, *said("this", "is", "a", "test"))),
        ("2.3", "$action $object", (Row, (Reference, "action"), (Reference, "object"))),
        ("2.3", "the $object is $color",
         (Row, (Word, "the"), (Reference, "object"), (Word, "is"), (Reference, "color"))),
        ("2.3", "()", (Row,)),
        ("2.4", "Michael | Yuriko | Mary | Duke | $otherNames",
         (Choice, *said("Michael", "Yuriko", "Mary", "Duke"), (Reference, "otherNames"))),
        ("2.5", "[very]", (Repeat, (Word, "very"), 0, 1)),
        ("2.5", "very <0-1>", (Repeat, (Word, "very"), 0, 1)),
        ("2.5", "$digit <4-6>", (Repeat, (Reference, "digit"), 4, 6)),
        ("2.5", "$digit <7>", (Repeat, (Reference, "digit"), 7, 7)),
        # The standard's own has <0->, which a closed grammar cannot take.
        ("2.5", "[[very] big] pizza ([with | and] $topping) <0-3>", TOPPED),
        ("2.6", "this is a {TAG-CONTENT-1}",
         (Row, *said("this", "is", "a"), (Tag, "TAG-CONTENT-1"))),
        ("2.6", "{!{ a simple tag containing { and } needing no escaping }!}",
         (Tag, "a simple tag containing { and } needing no escaping")),
        # 2.8: a sequence binds tighter than alternatives, a repeat tightest of all.
        ("2.8", "a b | c d", (Choice, (Row, *said("a", "b")), (Row, *said("c", "d")))),
        ("2.8", "a b <2>", (Row, (Word, "a"), (Repeat, (Word, "b"), 2, 2))),
        ("2.8", "(a b) <2>", (Repeat, (Row, *said("a", "b")), 2, 2)),
    ],
)  # fmt: skip
def test_the_examples_of_the_standard_are_read(
    section: str, expansion: str, expected: object
) -> None:
    assert bare(rule(expansion)) == expected, section


EXAMPLE = """#ABNF 1.0 UTF-8;

// the declarations of section 4, the comments of 4.13
language en-US;
mode voice;
root $basicCmd;
tag-format <semantics/1.0-literals>;

/* politeness, as in the simple examples
   of the appendix */
private $polite = [please | kindly | could you];

/**
 * A simple directive to execute an action.
 *
 * @example open the window
 * @example close the door
 */
public $basicCmd = $polite $action $object;
$action = open {TAG-CONTENT-1} | close {TAG-CONTENT-2} /* in between */ | delete | move;
$object = [the | a] (window | file | menu);
"""


def test_a_whole_grammar_is_read_with_its_declarations_and_comments() -> None:
    sheet = read_abnf(EXAMPLE)
    assert (sheet.root, sheet.language, sheet.tag_format) == (
        "basicCmd", "en-US", "semantics/1.0-literals",
    )  # fmt: skip
    assert {name: (made.line, text_of(made.expansion)) for name, made in sheet.rules.items()} == {
        "polite": (11, "[please | kindly | could you]"),
        "basicCmd": (19, "$polite $action $object"),
        "action": (20, "open {TAG-CONTENT-1} | close {TAG-CONTENT-2} | delete | move"),
        "object": (21, "[the | a] (window | file | menu)"),
    }
    assert sheet.rules["basicCmd"].comment == (
        "A simple directive to execute an action.\n@example open the window\n"
        "@example close the door"
    )
    assert [made.comment for name, made in sheet.rules.items() if name != "basicCmd"] == [""] * 3


@pytest.mark.parametrize("header", ["#ABNF 1.0;", "\ufeff#ABNF 1.0 UTF-8;", "#ABNF 1.0 utf-8 ;"])
def test_the_header_may_leave_out_the_encoding(header: str) -> None:
    assert read_abnf(f"{header} root $a; $a = x;") == read_abnf("#ABNF 1.0; root $a; $a = x;")


@pytest.mark.parametrize(
    "expansion",
    ["a b | c [d] {x}", '(a | b) <2-3> "c d"', "a $NULL", "{!{ {} }!}", "$<n.yaml#m>",
     "(a b) <2>", "[[a] b]"],
)  # fmt: skip
def test_a_rule_written_out_again_reads_the_same(expansion: str) -> None:
    once = rule(expansion)
    assert bare(rule(text_of(once))) == bare(once)


# --- what is refused, by name and line ----------------------------------------------------------


@pytest.mark.parametrize(
    ("expansion", "reason"),
    [
        # In the standard, and not in the subset.
        ("/10/ small | /2/ medium | large", r"line 4: weights like /10/ \(section 2\.4\.1\)"),
        ("/3.1415/ pie | /1.414/ root beer | /.25/ cola", r"weights like /3\.1415/"),
        ("x\n| $VOID", r"line 5: \$VOID \(section 2\.2\.3\) is not read"),
        ("$GARBAGE", r"\$GARBAGE \(section 2\.2\.3\) is not read"),
        ("$digit <0->", r"<0-> has no end: write <0-3>"),
        ("$digit <10->", r"<10-> has no end"),
        ("very <0-1 /0.6/>", r"<0-1 /0\.6/>: how likely \(section 2\.5\.1\)"),
        ("yes | oui!fr-CA", r"a language for one part, !fr-CA \(section 2\.7\)"),
        ("(Michel Tremblay | André Roy)!fr-CA", r"a language for one part, !fr-CA"),
        ("$<http://grammar.example.com/politeness.gram#startPolite>",
         r"only rules of a file in this folder are, like \$<numbers\.yaml#leaf>"),
        ("$<../date.gram#month>", r"only rules of a file in this folder"),
        ("$<date.gram#month>~<application/srgs>", r"only rules of a file in this folder"),
        # Wrong in any reading of the standard.
        ("(a | b", r"line 4: '\(' is not closed by '\)'"),
        ("[a", r"'\[' is not closed by '\]'"),
        ("(a]", r"'\(' is not closed by '\)'"),
        ("a)", r"'\)' where ';' must stand, at the end of \$a"),
        ("a |", r"nothing stands before ';'; for nothing write \$NULL"),
        ("[]", r"nothing stands before '\]'"),
        ("", r"nothing stands before ';'"),
        ("<2>", r"'<2>' repeats nothing"),
        ("a <3-2>", r"<3-2>: write the smaller number first, and at most 20"),
        ("a <0>", r"<0>: write the smaller"),
        ("a <2000>", r"<2000>: .* at most 20"),
        ("a {x} <2>", r"<2> repeats a tag"),
        ("a {b", r"cannot read '\{b;': a tag ends with \}"),
        ('a "b', r"cannot read '\"b;': a quoted word ends"),
        ('a ""', r"no word between the quotes"),
        ("a*", r"cannot read '\*;': write <0-\.\.\.>"),
        ("a > b", r"cannot read '> b;'"),
        ("a = b", r"'=' cannot stand here"),
        ("(" * 50 + "a" + ")" * 50, "brackets stand more than 40 deep"),
        ("(" * 50_000, "brackets stand more than 40 deep"),
    ],
)  # fmt: skip
def test_what_is_not_read_is_refused_by_name_and_line(expansion: str, reason: str) -> None:
    with pytest.raises(GrammarError, match=reason):
        rule(expansion)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", r"line 1: the file must begin with '#ABNF 1\.0 UTF-8;'"),
        ("\n#ABNF 1.0;\nroot $a; $a = b;", "line 1: the file must begin with"),
        ("#ABNF 1.0 ISO-8859-1;\nroot $a; $a = b;", "read as UTF-8, not as ISO-8859-1"),
        ("#ABNF 2.0;\nroot $a; $a = b;", r"version 2\.0 of the form is not known"),
        ("#ABNF 1.0;\nmode dtmf;\nroot $a; $a = b;", r"line 2: mode dtmf \(section 4\.6\)"),
        ("#ABNF 1.0;\nbase <http://x/y>;", r"line 2: a base address \(section 4\.9\) is not read"),
        ("#ABNF 1.0;\nlexicon <http://x/y>;", r"a lexicon \(section 4\.10\): put sounds into pron"),
        ('#ABNF 1.0;\nmeta "Creator" is "A";', r"meta \(section 4\.11\) is not read"),
        ("#ABNF 1.0;\n{!{ x }!};", r"line 2: tags at the top of a file \(section 4\.12\)"),
        ("#ABNF 1.0;\ngrammar x;", "'grammar' is no declaration; there are language, mode"),
        ("#ABNF 1.0;\nlanguage $x;", r"line 2: '\$x' is no language"),
        ("#ABNF 1.0;\nroot $a\n$a = b;", r"line 3: '\$a' where ';' must stand, after the root"),
        ("#ABNF 1.0;\nroot $a;\nroot $a;", "line 3: root is declared twice"),
        ("#ABNF 1.0;\n$a = b;", r"there is no 'root \$call;'"),
        ("#ABNF 1.0;\nroot $b;\n$a = b;", r"line 2: there is no rule \$b for the root"),
        ("#ABNF 1.0;\nroot $a;\n$a = b;\n$a = c;", r"line 4: rule \$a stands twice; first in li"),
        ("#ABNF 1.0;\nroot $a;\n$a = b", "line 3: 'the end of the file' where ';' must stand"),
        ("#ABNF 1.0;\nroot $a;\n$a = b; c", "line 3: 'c' where a rule like"),
        ("#ABNF 1.0;\nroot $a;\n$NULL = b;", r"\$NULL has its own meaning"),
        ("#ABNF 1.0;\nroot $a;\n/* a\n\n$a = b;", r"line 3: cannot read '/\* a': a comment ends"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read_is_refused_by_line(text: str, reason: str) -> None:
    with pytest.raises(GrammarError, match=reason):
        read_abnf(text)


def test_a_comment_inside_a_rule_belongs_to_no_rule() -> None:
    sheet: Sheet = read_abnf("#ABNF 1.0; root $a; $a = b /** inner */ c; $d = e;")
    assert [made.comment for made in sheet.rules.values()] == ["", ""]
