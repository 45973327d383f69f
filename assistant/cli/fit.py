"""Commands that fit rings by voice: from the microphone, from recordings, and the demo."""

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from assistant.adapters.page.floor import PageFloor
from assistant.adapters.sound.microphone import Microphone, look_again
from assistant.adapters.sound.wav_file import WavFile
from assistant.adapters.terminal.keys import NoKeys, open_keys
from assistant.adapters.terminal.terminal import Terminal, libraries_silenced
from assistant.bench.events import ClipKeepingSet
from assistant.bench.ports import Keys, Mode
from assistant.bench.turn_taking import LiveBench, Manners
from assistant.build.ears import DEFAULT_EAR, Ear, hear_records, open_ear
from assistant.build.screens import Screen
from assistant.build.sessions import (
    Session,
    SystemClock,
)
from assistant.build.words import load_grammar
from assistant.cli.demo import run_demo
from assistant.cli.ear_options import EarName
from assistant.cli.options import (
    USUAL_PAGE_PORT,
    Fresh,
    JobFile,
    KeepCalls,
    KeepMb,
    Mute,
    Page,
    PagePort,
    Plain,
    Speed,
    TalkFromPage,
)
from assistant.cli.running import line_screen, running_session, shown_screen
from assistant.ear.ports import AudioSource
from assistant.errors import LeafcallError, MicrophoneError, SpeakerError, TerminalError

_LOOK_S = 0.05


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
    page: Page = False,
    page_port: PagePort = USUAL_PAGE_PORT,
    talk_from_page: TalkFromPage = False,
    keep: KeepCalls = None,
    keep_mb: KeepMb = 200,
) -> None:
    """Fit rings by voice: listens to the microphone until 'wrap up' or Ctrl-C."""
    page = page or talk_from_page
    # First of all: without a microphone there is nothing to begin.
    microphone = PageFloor() if talk_from_page else Microphone(device)
    floor = microphone if isinstance(microphone, PageFloor) else None
    lines = plain or page  # the page is the read-out, and the way to it stays to be seen
    try:
        with (
            libraries_silenced(),
            shown_screen(
                page, page_port, plain=lines, floor=floor,
                mode=Mode.LISTENING if floor is None else Mode.LOST,
            ) as screen,
            running_session(
                job, screen, mute=mute, fresh=fresh, speed=speed, tones=not no_tones,
                keeping=_keeping(keep, keep_mb), play=None if floor is None else floor.play,
            ) as session,
            open_ear(session.grammar, ear=ear) as opened,
            open_keys() as typed,
            screen,
        ):  # fmt: skip
            if key_to_talk and floor is None and isinstance(typed, NoKeys):
                raise TerminalError(
                    "--key-to-talk needs a keyboard, and standard input is no terminal: run it in "
                    "a terminal window, or leave the option out."
                )
            talk = partial(
                _take_turns, session, opened, display=screen,
                manners=Manners(headset=headset, key_to_talk=key_to_talk),
            )  # fmt: skip
            if isinstance(microphone, PageFloor):
                bench = talk(
                    _talker(microphone, session, screen), keys=EitherKeys(microphone, typed),
                    reopen=microphone.microphone,
                )  # fmt: skip
            else:
                bench = talk(microphone, keys=typed, reopen=partial(_microphone_again, device))
            try:
                bench.run()
            finally:
                bench.source.close()
    finally:
        if not isinstance(microphone, PageFloor):
            microphone.close()


class EitherKeys:
    """Keys of the page and of the terminal."""

    def __init__(self, *keys: Keys) -> None:
        self._keys = keys

    def pressed(self) -> str | None:
        """A key of either since the last look."""
        return next((key for one in self._keys if (key := one.pressed()) is not None), None)


def _talker(floor: PageFloor, session: Session, screen: Screen) -> AudioSource:
    """The microphone of the first page that talks; one that comes late is told where it stands."""
    clock, late = SystemClock(), False
    while True:
        try:
            source = floor.microphone()
        except MicrophoneError as error:
            late = True
            screen.level(None, None, Mode.LOST)
            Terminal().show(str(error))
            while floor.who is None:
                clock.wait(_LOOK_S)
            continue
        if late:
            with suppress(SpeakerError):  # the bench tells of it with the next reply
                session.speaker.say(session.first.reply.spoken)
        return source


def _microphone_again(device: str | None) -> Microphone:
    look_again()
    return Microphone(device)


def _keeping(on: bool | None, most_mb: int) -> ClipKeepingSet | None:
    return None if on is None else ClipKeepingSet(on=on, most_mb=most_mb)


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
        running_session(
            job, line_screen(), mute=not speak, fresh=fresh, speed=None, tones=False,
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
