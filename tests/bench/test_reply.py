"""What the bench says and shows: the wording that matters verbatim, and every reply in use."""

from typing import Any, get_args

import pytest
import yaml

from assistant.bench import events as ev
from assistant.bench.dialogue import Call
from assistant.bench.job import Grinder, GrinderKind, LimitsRule, Relation, RingSpec
from assistant.bench.reply import reply_to_pending
from assistant.bench.reply_terms import (
    GROUPS,
    AdviceReply,
    AnswerReply,
    DoneReply,
    Feed,
    Length,
    QuestionReply,
    Refusal,
    ReplyName,
    Stack,
    Strokes,
)
from assistant.bench.session import Pending
from assistant.bench.wording import Facts, Reply, Wording, join
from assistant.errors import GrammarError, LogDamaged
from assistant.language.grammar import Grammar
from assistant.language.grammar_files import REPLIES_FILE
from assistant.units import Unit
from tests.fakes import SECOND, THOU, TOP, Bench, heard, metric_job, small_job

# A conversation each: calls, then the reply to the last one, as spoken.
SPOKEN: list[tuple[str, list[str], str]] = [
    (
        "the first ring",
        ["next ring"],
        "cylinder one second ring. Window eighteen to twenty thou. Set it square, try {leaf} thou.",
    ),
    ("a leaf is confirmed by its number", ["top ring", "twelve goes thirteen snug"],
     "twelve goes. thirteen snug. About thirteen thou. four thou to go. Grind {feed} thou."),
    ("ends that were dressed are measured anew",
     ["top ring", "sixteen goes seventeen snug", "ends are not square", "ends are square"],
     "Ends square. Deburr, set it square, try {leaf} thou."),
    ("a cut that was not measured is not accepted",
     ["top ring", "fifteen goes sixteen snug", "ground half", "accept it"],
     "Not measured as it is now. Try a leaf first."),
    ("a cut is confirmed by its feed", ["top ring", "ground two and a half"],
     "Ground two and a half thou. Deburr, set it square, try {leaf} thou."),
    ("half a thou", ["top ring", "ground half"],
     "Ground half thou. Deburr, set it square, try {leaf} thou."),
    ("butting", ["top ring", "butts"], "Butts. Grind {feed} thou, then measure."),
    ("deburred after a cut", ["top ring", "ground two", "deburred"],
     "Deburred. Set it square, try {leaf} thou."),
    ("square after deburring", ["top ring", "ground two", "deburred", "ring is square"],
     "Square. Try {leaf} thou."),
    ("square after a reading", ["top ring", "fifteen goes sixteen snug", "ring is square"],
     "Square. Try {leaf} thou."),
    ("inside, uncut", ["top ring", "sixteen goes seventeen snug"],
     "sixteen goes. seventeen snug. seventeen thou, plus or minus one, inside. Accept it."),
    ("ends", ["top ring", "sixteen goes seventeen snug", "ends are not square"],
     "Ends not square. Dress the ends square, then measure again."),
    ("over", ["top ring", "twenty one goes twenty two snug", "how much more"],
     "About twenty two thou, over the limit of eighteen thou. Stop cutting. Say accept it, "
     "or spoiled ring."),
    ("accept", ["top ring", "sixteen goes seventeen snug", "accept it"],
     "Accepted. cylinder two upper rail. At least fifteen thou. Set it square, try {leaf} thou."),
    ("accept below", ["top ring", "twelve goes thirteen snug", "accept it"],
     "About thirteen thou, under the least. A tight gap can butt hot. Accept it? Yes or no?"),
    ("accepted all the same", ["top ring", "twelve goes thirteen snug", "accept it", "yes"],
     "Accepted, as you say. cylinder two upper rail. At least fifteen thou. Set it square, try "
     "{leaf} thou."),
    ("large cut", ["top ring", "ground twelve"],
     "Ground twelve thou? That is a large cut. Yes or no?"),
    ("no to it", ["top ring", "ground twelve", "no"],
     "Dropped. cylinder one top ring. Window sixteen to eighteen thou. Set it square, try {leaf} "
     "thou."),
    ("what now repeats an open question", ["top ring", "ground twelve", "what now"],
     "Ground twelve thou? That is a large cut. Yes or no?"),
    ("a butting ring that was not", ["top ring", "twelve goes thirteen snug", "butts"],
     "butts? That goes against the last leaf. Yes or no?"),
    ("open again", ["top ring", "sixteen goes seventeen snug", "accept it",
                    "cylinder one top ring seventeen snug"],
     "cylinder one top ring is accepted. Open it again? Yes or no?"),
    ("another ring", ["top ring", "spoiled ring", "cylinder one top ring"],
     "cylinder one top ring was spoiled. Is this another ring? Yes or no?"),
    ("taken back", ["top ring", "ground two", "take that back"],
     "Taken back: ground two thou. cylinder one top ring. Window sixteen to eighteen thou. Set it "
     "square, try {leaf} thou."),
    ("corrected", ["top ring", "ground three", "make that two"],
     "Corrected. Ground two thou. Deburr, set it square, try {leaf} thou."),
    ("how much more, unknown", ["top ring", "how much more"], "Not measured yet."),
    ("how much more, none", ["top ring", "sixteen goes seventeen snug", "how much more"],
     "No more. Inside."),
    ("target", ["top ring", "what is the target"],
     "cylinder one top ring: sixteen to eighteen thou, aim at seventeen thou."),
    ("target of a rail", ["what is the target"], "cylinder one upper rail: at least fifteen thou."),
    ("where", ["top ring", "where am i"], "cylinder one top ring. six rings open."),
    ("read back", ["top ring", "ten plus six goes seventeen snug", "read it back"],
     "cylinder one top ring. Last: sixteen thou goes, seventeen thou snug."),
    ("say again and again", ["top ring", "what is the target", "say again", "say again"],
     "I said: cylinder one top ring: sixteen to eighteen thou, aim at seventeen thou."),
    ("what are the calls", ["what are the calls"],
     "Say where, then leaves: fifteen goes, sixteen snug. Ground two. What now. Take that back. "
     "Wrap up."),
    ("stand by", ["stand by"], "Standing by."),
    ("deaf", ["stand by", "fifteen goes"], ""),
    ("note", ["note"], "Go ahead."),
    ("noted", ["note", "blue rag"], "Noted."),
    ("wrap up", ["top ring", "spoiled ring", "wrap up"],
     "Wrapped up. Not right yet: one to replace, five open. The sheet is written."),
    ("no such cylinder", ["cylinder nine"],
     "There is no cylinder nine. This job has two."),
    ("no such ring", ["oil ring"],
     "No oil ring in this job. It has upper rail, second ring, top ring."),
    ("no such leaf", ["fifteen and a half goes"],
     "No fifteen and a half thou leaf in your set. Try fifteen thou or sixteen thou, or stack two: "
     "say ten plus four."),
    ("unfinished", ["fifteen"], "fifteen what? Say almost, drops, goes, no, plus, snug."),
    ("unfinished number", ["ground"], "ground what? Say a number."),
    ("stray", ["fifteen goes banana"],
     "I heard fifteen goes banana. After fifteen goes say easily, a number."),
    ("extra", ["what now please"], "I heard what now please. Say only what now."),
    ("talk", ["good morning"], "Not understood. Say what are the calls."),
    ("no question", ["yes"], "There was no question."),
    ("nothing to take back", ["take that back"], "Nothing to take back."),
    ("strokes on a dial job", ["twelve strokes"],
     "This job uses a dial grinder. Say ground two."),
]  # fmt: skip


@pytest.mark.parametrize(
    ("calls", "spoken"), [row[1:] for row in SPOKEN], ids=[r[0] for r in SPOKEN]
)
def test_the_bench_says(bench: Bench, calls: list[str], spoken: str) -> None:
    for call in calls[:-1]:
        bench.type(call)
    said = bench.type(calls[-1])
    # Which leaf and which feed is the business of other tests; here any number will do.
    for hole in ("{leaf}", "{feed}"):
        if hole in spoken:
            before, _, behind = spoken.partition(hole)
            assert said.startswith(before)
            assert said.endswith(behind)
            number = said.removeprefix(before).removesuffix(behind)
            assert bench.grammar.parse([*number.split(), "goes"]) is not None
            return
    assert said == spoken


def test_replies_have_no_figures_to_say_and_no_number_words_to_show(bench: Bench) -> None:
    for call in (
        "top ring",
        "twelve goes thirteen snug",
        "ground three",
        "sixteen goes",
        "what now",
    ):
        bench.type(call)
        reply = bench.last.reply
        assert not any(letter.isdigit() for letter in reply.spoken)
        assert not {"twelve", "thirteen", "three", "sixteen"} & set(reply.shown.lower().split())


def test_what_is_shown_has_figures_units_and_capitals(bench: Bench) -> None:
    bench.type("top ring")
    bench.type("twelve goes thirteen snug")
    shown = bench.last.reply.shown
    assert shown.startswith("12 goes. 13 snug. About 13 thou. 4 thou to go. Grind ")
    bench.type("second ring")
    assert bench.last.reply.shown.startswith(
        "Cylinder 1 second ring. Window 18 to 20 thou. Set it square, try "
    )


def test_a_metric_job_says_hundredths_and_shows_millimetres(metric_bench: Bench) -> None:
    metric_bench.type("top ring")
    assert metric_bench.last.reply.spoken.startswith(
        "cylinder one top ring. Window thirty five to forty five hundredths. Set it square, try "
    )
    assert metric_bench.last.reply.shown.startswith(
        "Cylinder 1 top ring. Window 0.350 to 0.450 mm. Set it square, try 0."
    )


def test_stacked_leaves_are_said_thick_first_and_shown_with_their_unit(
    wording: Wording,
) -> None:
    stack = Stack((10 * THOU, 6 * THOU))
    filled = wording.fill(AdviceReply.AFTER_CUT_SQUARE, Unit.INCH, {"leaf_stack": stack})
    assert filled == Reply("Try ten plus six thou.", "Try 10 thou plus 6 thou.")


def test_a_feed_off_the_halves_is_said_in_figures_and_never_rounded_up(wording: Wording) -> None:
    # A metric dial on an inch job: 0.06 mm is 2.36 thou; "two and a half" would be too much.
    filled = wording.fill(DoneReply.CUT, Unit.INCH, {"feed_nm": Feed(60_000)})
    assert filled == Reply("Ground 2.3 thou.", "Ground 2.4 thou.")


def test_a_length_below_nothing_is_said_with_minus(wording: Wording) -> None:
    lengths_nm = {"difference_nm": -2 * THOU, "least_nm": 0, "most_nm": THOU}
    facts = {name: Length(nm) for name, nm in lengths_nm.items()}
    spoken = wording.fill(QuestionReply.ACCEPT_RELATION, Unit.INCH, facts).spoken
    assert spoken.startswith("The top is minus two thou over the second; this job wants zero thou")


def test_lengths_too_long_for_words_are_said_in_figures(wording: Wording) -> None:
    facts = {"more_nm": Length(150 * THOU)}
    assert wording.fill(AnswerReply.MORE, Unit.INCH, facts).spoken == "150 thou to go."


def test_replies_are_joined_without_empty_ones() -> None:
    assert join([Reply("a", "A"), Reply("", ""), Reply("b", "")]) == Reply("a b", "A")
    assert not Reply("", "")


# --- the file ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (("units:", "unit:"), r"replies\.yaml, units: Field required"),
        (("cautions:", "cautious: x\ncautions:"), r"replies\.yaml, cautious: Extra inputs"),
        (("rings:\n  top:", "rings:\n  middle:"), r"replies\.yaml, rings\.middle"),
        (("  top: top ring\n", ""), r"replies\.yaml, rings: there is no 'top': add it"),
        (("  metric: hundredths\n", ""), r"replies\.yaml, units: there is no 'metric': add it"),
        (("  cut: ", "  trim: "), r"replies\.yaml, advice: there is no 'cut': add it"),
        (
            ("  note kept:", "  danced: Danced.\n  note kept:"),
            r"replies\.yaml, done: 'danced' is never said\. Take it out, or spell it as one of not",
        ),
        (
            ("  log back:", "  log lost: Lost.\n  log back:"),
            r"replies\.yaml, troubles: 'log lost' is never said",
        ),
        (("units:", "units: ["), r"replies\.yaml is not YAML"),
    ],
)
def test_a_replies_file_that_cannot_be_used_is_refused_with_the_place(
    grammar_texts: dict[str, str], change: tuple[str, str], reason: str
) -> None:
    text = grammar_texts[REPLIES_FILE]
    assert change[0] in text
    with pytest.raises(GrammarError, match=reason):
        Wording(text.replace(*change, 1), None)


GROUPS_AND_NAMES = [
    *((group, name.value) for kind, group in GROUPS.items() for name in kind),
    *(("troubles", about) for about in get_args(ev.Trouble)),
]


@pytest.mark.parametrize(("group", "name"), GROUPS_AND_NAMES)
def test_no_reply_can_be_missing_from_the_file(
    grammar_texts: dict[str, str], group: str, name: str
) -> None:
    data = yaml.safe_load(grammar_texts[REPLIES_FILE])
    del data[group][name]
    with pytest.raises(
        GrammarError, match=rf"replies\.yaml, {group}: there is no '{name}': add it"
    ):
        Wording(yaml.safe_dump(data), None)


def test_a_name_that_logs_hold_is_never_renamed() -> None:
    """Logs hold refusals and questions by name; these are all that any version has written."""
    questions = (
        "misheard, reading shrank, reading grew too little, reading grew too much, "
        "reading contradicts, reading impossible, large cut, many strokes, open again, "
        "another ring, accept below, accept above, accept relation, accept unsure"
    )
    refusals = (
        "nothing, foreign, over the reply, not sure, standing by, close race, unknown words, "
        "stray word, other unit, extra word, unfinished, no job, which ring, which cylinder, "
        "no such cylinder, no such ring, no such leaf, no ring left, no other ring, half a stroke, "
        "job has a file, job has a dial, accept without a reading, nothing to take back, "
        "voice at its limit, no question open, no number to correct"
    )
    assert set(QuestionReply) >= set(questions.split(", "))
    assert set(Refusal) >= set(refusals.split(", "))


def test_a_question_of_a_foreign_log_is_refused_with_what_to_do(
    bench: Bench, wording: Wording
) -> None:
    for about, facts in (("danced", {"cylinder": "1", "ring": "top"}), ("misheard", {"ring": "x"})):
        pending = Pending(about, facts, ())
        with pytest.raises(LogDamaged, match="cannot ask again"):
            reply_to_pending(pending, bench.state, wording)


def test_a_place_that_nothing_fills_is_named_with_what_there_is(wording: Wording) -> None:
    with pytest.raises(GrammarError, match=r"done, cut: cannot fill 'feed_nm'; there is strokes"):
        wording.fill(DoneReply.CUT, Unit.INCH, {"strokes": Strokes(3)})


def test_without_number_words_the_voice_gets_figures(grammar_texts: dict[str, str]) -> None:
    plain = Wording(grammar_texts[REPLIES_FILE], None)
    assert (
        plain.fill(DoneReply.CUT, Unit.INCH, {"feed_nm": Feed(63_500)}).spoken == "Ground 2.5 thou."
    )


# --- every reply is given ---------------------------------------------------------------------


class Recorded(Wording):
    """Remembers which replies were filled."""

    def __init__(self, text: str, numbers: Any) -> None:
        super().__init__(text, numbers)
        self.given: set[tuple[str, str]] = set()

    def text(self, name: ReplyName) -> str:
        self.given.add((GROUPS[type(name)], name.value))
        return super().text(name)

    def fill(self, name: ReplyName, unit: Unit, facts: Facts) -> Reply:
        self.given.add((GROUPS[type(name)], name.value))
        return super().fill(name, unit, facts)

    def trouble(self, about: ev.Trouble, unit: Unit, facts: Facts) -> Reply:
        self.given.add(("troubles", about))
        return super().trouble(about, unit, facts)


def rings(least: int, most: int | None) -> tuple[RingSpec, ...]:
    most_nm = None if most is None else most * THOU
    return (
        RingSpec(position=TOP, rule=LimitsRule(least_nm=least * THOU, most_nm=most_nm)),
        RingSpec(position=SECOND, rule=LimitsRule(least_nm=least * THOU, most_nm=most_nm)),
    )


DIAL = Grinder.usual(GrinderKind.DIAL, Unit.INCH)
FILE = Grinder(kind=GrinderKind.FILE, step_nm=7_620, largest_cut_nm=3 * THOU,
               butting_cut_nm=3 * THOU)  # fmt: skip

CONVERSATIONS: list[tuple[dict[str, Any], list[str]]] = [
    *(({}, calls) for _, calls, _ in SPOKEN),
    ({}, ["say again"]),
    ({}, ["upper rail", "fourteen goes", "fifteen snug", "fifteen almost", "sixteen almost"]),
    ({"grinder": FILE},
     ["upper rail", "fourteen goes", "fifteen snug", "fifteen almost", "sixteen almost"]),
    ({}, ["top ring", "ten no go"]),
    ({}, ["top ring", "eight goes twelve no go", "how much more"]),
    ({}, ["top ring", "twelve goes thirteen snug", "how much more"]),
    ({}, ["top ring", "eight goes", "ground two", "ring is square", "deburred"]),
    ({}, ["top ring", "twelve goes", "twelve goes thirteen snug", "ground three",
          "sixteen goes seventeen snug", "deburred", "ends are square", "read it back",
          "accept it"]),
    ({}, ["top ring", "twelve goes thirteen snug", "ground three", "sixteen goes seventeen snug",
          "ends are square"]),
    ({}, ["top ring", "fifteen goes sixteen snug", "accept it"]),
    ({}, ["top ring", "twenty one goes twenty two snug", "accept it"]),
    ({}, ["top ring", "sixteen goes seventeen snug", "accept it",
          "cylinder one top ring seventeen snug", "yes", "read it back"]),
    ({}, ["top ring", "sixteen goes seventeen snug", "twelve no go"]),
    ({}, ["top ring", "twelve goes thirteen snug", "ground two", "eleven no go"]),
    ({}, ["top ring", "ten goes eleven snug", "ground five", "twelve no go"]),
    ({}, ["top ring", "twelve goes thirteen snug", "ground two", "twenty goes"]),
    ({}, ["top ring", "twenty five plus twenty five plus"]),
    ({}, ["top ring", "twenty five plus twenty five goes"]),
    ({}, ["spoiled ring", "cylinder one upper rail", "yes", "read it back"]),
    ({}, ["spoiled ring"] * 6 + ["what now", "next ring", "where am i", "fifteen goes", "top ring",
                                 "wrap up"]),
    ({}, ["skip this ring"] * 6 + ["fifteen goes", "read it back", "take that back"]),
    ({}, ["spoiled ring"] * 5 + ["next ring"]),
    *(({"rings": rings(16, 18)[:1], "order": (TOP,), "cylinders": 1}, [*calls, "what now"])
      for calls in (["sixteen goes seventeen snug", "accept it"],
                    ["fifteen goes sixteen snug", "sixteen snug", "accept it", "yes"],
                    ["twelve goes thirteen snug", "accept it", "yes"])),
    ({}, ["ring is square", "read it back", "skip this ring", "read it back", "stand by",
          "listen up"]),
    ({}, ["accept it", "make that sixteen"]),
    ({}, ["read it back"]),
    ({}, ["top ring", "seven goes", "ring is square", "fifteen no go"]),
    *(({}, ["second ring", "eight goes nine almost", "ground ten", "eighteen goes nineteen no go",
            "eighteen goes", check]) for check in ("deburred", "ends are square")),
    ({}, ["top ring", "ten goes eleven snug", "ground five", "sixty goes", "take that back"]),
    ({}, ["top ring", "ten goes eleven snug", *["ground five and a half"] * 2]),
    ({"grinder": FILE}, ["top ring", "ten goes eleven snug", *["fourteen strokes"] * 2]),
    ({"grinder": FILE}, ["top ring", "sixty strokes"]),
    ({}, ["skip this ring"] * 6 + ["cylinder one top ring", "sixteen goes seventeen snug",
                                   "spoiled ring", "cylinder one top ring", "no"]),
    ({"rings": rings(16, 17), "order": (SECOND, TOP)}, ["fifteen goes sixteen almost"] * 3),
    ({}, ["top ring", "sixteen goes seventeen snug", "second ring", "ten goes eleven snug",
          "seventeen snug"]),
    ({}, ["top ring", "ground two", "read it back"]),
    ({}, ["top ring", "fifteen snug", "how much more"]),
    ({}, ["top ring", "fourteen goes fifteen snug", "how much more"]),
    ({}, ["keep recordings", "no recordings", "speak softer", *["speak faster"] * 11]),
    ({}, ["skip this ring"] * 6 + ["cylinder one top ring", "take that back"]),
    ({}, ["nineteen goes", "accept it", "read it back"]),
    ({}, ["top ring", "four goes", "ground three", "fourteen no go"]),
    ({}, ["butts", "read it back", "spoiled ring", "read it back"]),
    ({"cylinders": 1}, ["skip this ring"] * 3 + ["ground twelve"]),
    ({"grinder": FILE}, ["ground two", "top ring", "twelve goes thirteen snug", "how much more",
                         "three strokes", "make that two and a half", "sixty strokes", "no",
                         "butts", "yes", "read it back"]),
    ({"grinder": FILE}, ["top ring", "butts", "three strokes", "read it back"]),
    ({"grinder": FILE},
     ["top ring", "twelve goes thirteen snug", "three strokes", "make that one"]),
    ({"rings": rings(16, 17), "order": (SECOND, TOP)},
     ["top ring", "sixteen goes", "sixteen almost", "seventeen goes", "seventeen no go"]),
    ({"rings": rings(16, 17), "order": (SECOND, TOP)},
     ["sixteen snug", "sixteen snug", "fifteen snug", "sixteen almost", "sixteen goes",
      "sixteen snug"]),
    ({"rings": rings(16, 17), "order": (SECOND, TOP)},
     ["top ring", "twelve goes thirteen snug", "ground three", "sixteen goes", "seventeen snug",
      "seventeen no go", "sixteen almost"]),
    ({}, ["top ring", "eighteen snug", "eighteen snug", "eighteen goes", "eighteen almost",
          "nineteen snug", "eighteen goes", "eighteen almost"]),
    ({"rings": rings(15, 21), "order": (SECOND, TOP),
      "top_over_second": Relation(least_nm=0, most_nm=THOU)},
     ["second ring", "eighteen goes nineteen snug", "accept it",
      "cylinder one top ring", "sixteen goes seventeen snug", "accept it"]),
]  # fmt: skip


def hold(
    job_changes: dict[str, Any], calls: list[str], grammar: Grammar, wording: Wording
) -> Bench:
    bench = Bench(small_job(**job_changes), grammar, wording)
    for call in calls:
        bench.type(call)
    return bench


def test_every_reply_of_the_file_is_given_in_some_conversation(
    grammar: Grammar, metric_grammar: Grammar, grammar_texts: dict[str, str]
) -> None:
    recorded = Recorded(grammar_texts[REPLIES_FILE], grammar.numbers)
    for changes, calls in CONVERSATIONS:
        hold(changes, calls, grammar, recorded)
    bench = hold({}, [], grammar, recorded)
    for score in (0.4, 0.1):
        bench.say("fifteen goes", score=score)
    bench.say("")
    bench.mumble("fifteen goes")
    bench.say("fifteen goes", ("sixteen goes", 0.45))
    bench.dialogue.open(bench.job, software="again")
    for trouble in get_args(ev.Trouble):
        bench.dialogue.tell(trouble)
    bench.store.only_in_memory = True
    bench.say("what now")
    bench.store.only_in_memory = False
    bench.say("keep recordings")
    bench.dialogue.take(Call(heard("ground two"), source="microphone", keep=lambda _: None))
    metric = Bench(metric_job(), metric_grammar, recorded)
    metric.type("forty goes")
    metric.type("forty thou goes")
    late = Call(heard("ground two"), source="microphone", late=True)
    bench.dialogue.take(late)
    done = hold({}, [], grammar, recorded)
    while done.state.here is not None:
        done.say("spoiled ring")
    done.dialogue.open(done.job, software="again")
    never = set(GROUPS_AND_NAMES) - recorded.given
    assert sorted(never) == sorted(NEVER_IN_A_DIALOGUE)


NEVER_IN_A_DIALOGUE = {
    # A dialogue always has a job, and has always said something.
    ("answers", "nothing said"),
    ("refusals", "no job"),
}
