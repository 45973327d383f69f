"""The command line: reads options, builds the parts, prints, sets the exit code."""

import io
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Annotated

import typer

from assistant import __version__
from assistant.adapters.job_file import write_job
from assistant.adapters.learned_file import LearnedFile, usual_path
from assistant.adapters.microphone import Microphone
from assistant.adapters.session_log import read_log
from assistant.adapters.speaker import SilentSpeaker, VoiceSpeaker
from assistant.adapters.terminal import Terminal
from assistant.adapters.typed_recognizer import TypedRecognizer
from assistant.adapters.vosk_recognizer import STANDARD_MODEL, fetch_model
from assistant.adapters.wav_file import WavFile
from assistant.assembly import (
    DEFAULT_EAR,
    EARS,
    OWN_MODEL,
    STOCK_EAR,
    Ear,
    Session,
    SessionFolder,
    folder_of,
    hear_records,
    load_grammar,
    load_wording,
    open_ear,
    open_session,
    write_sheet,
)  # fmt: skip
from assistant.demo import run_demo
from assistant.dialogue import Call, Turn
from assistant.errors import LeafcallError, SpeakerError
from assistant.grammar import Grammar
from assistant.new_job import Question, interview, take_default
from assistant.ports import AudioSource, Speaker
from assistant.reply import Wording
from assistant.review import review_lines
from assistant.showing import learned_lines, turn_lines

app = typer.Typer(
    name="leafcall",
    help="Fit piston rings by voice: call out what the leaves say, hear how much more to grind.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

JobFile = Annotated[Path, typer.Argument(metavar="JOB", help="Job file (TOML), made by 'new'.")]
Mute = Annotated[bool, typer.Option("--mute", help="Show replies, do not speak them.")]
Fresh = Annotated[
    bool, typer.Option("--new", help="Begin a new session even if one is unfinished.")
]
EarName = Annotated[
    str, typer.Option("--ear", help=f"{', '.join(EARS)}, or the folder of a Vosk model.")
]
Denoise = Annotated[
    bool | None,
    typer.Option("--denoise/--no-denoise", help="The denoiser in front of the recogniser."),
]
Speed = Annotated[int, typer.Option("--speed", min=80, max=400, help="Words a minute.")]

_STOPPED = 130  # by Ctrl-C; typer ends with this code as well


def main() -> None:
    """Run; an error that Leafcall raises on purpose is one sentence and exit code 1."""
    terminal = Terminal()
    try:
        app()
    except LeafcallError as error:
        terminal.warn(f"leafcall: {error}")
        sys.exit(1)
    except (KeyboardInterrupt, SystemExit) as stop:
        if isinstance(stop, SystemExit) and stop.code != _STOPPED:
            raise
        terminal.warn("leafcall: stopped. What was confirmed is in the log.")
        sys.exit(_STOPPED)
    except BrokenPipeError:
        sys.exit(1)


def _version(wanted: bool) -> None:
    if wanted:
        Terminal().show(f"leafcall {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Options before the command."""


# --- a job ------------------------------------------------------------------------------------


@app.command()
def new(
    job: JobFile,
    name: Annotated[str | None, typer.Option(help="Name of the job.")] = None,
    person: Annotated[str | None, typer.Option(help="Your name, for the build sheet.")] = None,
    unit: Annotated[str | None, typer.Option(help="inch or metric.")] = None,
    cylinders: Annotated[str | None, typer.Option(help="How many cylinders.")] = None,
    bore: Annotated[str | None, typer.Option(help="Nominal bore, in the unit.")] = None,
    answer: Annotated[
        list[str] | None,
        typer.Option(
            "--answer",
            metavar="KEY=VALUE",
            help="Answer any question beforehand, e.g. --answer 'top=least 0.016 most 0.020'.",
        ),
    ] = None,
    usual: Annotated[
        bool, typer.Option("--usual", help="Ask nothing: take the usual value of all the rest.")
    ] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace the file.")] = False,
) -> None:
    """Make a job file by question and answer, or by options."""
    terminal = Terminal()
    if job.exists() and not overwrite:
        raise LeafcallError(f"{job} is there already: choose another name, or use --overwrite.")
    given = {
        "name": name, "person": person, "unit": unit, "cylinders": cylinders, "bore": bore,
    }  # fmt: skip
    options = {key: value for key, value in given.items() if value is not None}
    for pair in answer or []:
        key, sign, value = pair.partition("=")
        if not sign:
            raise typer.BadParameter(f"--answer {pair!r}: write KEY=VALUE, like 'leaves=usual'.")
        options[key.strip()] = value.strip()
    made = interview(take_default if usual else _ask(terminal), options=options)
    write_job(made, job, replace=overwrite)
    terminal.show(f"{job} is written. Look it over against the makers' sheets; it is plain text.")
    for doubt in made.doubts():
        terminal.warn(f"Note: {doubt}")
    terminal.show(f"Next: leafcall fit {job}   (or: leafcall type {job})")


def _ask(terminal: Terminal) -> Callable[[Question, str], str]:
    def ask(question: Question, reason: str) -> str:
        if reason:
            terminal.warn(reason)
        shown = f" [{question.default}]" if question.default else ""
        terminal.prompt(f"{question.text}{shown}: ")
        line = sys.stdin.readline()
        if not line:
            raise LeafcallError(
                "The answers ended before all questions were asked: answer the rest with "
                "--answer, or take the usual values with --usual."
            )
        return line.strip()

    return ask


# --- a session --------------------------------------------------------------------------------


@app.command()
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


@app.command(name="type")
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


@app.command()
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


# --- afterwards -------------------------------------------------------------------------------


@app.command()
def review(
    log: Annotated[Path, typer.Argument(metavar="JOB|LOG", help="Job file, or a session log.")],
) -> None:
    """Read the spoken log of a session: what was heard, understood, answered, taken back."""
    terminal = Terminal()
    for line in review_lines(read_log(folder_of(log).log), load_wording(load_grammar())):
        terminal.show(line)


@app.command()
def learned(
    forget: Annotated[bool, typer.Option("--forget", help="Erase all learned values.")] = False,
) -> None:
    """Show what was learned of grinders and people, or erase it."""
    terminal = Terminal()
    file = LearnedFile(usual_path())
    if forget:
        file.forget()
        terminal.show("Erased. The next job starts from the usual values.")
        return
    entries = file.read()
    if not entries:
        terminal.show("Nothing is learned yet: it takes a session with accepted rings.")
    for key, known in entries.items():
        terminal.show(f"{key}, from {known.rings} rings")
        for line in learned_lines(key, known):
            terminal.show(f"  {line}")
    terminal.show(f"File: {file.path}")


@app.command()
def sheet(
    log: Annotated[Path, typer.Argument(metavar="JOB|LOG", help="Job file, or a session log.")],
) -> None:
    """Write the build sheet of a session again, as a page and as a table."""
    terminal = Terminal()
    folder = folder_of(log)
    write_sheet(folder, load_wording(load_grammar()))
    terminal.show(f"{folder.sheet}\n{folder.table}")


# --- help -------------------------------------------------------------------------------------


@app.command()
def phrases(
    grammar: Annotated[
        Path | None, typer.Option("--grammar", help="Another grammar folder.")
    ] = None,
) -> None:
    """Print the phrase card: everything that can be said, from the grammar itself."""
    terminal = Terminal()
    for line in load_grammar(grammar).card():
        terminal.show(line)


@app.command()
def models(
    fetch: Annotated[
        bool, typer.Option("--fetch", help=f"Fetch {STANDARD_MODEL} through the vosk package now.")
    ] = False,
    into: Annotated[Path, typer.Option(help="Folder that takes the fetched model.")] = Path(),
) -> None:
    """Explain the ears there are; fetch the standard Vosk model only when asked."""
    terminal = Terminal()
    if not fetch:
        terminal.show(
            f"--ear {DEFAULT_EAR}: our own small Vosk model ({OWN_MODEL}), built in; its words "
            "are compiled from the grammar, no network is needed.\n"
            f"--ear {STOCK_EAR}: a stock recogniser with its English model, built in.\n"
            "--ear FOLDER: the folder of a Vosk model (conf, am and graph inside).\n"
            f"Standard small English Vosk model ({STANDARD_MODEL}, about 40 MB, from the vendor, "
            "needs a network):\n"
            "  leafcall models --fetch"
        )
        return
    with terminal.progress(f"Fetching {STANDARD_MODEL}", total=1) as steps:
        folder = fetch_model(into, progress=steps.reach)
    terminal.show(f"{folder} is there. Use it with: --ear {folder}")


@app.command()
def demo(
    folder: Annotated[
        Path, typer.Option("--out", help="Folder for replies, log and sheet.")
    ] = Path("leafcall-demo"),
    ear: EarName = DEFAULT_EAR,
    denoise: Denoise = None,
) -> None:
    """Hear a whole bench session from the sample sound that ships with Leafcall."""
    run_demo(folder, Terminal(), ear=ear, denoise=denoise)
