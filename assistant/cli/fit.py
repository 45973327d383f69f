"""Commands that fit rings: by voice, from the keyboard, from recordings, and the demo."""

import io
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from assistant.adapters.files.learned_file import LearnedFile, usual_path
from assistant.adapters.recognisers.typed_recognizer import TypedRecognizer
from assistant.adapters.sound.loudspeaker import LoudSpeaker
from assistant.adapters.sound.microphone import Microphone, look_again
from assistant.adapters.sound.speaker import SilentSpeaker, VoiceSpeaker
from assistant.adapters.sound.wav_file import WavFile
from assistant.adapters.terminal.keys import NoKeys, open_keys
from assistant.adapters.terminal.terminal import Terminal, libraries_silenced
from assistant.bench.dialogue import Call
from assistant.bench.events import ClipKeepingSet
from assistant.bench.ports import Keys, Speaker
from assistant.bench.session import USUAL_VOICE
from assistant.bench.turn_taking import LiveBench, Manners
from assistant.build.ears import (
    DEFAULT_EAR,
    Ear,
    hear_records,
    load_grammar,
    load_wording,
    open_ear,
)  # fmt: skip
from assistant.build.screens import Screen, open_screen
from assistant.build.sessions import (
    Session,
    SessionFolder,
    SystemClock,
    open_session,
    write_sheet,
)
from assistant.cli.demo import run_demo
from assistant.cli.options import (
    EarName,
    Fresh,
    JobFile,
    KeepCalls,
    KeepMb,
    Mute,
    Plain,
    Speed,
)
from assistant.ear.ports import AudioSource
from assistant.errors import LeafcallError


def fit(
    job: JobFile,
    mute: Mute = False,
    fresh: Fresh = False,
    ear: EarName = DEFAULT_EAR,
    speed: Speed = None,
    device: Annotated[
        str | None, typer.Option("--microphone", help="Microphone by number or part of its name.")
    ] = None,
    headset: Annotated[
        bool,
        typer.Option(
            "--headset",
            help="The microphone cannot hear the replies: a call may cut a reply short.",
        ),
    ] = False,
    no_tones: Annotated[bool, typer.Option("--no-tones", help="Words only, no tones.")] = False,
    key_to_talk: Annotated[
        bool,
        typer.Option("--key-to-talk", help="Listen only after a key (or a foot pedal) is pressed."),
    ] = False,
    plain: Plain = False,
    keep: KeepCalls = None,
    keep_mb: KeepMb = 200,
) -> None:
    """Fit rings by voice: listens to the microphone until 'wrap up' or Ctrl-C."""
    microphone = Microphone(device)  # first of all: without one there is nothing to begin
    screen = open_screen(plain=plain, cautions=load_wording().cautions)
    try:
        with (
            libraries_silenced(),
            _session(
                job, screen, mute=mute, fresh=fresh, speed=speed, tones=not no_tones,
                keeping=_keeping(keep, keep_mb),
            ) as session,
            open_ear(session.grammar, ear=ear) as opened,
            open_keys() as keys,
            screen,
        ):  # fmt: skip
            if key_to_talk and isinstance(keys, NoKeys):
                raise LeafcallError(
                    "--key-to-talk needs a keyboard, and standard input is no terminal: run it in "
                    "a terminal window, or leave the option out."
                )
            bench = _take_turns(
                session, opened, microphone, keys=keys, display=screen,
                manners=Manners(headset=headset, key_to_talk=key_to_talk),
                reopen=lambda: _microphone_again(device),
            )  # fmt: skip
            try:
                bench.run()
            finally:
                bench.source.close()
    finally:
        microphone.close()


def _microphone_again(device: str | None) -> Microphone:
    look_again()
    return Microphone(device)


def _keeping(on: bool | None, most_mb: int) -> ClipKeepingSet | None:
    return None if on is None else ClipKeepingSet(on=on, most_mb=most_mb)


def type_(job: JobFile, mute: Mute = False, fresh: Fresh = False, speed: Speed = None) -> None:
    """Fit rings from the keyboard: the same calls, typed, one a line."""
    screen = _lines()
    with _session(job, screen, mute=mute, fresh=fresh, speed=speed, tones=False) as session:
        keyboard = TypedRecognizer(session.grammar.words_of)
        for line in _typed_lines():
            heard = keyboard.hear(line)
            if not heard.words:
                continue
            session.speaker.stop()  # who types on has read the reply
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
    keep: KeepCalls = None,
    keep_mb: KeepMb = 200,
    fresh: Fresh = False,
    ear: EarName = DEFAULT_EAR,
) -> None:
    """Fit rings from recordings: the same as 'fit', heard from sound files in order."""
    if as_json:
        _hear_json(files, grammar, ear=ear)
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
        _session(
            job, _lines(), mute=not speak, fresh=fresh, speed=None, tones=False,
            keeping=_keeping(keep, keep_mb),
        ) as session,
        open_ear(session.grammar, ear=ear) as opened,
    ):  # fmt: skip
        for sound in sounds:
            for warning in sound.sound.warnings:
                Terminal().warn(f"Note: {warning}")
            _take_turns(session, opened, sound, manners=Manners(recorded=True)).run()
            if session.dialogue.state.closed:
                return


def _hear_json(files: list[Path], folder: Path | None, *, ear: str) -> None:
    terminal = Terminal()
    failed = False
    with open_ear(load_grammar(folder), ear=ear) as opened:
        for path in files:
            try:
                source = WavFile(path, told=partial(_tell_progress, terminal, path))
            except LeafcallError as error:
                terminal.warn(f"leafcall: {error}")
                failed = True
                continue
            for warning in source.sound.warnings:
                terminal.warn(f"Note: {warning}")
            for record in hear_records(
                opened, source, file=str(path), warnings=source.sound.warnings
            ):
                terminal.raw(record)
    if failed:
        raise typer.Exit(1)


def _tell_progress(terminal: Terminal, path: Path, read_s: float) -> None:
    terminal.warn(f"{path.name}: {read_s / 60:.0f} min heard")


def _lines() -> Screen:
    return open_screen(plain=True, cautions=load_wording().cautions)


@contextmanager
def _session(
    job: Path,
    screen: Screen,
    *,
    mute: bool,
    fresh: bool,
    speed: int | None,
    tones: bool,
    keeping: ClipKeepingSet | None = None,
) -> Iterator[Session]:
    """A session that shows and speaks; on the way out it writes the sheet."""
    terminal = Terminal()
    speaker: Speaker = SilentSpeaker() if mute else LoudSpeaker(VoiceSpeaker(), tones=tones)
    voice = None
    if speed is not None:
        voice = USUAL_VOICE.model_copy(update={"words_per_minute": speed})
    try:
        with open_session(
            job, speaker=speaker, show=screen.show, new=fresh, learned=LearnedFile(usual_path()),
            voice=voice, keeping=keeping,
        ) as session:  # fmt: skip
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


def _leave_sheet(terminal: Terminal, folder: SessionFolder, session: Session) -> None:
    for sentence in write_sheet(folder, session.wording):
        terminal.warn(sentence)
    terminal.show("")
    terminal.show(f"Log    {folder.log}")
    terminal.show(f"Sheet  {folder.sheet}   {folder.table}")


def _take_turns(
    session: Session,
    ear: Ear,
    source: AudioSource,
    *,
    manners: Manners | None = None,
    keys: Keys | None = None,
    display: Screen | None = None,
    reopen: Callable[[], AudioSource] | None = None,
) -> LiveBench:
    return LiveBench(
        session.dialogue, source, listener_of=ear.listener, call_of=session.call,
        speaker=session.speaker, clock=SystemClock(), manners=manners, reopen=reopen,
        keys=keys, display=display,
    )  # fmt: skip


def demo(
    folder: Annotated[
        Path, typer.Option("--out", help="Folder for replies, log and sheet.")
    ] = Path("leafcall-demo"),
    ear: EarName = DEFAULT_EAR,
) -> None:
    """Hear a whole bench session from the sample sound that ships with Leafcall."""
    run_demo(folder, Terminal(), ear=ear)
