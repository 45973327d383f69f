"""The demo: a whole bench session heard from the sample sound, through the real program."""

import csv
import shutil
import time
from dataclasses import dataclass, field
from pathlib import Path
from statistics import quantiles

from assistant.adapters.files.data_files import shipped
from assistant.adapters.sound.speaker import VoiceSpeaker, WavSpeaker
from assistant.adapters.sound.wav_file import WavFile
from assistant.adapters.terminal.terminal import Terminal
from assistant.bench.dialogue import Turn
from assistant.bench.ports import Tone
from assistant.bench.wording import Wording
from assistant.build.ears import Ear, open_ear
from assistant.build.sessions import Session, open_session, write_sheet
from assistant.display.turn_lines import turn_lines
from assistant.errors import FolderError

JOB_NAME = "heron-twin.toml"


@dataclass
class _Tally:
    """What the summary counts. replied_s: end of speech to reply ready, by call."""

    calls: int = 0
    understood: int = 0
    wrong: int = 0
    refused: int = 0
    silent: int = 0
    sound_s: float = 0.0
    work_s: float = 0.0
    replied_s: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class _Clip:
    said: str
    path: Path


def run_demo(out: Path, terminal: Terminal, *, ear: str) -> None:
    """Play the sample session into ``out`` (replies, log, sheet) and show it as it goes.

    Raises FolderError if ``out`` holds something that is not an earlier demo.
    """
    clips = _clips(shipped("sample_audio") / "demo")
    job = _fresh_folder(out)
    terminal.show(
        f"A bench session of an invented twin: {len(clips)} recorded calls by synthetic voices, "
        "heard for real."
    )
    replies = WavSpeaker(out / "replies", VoiceSpeaker())
    timed = _Timed(replies)
    tally = _Tally()

    def show(turn: Turn, wording: Wording) -> None:
        terminal.show("")
        terminal.show_labelled(turn_lines(turn, wording))

    try:
        with open_session(job, speaker=timed, show=show) as session:
            with open_ear(session.grammar, ear=ear) as opened:
                for clip in clips:
                    _play(clip, opened, session, timed, tally, terminal)
            write_sheet(session.folder, session.wording)
            folder = session.folder
    finally:
        timed.close()
    _summary(tally, opened.recognizer.name, terminal)
    terminal.show(f"Replies  {out / 'replies'} ({len(replies.paths)} wav)")
    terminal.show(f"Log      {folder.log}   (leafcall review {job})")
    terminal.show(f"Sheet    {folder.sheet}   {folder.table}")


class _Timed:
    """Passes replies on and counts the seconds spent on writing them as sound."""

    def __init__(self, voice: WavSpeaker) -> None:
        self._voice = voice
        self.speaking = False
        self.spent_s = 0.0

    def say(self, text: str, *, tone: Tone | None = None) -> None:
        began = time.perf_counter()
        try:
            self._voice.say(text, tone=tone)
        finally:
            self.spent_s += time.perf_counter() - began

    def stop(self) -> None:
        self._voice.stop()

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        self._voice.set_voice(volume_percent=volume_percent, words_per_minute=words_per_minute)

    def close(self) -> None:
        self._voice.close()


def _play(
    clip: _Clip, ear: Ear, session: Session, voice: _Timed, tally: _Tally, terminal: Terminal
) -> None:
    source = WavFile(clip.path)
    listener = ear.listener(source)
    tally.calls += 1
    tally.sound_s += source.sound.length_s
    began, spoken_before_s = time.perf_counter(), voice.spent_s
    heard_words: list[str] = []
    taken = False
    for utterance, heard in listener.calls():
        decided = time.perf_counter()
        speaking_s = voice.spent_s
        turn = session.dialogue.take(session.call(utterance, heard, source.name))
        deciding_s = time.perf_counter() - decided - (voice.spent_s - speaking_s)
        heard_words += heard.words
        taken = taken or turn.refused is None
        waited_s = utterance.decided_s - utterance.end_s
        tally.replied_s.append(waited_s + heard.final_s + deciding_s)
    tally.work_s += time.perf_counter() - began - (voice.spent_s - spoken_before_s)
    if not heard_words:
        tally.silent += 1
        terminal.show("")
        terminal.show_labelled([("heard", f"nothing ({source.name})")])
    elif not taken:
        tally.refused += 1
    elif " ".join(heard_words) == clip.said:
        tally.understood += 1
    else:
        tally.wrong += 1
        terminal.show_labelled([("note", f"was said: {clip.said}")])


def _summary(tally: _Tally, ear: str, terminal: Terminal) -> None:
    terminal.show("")
    terminal.show(
        f"Heard by {ear}: {tally.calls} calls, {tally.understood} understood, "
        f"{tally.refused + tally.silent} refused or without effect, {tally.wrong} misheard."
    )
    if len(tally.replied_s) > 1:
        cuts = quantiles(tally.replied_s, n=20, method="inclusive")
        terminal.show(
            f"From end of speech to reply: median {cuts[9]:.2f} s, 95 % within {cuts[18]:.2f} s. "
            f"Computing: {tally.work_s / tally.sound_s:.2f} of real time."
        )


def _clips(folder: Path) -> list[_Clip]:
    with (folder / "calls.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return [
        _Clip(row["said"], folder / f"{number:02d}.wav") for number, row in enumerate(rows, start=1)
    ]


def _fresh_folder(out: Path) -> Path:
    """Make ``out`` ready with the demo's job file; an earlier demo in it is replaced."""
    job = out / JOB_NAME
    if out.exists():
        if any(out.iterdir()) and not job.exists():
            raise FolderError(f"{out} holds other things: name another folder with --out.")
        shutil.rmtree(out)
    try:
        out.mkdir(parents=True)
        shutil.copyfile(shipped("sample_audio") / "demo" / "demo.toml", job)
    except OSError as error:
        raise FolderError(f"{out} cannot be made: {error.strerror}.") from error
    return job
