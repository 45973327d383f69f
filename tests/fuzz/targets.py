"""What is fuzzed: everything that reads what somebody else wrote.

A target takes bytes. It may refuse them with a LeafcallError of the kind that its part promises;
anything else that comes out is a bug, and so is a broken promise below. ``SEEDS`` holds real input
of each.
"""

import io
import json
import tempfile
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from functools import cache, partial
from pathlib import Path

import numpy as np
import soundfile

from assistant.adapters.files.data_files import grammar_texts
from assistant.adapters.files.job_file import job_text, parse_job
from assistant.adapters.recognisers.typed_recognizer import TypedRecognizer
from assistant.adapters.sound.wav_file import WavFile
from assistant.bench import events as ev
from assistant.bench.advice import advise
from assistant.bench.dialogue import Call
from assistant.bench.job import Job
from assistant.bench.log_chain import Scan, scan, told_damage
from assistant.bench.plan import window_of
from assistant.bench.session import replay
from assistant.bench.typed_hints import hint
from assistant.bench.wording import Wording
from assistant.cli.keyboard import help_lines
from assistant.display.turn_lines import turn_lines
from assistant.errors import AudioError, GrammarError, JobError, LogError, SheetError
from assistant.history.past_session import past_session
from assistant.language.grammar import Grammar
from assistant.language.grammar_files import REPLIES_FILE
from assistant.language.written import words_typed
from assistant.record.review_text import review_lines
from assistant.record.seal import Form, read_seal
from assistant.record.sheet_forms import sheet_record, sheet_table
from assistant.record.sheet_from_log import sheet_of
from assistant.units import Unit
from tests.fakes import Bench, metric_job, small_job

ROOT = Path(__file__).resolve().parents[2]
TEXTS = grammar_texts(ROOT / "grammar")
FILES = tuple(sorted(TEXTS))

START = datetime(2026, 11, 2, 8, 0, tzinfo=UTC)
CALLS = (
    "top ring", "10 goes 11 no go", "ground 3", "13 goes 14 snug", "take that back", "deburred",
    "ring is square", "15.5 goes", "16 snug", "ends are not square", "ends are square", "accept it",
    "yes", "cylinder two second ring", "butts", "ground ten", "no", "skip this ring", "note",
    "a small nick", "stand by", "listen up", "spoiled ring", "what now", "wrap up",
)  # fmt: skip


@cache
def _grammar(unit: Unit) -> Grammar:
    return Grammar(TEXTS, unit=unit)


@cache
def _wording() -> Wording:
    return Wording(TEXTS[REPLIES_FILE], _grammar(Unit.INCH).numbers)


def _jobs() -> tuple[Job, ...]:
    return (small_job(), metric_job())


# --- log lines ----------------------------------------------------------------------------------


def log(data: bytes) -> None:
    """A log: it is scanned, told, folded, and made into review, sheet and history.

    Promises: the scan never refuses; each event is trusted once, in order; damage is told; a log
    cut back to its trusted part goes on as before.
    """
    found = scan(data)
    numbers = [one.seq for one in found.events]
    assert numbers == sorted(set(numbers))
    assert 0 <= found.whole_bytes <= len(data)
    assert bool(told_damage(found.events, found.damages)) == bool(found.damages)
    _tell(found)
    with suppress(LogError):
        past_session(data)


def sealed_log(data: bytes) -> None:
    """The same of events as somebody might forge them: each readable line is sealed anew.

    So events that no bench would write reach the fold, which must not refuse them.
    """
    events, check = [], ""
    text = ""
    for raw in data.split(b"\n"):
        try:
            event = json.loads(raw)["event"]
            read = ev.Envelope.model_validate_json(
                json.dumps({
                    "v": ev.CURRENT_V, "seq": len(events), "turn": len(events),
                    "at": (START + timedelta(seconds=len(events))).isoformat(), "event": event,
                })
            )  # fmt: skip
        except (ValueError, TypeError, LookupError, RecursionError):
            continue
        line, check = ev.to_lines([read], before=check)
        events.append(read)
        text += line
    found = scan(text.encode())
    assert not found.damages
    assert list(found.events) == events
    _tell(found)
    try:
        past_session(text.encode())
    except LogError:
        assert not isinstance(events[0].event, ev.SessionOpened)


def _tell(found: Scan) -> None:
    if not any(isinstance(one.event, ev.SessionOpened) for one in found.events):
        return
    state = replay(found.events)
    told = told_damage(found.events, found.damages)
    sheet = sheet_of(found.events, log_name="log.jsonl", wording=_wording(), damage=told)
    record = sheet_record(sheet)
    assert read_seal(record, Form.RECORD).intact
    assert read_seal(sheet_table(sheet), Form.TABLE).intact
    assert list(review_lines(found.events, _wording()))
    if state.job is not None and not state.closed:
        advise(state)


# --- job files ----------------------------------------------------------------------------------


def job(data: bytes) -> None:
    """A job file. Promises: what is taken is written and read back the same, and can be begun."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return
    try:
        read = parse_job(text)
    except JobError:
        return
    try:
        written = job_text(read)
    except JobError:
        written = ""  # a length that has no finite decimal in its unit
    if written:
        assert parse_job(written) == read
    for place in read.places():
        window_of(read, place)
    assert all(read.doubts())
    first = next(read.places())
    events = (
        ev.SessionOpened(job=read, software="fuzz"),
        ev.RingPicked(cylinder=first[0], position=first[1]),
    )
    stored = [ev.envelope(one, seq=n, at=START, turn=n) for n, one in enumerate(events)]
    lines, _ = ev.to_lines(stored)
    assert list(scan(lines.encode()).events) == stored
    advise(replay(stored))


# --- grammar folders ----------------------------------------------------------------------------


def grammar(data: bytes) -> None:
    """A grammar folder: the first byte says which file the rest stands for.

    Promises: what is taken can be shown, sampled, parsed and typed in.
    """
    if not data:
        return
    name = FILES[data[0] % len(FILES)]
    try:
        text = data[1:].decode()
    except UnicodeDecodeError:
        return
    texts = {**TEXTS, name: text}
    try:
        made = Grammar(texts)
        Wording(texts[REPLIES_FILE], made.numbers)
        card = list(made.card())
        examples = [words for command in made.commands for words in command.examples]
    except GrammarError:
        return
    assert card
    for words in examples[:20]:
        made.parse(tuple(words.split()))
    made.next_words(())
    list(help_lines(made))


# --- sound files --------------------------------------------------------------------------------


def wav(data: bytes) -> None:
    """A sound file. Promises: frames of one length, finite, in -1..1, as many as were told."""
    with tempfile.NamedTemporaryFile(suffix=".wav") as file:
        file.write(data)
        file.flush()
        try:
            sound = WavFile(Path(file.name))
            frames = 0
            for frame in sound.frames():
                assert frame.shape == (160,)
                assert np.isfinite(frame).all()
                assert np.abs(frame).max() <= 1.0
                frames += 1
        except AudioError:
            return
        assert abs(frames / 100 - sound.sound.length_s) < 0.1


# --- typed calls --------------------------------------------------------------------------------


def typed(data: bytes) -> None:
    """Lines at the keyboard; the first byte chooses the job.

    Promises: every line is answered; the log alone gives the same state again.
    """
    if not data:
        return
    the_job = _jobs()[data[0] % 2]
    made = _grammar(the_job.unit)
    bench = Bench(the_job, made, _wording())
    keyboard = TypedRecognizer(partial(words_typed, grammar=made))
    for line in data[1:].decode(errors="replace").splitlines()[:40]:
        heard = keyboard.hear(line)
        if not heard.words:
            continue
        turn = bench.dialogue.take(Call(heard, source="keyboard", typed=True, text=line))
        assert turn.reply.shown or turn.refused is not None or not turn.state.listening
        assert list(turn_lines(turn, _wording())) is not None
        hint(heard.words, the_job, made)
    assert replay(bench.store.events) == bench.state
    lines, _ = ev.to_lines(bench.store.events)
    found = scan(lines.encode())
    assert (found.damages, list(found.events)) == ((), list(bench.store.events))


# --- sheets -------------------------------------------------------------------------------------


def sheet(data: bytes) -> None:
    """A build sheet that is held against a log; the first byte chooses its form."""
    if not data:
        return
    form = tuple(Form)[data[0] % 3]
    try:
        read_seal(data[1:].decode(errors="replace"), form)
    except SheetError:
        return


# --- real input ---------------------------------------------------------------------------------


def _log_seeds() -> Sequence[bytes]:
    lines, _ = ev.to_lines(_bench().store.events)
    fixtures = sorted((ROOT / "tests" / "fixtures").glob("*.jsonl"))
    return [lines.encode(), *(path.read_bytes() for path in fixtures)]


def _bench() -> Bench:
    bench = Bench(small_job(), _grammar(Unit.INCH), _wording())
    keyboard = TypedRecognizer(partial(words_typed, grammar=bench.grammar))
    for line in CALLS:
        bench.dialogue.take(Call(keyboard.hear(line), source="keyboard", typed=True, text=line))
    return bench


def _job_seeds() -> Sequence[bytes]:
    return [job_text(one).encode() for one in _jobs()]


def _grammar_seeds() -> Sequence[bytes]:
    return [bytes([n]) + TEXTS[name].encode() for n, name in enumerate(FILES)]


def _wav_seeds() -> Sequence[bytes]:
    sound = 0.3 * np.sin(np.arange(1600) * 0.2)
    made = []
    for rate_hz, channels, subtype in (
        (16000, 1, "PCM_16"), (48000, 2, "FLOAT"), (8000, 1, "ULAW"), (44100, 2, "PCM_24"),
    ):  # fmt: skip
        file = io.BytesIO()
        soundfile.write(
            file, np.tile(sound[:, None], (1, channels)), rate_hz, subtype=subtype, format="WAV"
        )
        made.append(file.getvalue())
    return made


def _typed_seeds() -> Sequence[bytes]:
    lines = "\n".join(CALLS).encode()
    figures = b"0.0155 goes\n15 1/2 snug\n.010 no go\n10 plus 6 goes\n40.5 snug\nground 2.25\n15 mm"
    return [b"\0" + lines, b"\1" + lines, b"\0" + figures, b"\1" + figures]


def _sheet_seeds() -> Sequence[bytes]:
    made = sheet_of(_bench().store.events, log_name="log.jsonl", wording=_wording())
    page = 'data-log-name="a" data-log-events="3" data-log-check="0011" data-sheet-check="{}"'
    return [
        bytes([0]) + page.format("0" * 16).encode(),
        bytes([1]) + sheet_table(made).encode(),
        bytes([2]) + sheet_record(made).encode(),
    ]


TARGETS: dict[str, tuple[Callable[[bytes], None], Callable[[], Sequence[bytes]]]] = {
    "log": (log, _log_seeds),
    "sealed-log": (sealed_log, _log_seeds),
    "job": (job, _job_seeds),
    "grammar": (grammar, _grammar_seeds),
    "wav": (wav, _wav_seeds),
    "typed": (typed, _typed_seeds),
    "sheet": (sheet, _sheet_seeds),
}
"""Name of each target, the target, and what makes its seeds."""
