"""Old calls heard again: by a made-up ear, and by the real one on sound of the samples.

What is right follows from the calls: sample_audio/clips.csv says what was said in each clip.
"""

import shutil
from pathlib import Path

import pytest

from assistant.bench import events as ev
from assistant.build.rehearing import hear_again
from assistant.build.sessions import SessionFolder
from assistant.ear.utterance import Heard
from assistant.errors import LogError
from assistant.language.grammar import Grammar
from assistant.record.rehearing import Verdict, heard_again, kept_calls
from tests.fakes import Bench, heard
from tests.past_sessions import write_log

ROOT = Path(__file__).resolve().parents[2]


def kept(bench: Bench, *clips: str) -> list[ev.Envelope]:
    """The log of a bench, with these clips named by its calls, oldest first."""
    names = iter(clips)
    made = []
    for one in bench.store.events:
        if isinstance(one.event, ev.CallHeard):
            clip = one.event.model_copy(update={"clip": next(names, None)})
            one = one.model_copy(update={"event": clip})
        made.append(one)
    return made


SAID = ("top ring", "ten goes eleven snug", "good morning all", "ground two")


@pytest.fixture
def log(bench: Bench) -> list[ev.Envelope]:
    return kept(bench.through(*SAID), "1.wav", "2.wav", "3.wav", "4.wav")


def verdicts(log: list[ev.Envelope], grammar: Grammar, now: dict[str, Heard]) -> list[Verdict]:
    return [one.verdict for one in heard_again(log, grammar, now.get)]


def ear(*said: str) -> dict[str, Heard]:
    return {f"{n}.wav": heard(text) for n, text in enumerate(said, start=1)}


def test_what_is_heard_as_then_is_the_same(log: list[ev.Envelope], grammar: Grammar) -> None:
    assert kept_calls(log) == ["1.wav", "2.wav", "3.wav", "4.wav"]
    assert verdicts(log, grammar, ear(*SAID)) == [Verdict.SAME] * 4


@pytest.mark.parametrize(
    ("n", "now", "verdict"),
    [
        (1, "ten goes twelve snug", Verdict.OTHER),
        (1, "ground one", Verdict.OTHER),
        (1, "good morning all", Verdict.REFUSED),
        (1, "", Verdict.REFUSED),
        (2, "deburred", Verdict.TAKEN),
        (2, "other talk altogether", Verdict.SAME),  # neither had an effect
        (3, "ground two thou", Verdict.SAME),  # other words, one meaning
    ],
)
def test_a_difference_is_told_for_its_call_alone(
    log: list[ev.Envelope], grammar: Grammar, n: int, now: str, verdict: Verdict
) -> None:
    said = [*SAID]
    said[n] = now
    expected = [Verdict.SAME] * 4
    expected[n] = verdict
    assert verdicts(log, grammar, ear(*said)) == expected


def test_a_clip_that_is_gone_is_passed_over(log: list[ev.Envelope], grammar: Grammar) -> None:
    assert verdicts(log, grammar, ear(*SAID[:2])) == [Verdict.SAME] * 2


def test_a_log_without_clips_says_how_to_keep_them(bench: Bench, tmp_path: Path) -> None:
    write_log(tmp_path / "log.jsonl", bench.through("top ring").store.events)
    with pytest.raises(LogError, match="names no kept call: 'leafcall fit --keep-calls' keeps"):
        list(hear_again(SessionFolder(tmp_path)))


@pytest.mark.audio
def test_the_real_ear_hears_the_kept_clips_of_a_session(bench: Bench, tmp_path: Path) -> None:
    calls = ROOT / "sample_audio" / "calls"
    sounds = [calls / "03-top-ring.wav", calls / "04-next-ring.wav"]
    bench.through("top ring", "next ring", "second ring", "top ring", "deburred")
    names = ("a.wav", "b.wav", "c.wav", "../../secret.wav", "gone.wav")
    write_log(tmp_path / "log.jsonl", kept(bench, *names))
    (tmp_path / "clips").mkdir()
    for name, sound in zip(names, [*sounds, sounds[1]], strict=False):
        shutil.copy(sound, tmp_path / "clips" / name)
    lost: list[str] = []
    found = list(hear_again(SessionFolder(tmp_path), lost=lost.append))
    assert [(one.clip, one.now.words, one.verdict) for one in found] == [
        ("a.wav", "top ring", Verdict.SAME),
        ("b.wav", "next ring", Verdict.SAME),
        ("c.wav", "next ring", Verdict.OTHER),
    ]
    assert len(lost) == 2
    assert "no name of a clip" in lost[0]
    assert "gone.wav" in lost[1]
