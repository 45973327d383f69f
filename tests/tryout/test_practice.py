"""The practice: which phrases, what their hearing tells; live with fakes, kept and read again."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from assistant.adapters.files.kept_set import Kept, KeptSet
from assistant.build.ears import Ear
from assistant.build.practice_runs import Take, file_takes, live_takes, score_again
from assistant.ear.levels import SoundFigures
from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Heard, Hypothesis, Samples
from assistant.errors import AudioError, GrammarError
from assistant.language.grammar import Grammar
from assistant.tryout.practice import Tried, advice, aligned, line_of, phrases, summary, tried
from tests.fakes import heard

FINE = SoundFigures(
    length_s=2.0, peak=0.4, clipped=0.0, offset=0.0, floor_db=-62.0, speech_db=-28.0,
    hum_db=-80.0, hum_hz=50.0, low_db=-60.0,
)  # fmt: skip


def one(asked: str, said: str, grammar: Grammar, **more: Any) -> Tried:
    score = more.pop("score", 0.95)
    figures = more.pop("figures", FINE)
    made = heard(said, score=score) if said else None
    return tried(1, tuple(asked.split()), made, grammar, figures=figures, **more)


# --- which phrases ----------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_ten_different_sentences_of_the_grammar(grammar: Grammar, seed: int) -> None:
    chosen = phrases(grammar, seed=seed)
    assert len(set(chosen)) == 10
    parsed = [grammar.parse(words) for words in chosen]
    assert all(parsed)
    commands = {p.command for p in parsed if p is not None}
    assert {"readings", "ground", "pick", "done"} <= commands
    # Numbers and feels are what is called out all day.
    assert sum(bool(p.values("leaf")) for p in parsed if p is not None) >= 4


def test_phrases_are_the_same_by_seed_and_others_by_another(grammar: Grammar) -> None:
    assert phrases(grammar, seed=3) == phrases(grammar, seed=3)
    assert phrases(grammar, seed=3) != phrases(grammar, seed=4)


def test_a_few_practices_hold_most_words(grammar: Grammar) -> None:
    said = {word for seed in range(20) for words in phrases(grammar, seed=seed) for word in words}
    assert len(said) > 0.6 * len(grammar.vocabulary)


def test_words_of_the_other_unit_are_avoided(grammar: Grammar) -> None:
    for seed in range(10):
        chosen = phrases(grammar, seed=seed, avoid=["hundredths"])
        assert not any("hundredths" in words for words in chosen)


def test_a_grammar_of_few_sentences_says_so() -> None:
    small = Grammar({"calls.abnf": "#ABNF 1.0; root $call; $call = $go; $go = go now;"})
    assert phrases(small, seed=1, count=1) == [("go", "now")]
    with pytest.raises(GrammarError, match="too few sentences for 2 phrases: ask for fewer"):
        phrases(small, seed=1, count=2)


# --- what came of them --------------------------------------------------------------------------


def test_the_same_meaning_in_other_words_is_understood(grammar: Grammar) -> None:
    assert one("fifteen goes", "one five goes", grammar).right
    assert one("ground two", "took two", grammar).right
    assert not one("fifteen goes", "fifty goes", grammar).right


def test_what_would_not_be_taken_is_not_understood(grammar: Grammar) -> None:
    unsure = one("fifteen goes", "fifteen goes", grammar, score=0.4)
    assert (unsure.right, unsure.refused) == (False, "not sure")
    nothing = one("fifteen goes", "", grammar, figures=None)
    assert (nothing.right, nothing.refused, nothing.heard) == (False, "nothing", ())


def test_other_words_are_offered_where_the_grammar_has_them(grammar: Grammar) -> None:
    assert one("sixteen snug", "sixty snug", grammar).ways == ("one", "six", "snug")
    assert one("forty goes", "forty goes", grammar).ways == ("four", "zero", "goes")
    assert one("cylinder thirteen", "cylinder thirteen", grammar).ways == ()
    assert one("where am i", "where am i", grammar).ways == ()


@pytest.mark.parametrize(
    ("asked", "said", "pairs"),
    [
        ("a b c", "a b c", ["a=a", "b=b", "c=c"]),
        ("a b c", "a x c", ["a=a", "b=x", "c=c"]),
        ("a b c", "a c", ["a=a", "b=-", "c=c"]),
        ("a c", "a b c", ["a=a", "-=b", "c=c"]),
        ("", "a", ["-=a"]),
        ("sixteen snug", "sixty snug snug", ["sixteen=sixty", "-=snug", "snug=snug"]),
    ],
)
def test_alignment(asked: str, said: str, pairs: list[str]) -> None:
    found = aligned(asked.split(), said.split())
    assert [f"{a or '-'}={b or '-'}" for a, b in found] == pairs


@given(st.lists(st.sampled_from("abc"), max_size=6), st.lists(st.sampled_from("abc"), max_size=6))
def test_alignment_keeps_all_words_and_costs_the_edit_distance(a: list[str], b: list[str]) -> None:
    import jiwer  # the field's own measure, as a second opinion

    pairs = aligned(a, b)
    assert [x for x, _ in pairs if x is not None] == a
    assert [y for _, y in pairs if y is not None] == b
    if a:
        measured = jiwer.process_words(" ".join(a), " ".join(b))
        errors = measured.substitutions + measured.deletions + measured.insertions
        assert sum(x != y for x, y in pairs) == errors


def test_the_summary_counts_and_names_the_words(grammar: Grammar) -> None:
    done = [
        one("fifteen goes", "fifteen goes", grammar),
        one("sixteen snug", "sixty snug", grammar),
        one("sixteen almost", "sixty almost", grammar),
        one("where am i", "", grammar, figures=None),
        Tried(5, ("note",), skipped=True),
    ]
    text = "\n".join(summary(done))
    assert "1 of 4 understood, 2 taken wrongly, 1 not taken." in text
    assert "sixteen was taken for sixty, 2 times" in text
    assert "Or in other words: 'one six snug' for 'sixteen snug'." in text
    assert "No speech came in for 1 of 4" in text
    assert "Speech -28 dB, 34 dB over the noise." in text
    assert list(summary([done[-1]])) == ["Nothing was tried."]


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"floor_db": -38.0}, "Come closer"),
        ({"speech_db": -52.0, "floor_db": -80.0}, "Speak louder"),
        ({"speech_db": -5.0}, "Turn the input volume down"),
        ({"clipped": 0.01}, "Turn the input volume down"),
        ({}, "Nothing. It hears you."),
    ],
)
def test_advice_by_the_sound(grammar: Grammar, changes: dict[str, float], told: str) -> None:
    figures = replace(FINE, **changes)
    lines = advice([one("fifteen goes", "fifteen goes", grammar, figures=figures)] * 3)
    assert lines[0].startswith(told)


def test_advice_by_the_words(grammar: Grammar) -> None:
    fast = one("where am i", "what now", grammar, spoken_s=0.5)
    assert advice([fast])[0].startswith("Speak slower: 'where am i' took 0.5 s")
    assert "in the order" in advice([fast] * 3)[0]
    slow = one("where am i", "what now", grammar, spoken_s=2.0)
    good = one("fifteen goes", "fifteen goes", grammar)
    assert advice([slow, good]) == [
        "Read the missed phrases once more, every word by itself but in one go."
    ]
    just = one("fifteen goes", "fifteen goes", grammar, score=0.7)
    assert advice([just]) == ["All well, some just so: speak a little clearer."]


def test_a_line_for_every_outcome(grammar: Grammar) -> None:
    told = [
        line_of(one("fifteen goes", "fifteen goes", grammar)),
        line_of(one("fifteen goes", "fifty goes", grammar)),
        line_of(one("fifteen goes", "fifteen goes", grammar, score=0.3)),
        line_of(one("fifteen goes", "", grammar)),
        line_of(Tried(1, ("note",), skipped=True)),
    ]
    assert told == [
        "understood   (95 % sure, speech -28 dB, noise -62 dB)",
        "WRONG   heard: fifty goes   (95 % sure, speech -28 dB, noise -62 dB)",
        "not taken: not sure   heard: fifteen goes   (30 % sure, speech -28 dB, noise -62 dB)",
        "nothing heard",
        "skipped",
    ]


# --- live, with a fake microphone and a fake recogniser -----------------------------------------


class Said:
    """A recogniser that hears sentences in turn, whatever the sound."""

    name = "fake"

    def __init__(self, *sentences: str) -> None:
        self.sentences = list(sentences)

    def begin(self) -> None: ...

    def feed(self, samples: Samples) -> None: ...

    def words_so_far(self) -> tuple[str, ...]:
        return ()

    def end(self) -> Heard:
        words = tuple(self.sentences.pop(0).split()) if self.sentences else ()
        return Heard((Hypothesis(words, 1.0),) if words else (), 0.95)

    def close(self) -> None: ...


class Mic:
    """A microphone that gives stretches of noise ('speech') and quiet, seconds each."""

    name = "fake mic"
    overflows = 0

    def __init__(self, *stretches: float) -> None:
        """Seconds: positive is speech, negative quiet."""
        rng = np.random.default_rng(1)
        parts = [
            rng.normal(0, 0.1 if s > 0 else 1e-4, round(abs(s) * SAMPLE_RATE_HZ)) for s in stretches
        ]
        self.sound = np.concatenate(parts).astype(np.float32)
        self.dropped = 0

    def frames(self) -> Iterator[Samples]:
        for at in range(0, len(self.sound) - FRAME_SAMPLES + 1, FRAME_SAMPLES):
            yield self.sound[at : at + FRAME_SAMPLES]

    def drop_waiting(self) -> float:
        self.dropped += 1
        return 0.0

    def close(self) -> None: ...


class Fingers:
    """Keys: (look number, key)."""

    def __init__(self, **at: int) -> None:
        self.at = {number: key for key, number in at.items()}
        self.looks = 0

    def pressed(self) -> str | None:
        self.looks += 1
        return self.at.get(self.looks)


class Loudness:
    """Speech is what is loud."""

    def speech(self, frame: Samples) -> float:
        return float(np.abs(frame).max() > 0.1)

    def reset(self) -> None:
        pass


def ear_of(grammar: Grammar, *sentences: str) -> Ear:
    return Ear(grammar, Loudness(), Said(*sentences))


WANTED = [(1, ("what", "now")), (2, ("next", "ring")), (3, ("wrap", "up"))]


def takes_of(
    ear: Ear, mic: Mic, keys: Fingers, **more: float
) -> tuple[list[Take], list[tuple[int, str]]]:
    asked: list[tuple[int, str]] = []
    takes = list(
        live_takes(
            ear, mic, WANTED, keys, ask=lambda n, words: asked.append((n, " ".join(words))), **more
        )
    )
    return takes, asked


def test_each_phrase_is_asked_for_and_heard(grammar: Grammar) -> None:
    ear = ear_of(grammar, "what now", "accept it", "wrap up")
    mic = Mic(-1.0, 1.0, -2.0, 1.0, -2.0, 1.0, -2.0)
    takes, asked = takes_of(ear, mic, Fingers())
    assert asked == [(1, "what now"), (2, "next ring"), (3, "wrap up")]
    assert [take.one.right for take in takes] == [True, False, True]
    assert all(take.samples is not None and len(take.samples) > 8_000 for take in takes)
    assert all(take.one.spoken_s == pytest.approx(1.0, abs=0.1) for take in takes)
    assert takes[0].one.figures is not None
    assert takes[0].one.figures.speech_db == pytest.approx(-20, abs=1.5)
    assert mic.dropped == 3


def test_lost_sound_is_told_with_the_phrase_that_it_spoiled(grammar: Grammar) -> None:
    class Slow(Mic):
        def frames(self) -> Iterator[Samples]:
            for number, frame in enumerate(super().frames()):
                self.overflows = int(number > 300)
                yield frame

    ear = ear_of(grammar, "what now", "next ring", "wrap up")
    takes, _ = takes_of(ear, Slow(-1.0, 1.0, -1.0, 1.0, -2.0, 1.0, -2.0), Fingers())
    assert [take.one.lost for take in takes] == [False, True, False]
    assert advice([take.one for take in takes]) == [
        "Sound was lost in 1 of 3: close other programs."
    ]


def test_a_phrase_can_be_skipped_and_the_practice_stopped(grammar: Grammar) -> None:
    ear = ear_of(grammar, "next ring")
    takes, asked = takes_of(ear, Mic(-1.0, 1.0, -3.0), Fingers(s=10, q=300))
    assert [(take.one.number, take.one.skipped, take.one.right) for take in takes] == [
        (1, True, False), (2, False, True),
    ]  # fmt: skip
    assert asked[-1] == (3, "wrap up")


def test_silence_is_waited_for_so_long_and_no_longer(grammar: Grammar) -> None:
    takes, _ = takes_of(ear_of(grammar), Mic(-8.0), Fingers(), wait_s=2.0)
    assert [take.one.refused for take in takes] == ["nothing"] * 3
    assert all(take.samples is None for take in takes)


def test_recordings_are_heard_in_order_one_a_phrase(grammar: Grammar, tmp_path: Path) -> None:
    paths = []
    for number, mic in enumerate((Mic(-0.5, 1.0, -1.0), Mic(-2.0))):
        paths.append(tmp_path / f"{number}.wav")
        soundfile.write(paths[-1], mic.sound, SAMPLE_RATE_HZ)
    takes = list(file_takes(ear_of(grammar, "what now"), paths, WANTED))
    assert [take.one.right for take in takes] == [True, False]
    assert takes[1].one.refused == "nothing"
    assert takes[0].samples is not None
    assert len(takes[0].samples) == round(2.5 * SAMPLE_RATE_HZ)


# --- the kept set ---------------------------------------------------------------------------------


def test_what_is_kept_is_there_as_sound_and_line_and_can_be_scored_again(
    grammar: Grammar, tmp_path: Path
) -> None:
    kept = KeptSet(tmp_path / "mine")
    sound = Mic(-0.5, 1.0, -1.0).sound
    for number, said in ((1, "what now"), (2, 'wrap up, "now"\nthen')):
        kept.keep(
            sound, said=said, heard="top ring", score=0.8765, right=False, ear="own", seed=4,
            number=number, speaker="M. Rivers",
        )  # fmt: skip
    first, second = kept.read()
    assert first == Kept(
        tmp_path / "mine" / "calls" / "0001-what-now.wav", "what now", "top ring", 0.8765, False,
        "own", 4, 1,
    )  # fmt: skip
    assert second.said == 'wrap up, "now"\nthen'
    read, rate_hz = soundfile.read(first.path, dtype="float32")
    assert rate_hz == SAMPLE_RATE_HZ
    np.testing.assert_allclose(read, sound, atol=1 / 32768)
    again = list(score_again(ear_of(grammar, "what now", "what now"), kept))
    assert [(was.right, now.right) for was, now in again] == [(False, True), (False, False)]


def test_a_later_practice_adds_to_the_set(tmp_path: Path) -> None:
    for _ in range(2):
        KeptSet(tmp_path).keep(
            Mic(-0.1).sound, said="note", heard="", score=0.0, right=False, ear="own", seed=1,
            number=1, speaker="x",
        )  # fmt: skip
    assert [kept.path.name for kept in KeptSet(tmp_path).read()] == [
        "0001-note.wav", "0002-note.wav",
    ]  # fmt: skip


def test_the_table_has_the_columns_of_the_sample_sound(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parents[2]
    KeptSet(tmp_path).keep(
        Mic(-0.1).sound, said="note", heard="", score=0.0, right=False, ear="own", seed=1,
        number=1, speaker="x",
    )  # fmt: skip
    ours = (tmp_path / "manifest.csv").read_text().splitlines()[0].split(",")
    theirs = (root / "sample_audio" / "manifest.csv").read_text().splitlines()[0].split(",")
    assert ours[: len(theirs)] == theirs


def test_what_is_no_set_or_a_damaged_one_says_so(tmp_path: Path) -> None:
    with pytest.raises(AudioError, match=r"holds no kept practice .*'leafcall practice --keep"):
        KeptSet(tmp_path).read()
    (tmp_path / "manifest.csv").write_text("file,said\ncalls/a.wav,note\n")
    with pytest.raises(AudioError, match=r"manifest\.csv is damaged"):
        KeptSet(tmp_path).read()
    (tmp_path / "plain").write_text("")
    with pytest.raises(AudioError, match=r"cannot be kept in .*: choose another folder"):
        KeptSet(tmp_path / "plain").keep(
            Mic(-0.1).sound, said="note", heard="", score=0.0, right=False, ear="own", seed=1,
            number=1, speaker="x",
        )  # fmt: skip
