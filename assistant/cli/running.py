"""A session under way at the command line: opened, told about, and left with its sheet."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from assistant.adapters.files.learned_file import LearnedFile, usual_path
from assistant.adapters.terminal.terminal import Terminal
from assistant.bench.events import ClipKeepingSet
from assistant.bench.ports import Mode, Speaker
from assistant.bench.session import USUAL_VOICE
from assistant.build.screens import Screen, open_screen
from assistant.build.sessions import Session, SessionFolder, open_session, write_sheet
from assistant.build.words import load_wording
from assistant.errors import LeafcallError

if TYPE_CHECKING:
    from assistant.adapters.page.floor import PageFloor
    from assistant.adapters.sound.loudspeaker import Play


def line_screen() -> Screen:
    """Turns as plain lines, after the cautions."""
    return open_screen(plain=True, cautions=load_wording().cautions)


@contextmanager
def shown_screen(
    page: bool, port: int, *, plain: bool, mode: Mode = Mode.LISTENING,
    floor: "PageFloor | None" = None,
) -> Iterator[Screen]:  # fmt: skip
    """The screen of this terminal, and the live page beside it if it is wanted.

    floor: of the page, where one of them is microphone and voice.
    """
    cautions = load_wording().cautions
    if not page:
        yield open_screen(plain=plain, mode=mode, cautions=cautions)
        return
    from assistant.build.live_page import open_page  # a server: only for who wants one

    with open_page(port=port, mode=mode, cautions=cautions, floor=floor) as live:
        yield live.beside(open_screen(plain=plain, mode=mode, cautions=cautions))


@contextmanager
def running_session(
    job: Path,
    screen: Screen,
    *,
    mute: bool,
    fresh: bool,
    speed: int | None,
    tones: bool,
    keeping: ClipKeepingSet | None = None,
    play: "Play | None" = None,
) -> Iterator[Session]:
    """A session that shows and speaks; on the way out it writes the sheet.

    speed: words a minute, None = as before. play: makes replies heard, None = this machine.
    Raises what ``open_session`` and ``write_sheet`` raise.
    """
    terminal = Terminal()
    speaker = _speaker(mute=mute, tones=tones, play=play)
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


def _speaker(*, mute: bool, tones: bool, play: "Play | None") -> Speaker:
    # Here: the libraries of sound take a while to load, and who is mute needs none of them.
    from assistant.adapters.sound.speaker import SilentSpeaker, VoiceSpeaker

    if mute:
        return SilentSpeaker()
    from assistant.adapters.sound.loudspeaker import LoudSpeaker

    return LoudSpeaker(VoiceSpeaker(), tones=tones, play=play)


def _leave_sheet(terminal: Terminal, folder: SessionFolder, session: Session) -> None:
    for sentence in write_sheet(folder, session.wording):
        terminal.warn(sentence)
    terminal.show("")
    terminal.show(f"Log    {folder.log}")
    terminal.show(f"Sheet  {folder.sheet}   {folder.table}")
