"""Commands that fit rings: by voice, from the keyboard, from recordings, and the demo."""

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Annotated

import typer

from assistant.adapters.learned_file import LearnedFile, usual_path
from assistant.adapters.microphone import Microphone
from assistant.adapters.speaker import SilentSpeaker, VoiceSpeaker
from assistant.adapters.terminal import Terminal
from assistant.adapters.typed_recognizer import TypedRecognizer
from assistant.adapters.wav_file import WavFile
from assistant.assembly.ears import (
    DEFAULT_EAR,
    Ear,
    hear_records,
    load_grammar,
    load_wording,
    open_ear,
)  # fmt: skip
from assistant.assembly.sessions import Session, SessionFolder, open_session, write_sheet
from assistant.cli.options import Denoise, EarName, Fresh, JobFile, Mute, Speed
from assistant.demo import run_demo
from assistant.dialogue import Call, Turn
from assistant.errors import LeafcallError, SpeakerError
from assistant.grammar import Grammar
from assistant.ports import AudioSource, Speaker
from assistant.reply import Wording
from assistant.showing import turn_lines


def fit(
    job: JobFile,
    mute: Mute = False,
    fresh: Fresh = False,
    ear: EarName = DEFAULT_EAR,
    denoise: Denoise = None,
    speed: Speed = 170,
    device: Annotated[
        str | None, typer.Option("--microphone", help="Microphone by number or part of its name.")
    ] = None,
) -> None:
    """Fit rings by voice: listens to the microphone until 'wrap up' or Ctrl-C."""
    microphone = Microphone(device)  # first of all: without one there is nothing to begin
    try:
        with (
            _session(job, mute=mute, fresh=fresh, speed=speed) as session,
            _ear(session.grammar, ear=ear, denoise=denoise) as opened,
        ):
            _hear_source(session, opened, microphone)
    finally:
        microphone.close()


def type_(job: JobFile, mute: Mute = False, fresh: Fresh = False, speed: Speed = 170) -> None:
    """Fit rings from the keyboard: the same calls, typed, one a line."""
    with _session(job, mute=mute, fresh=fresh, speed=speed) as session:
        keyboard = TypedRecognizer(session.grammar.words_of)
        for line in _typed_lines():
            heard = keyboard.hear(line)
            if not heard.words:
                continue
            turn = session.dialogue.take(Call(heard, source="keyboard", typed=True))
            if turn.state.closed:
                return


def _typed_lines() -> Iterator[str]:
    # A byte that is no UTF-8 becomes a word that is refused, not an end of the session.
    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")
    yield from sys.stdin


def hear(
    files: Annotated[
        list[Path], typer.Argument(metavar="[JOB] FILES...", help="Job file, then sound files.")
    ],
    as_json: Annotated[
        bool,
        typer.Option("--json", help="No job: print what is heard in each file, one JSON a line."),
    ] = False,
    grammar: Annotated[
        Path | None, typer.Option("--grammar", help="Another grammar folder (with --json).")
    ] = None,
    speak: Annotated[bool, typer.Option("--speak", help="Speak the replies.")] = False,
    fresh: Fresh = False,
    ear: EarName = DEFAULT_EAR,
    denoise: Denoise = None,
) -> None:
    """Fit rings from recordings: the same as 'fit', heard from sound files in order."""
    if as_json:
        _hear_json(files, grammar, ear=ear, denoise=denoise)
        return
    if grammar is not None:
        raise typer.BadParameter("--grammar goes with --json: a job uses the bench's own grammar.")
    if len(files) < 2 or files[0].suffix.lower() != ".toml":
        raise typer.BadParameter(
            f"{files[0]}: name a job file (.toml) and then the recordings, or use --json to hear "
            "recordings without a job."
        )
    job, sounds = files[0], [WavFile(path) for path in files[1:]]
    with (
        _session(job, mute=not speak, fresh=fresh, speed=170) as session,
        _ear(session.grammar, ear=ear, denoise=denoise) as opened,
    ):
        for sound in sounds:
            for warning in sound.sound.warnings:
                Terminal().warn(f"Note: {warning}")
            _hear_source(session, opened, sound)
            if session.dialogue.state.closed:
                return


def _hear_json(files: list[Path], folder: Path | None, *, ear: str, denoise: bool | None) -> None:
    terminal = Terminal()
    failed = False
    with _ear(load_grammar(folder), ear=ear, denoise=denoise) as opened:
        for path in files:
            try:
                source = WavFile(path)
            except LeafcallError as error:
                terminal.warn(f"leafcall: {error}")
                failed = True
                continue
            for record in hear_records(opened, source, file=str(path)):
                terminal.raw(record)
    if failed:
        raise typer.Exit(1)


@contextmanager
def _session(job: Path, *, mute: bool, fresh: bool, speed: int) -> Iterator[Session]:
    """A session that shows and speaks; on the way out it writes the sheet."""
    terminal = Terminal()
    speaker = _speaker(terminal, mute=mute, speed=speed)
    for caution in load_wording().cautions:
        terminal.show(caution)

    def show(turn: Turn, wording: Wording) -> None:
        terminal.show("")
        terminal.show_labelled(turn_lines(turn, wording))

    try:
        with open_session(
            job, speaker=speaker, show=show, new=fresh, learned=LearnedFile(usual_path())
        ) as session:
            if session.repaired is not None:
                terminal.warn(
                    "The last line of the log was torn (power lost?). It was never confirmed; it "
                    f"is kept in {session.repaired}."
                )
            try:
                yield session
            except LeafcallError:
                with suppress(LeafcallError):  # the first error is the one to be told
                    _leave_sheet(terminal, session.folder, session)
                raise
            except BaseException:
                _leave_sheet(terminal, session.folder, session)
                raise
            _leave_sheet(terminal, session.folder, session)
    finally:
        speaker.close()


def _speaker(terminal: Terminal, *, mute: bool, speed: int) -> Speaker:
    if mute:
        return SilentSpeaker()
    return _Steady(VoiceSpeaker(words_per_minute=speed), terminal)


class _Steady:
    """A speaker whose failure is shown once and never ends the session: replies stay on screen."""

    def __init__(self, voice: Speaker, terminal: Terminal) -> None:
        self._voice = voice
        self._terminal = terminal
        self._failed = False

    def say(self, text: str) -> None:
        try:
            self._voice.say(text)
            self._failed = False
        except SpeakerError as error:
            if not self._failed:
                self._terminal.warn(f"Not spoken: {error}")
            self._failed = True

    def close(self) -> None:
        self._voice.close()


def _leave_sheet(terminal: Terminal, folder: SessionFolder, session: Session) -> None:
    write_sheet(folder, session.wording)
    terminal.show("")
    terminal.show(f"Log    {folder.log}")
    terminal.show(f"Sheet  {folder.sheet}   {folder.table}")


@contextmanager
def _ear(grammar: Grammar, *, ear: str, denoise: bool | None) -> Iterator[Ear]:
    with open_ear(grammar, ear=ear, denoise=denoise) as opened:
        if opened.notice:
            Terminal().warn(opened.notice)
        yield opened


def _hear_source(session: Session, ear: Ear, source: AudioSource) -> None:
    listener = ear.listener(source)
    for utterance, heard in listener.calls():
        turn = session.dialogue.take(session.call(utterance, heard, source.name))
        if turn.state.closed:
            return
        listener.skip_waiting()  # half duplex: what came in while it spoke is its own voice


def demo(
    folder: Annotated[
        Path, typer.Option("--out", help="Folder for replies, log and sheet.")
    ] = Path("leafcall-demo"),
    ear: EarName = DEFAULT_EAR,
    denoise: Denoise = None,
) -> None:
    """Hear a whole bench session from the sample sound that ships with Leafcall."""
    run_demo(folder, Terminal(), ear=ear, denoise=denoise)
