"""One long day at the bench: does memory, answer time, log or review grow as it should not?

    python -m tests.benchmarks.bench_day --calls 2000 --heard 10

A voice from the wheels calls, ring after ring of a 16-cylinder engine whose rings are spoiled and
replaced again and again, all in one session. Of --heard calls one goes through the ear; the others
reach the bench as words, as if it had heard them, because hearing takes most of the time.
Endpointer, front end, recogniser, turn-taking, dialogue, log and the sound of the replies are real.
Among it: shop noise without a break, talk before every fifth call that is heard, the microphone
lost and found again, sound that overflowed, the machine asleep, its clock set back, the voice begun
anew. Time is that of the sound; of the replies nobody hears more than a tenth of a second.

Answer: processor time of the frame in which a call ended: the end of decoding, the decision, the
log on disk, the sound of the reply. Memory: resident, of this process. A row a block of calls.
"""

import argparse
import gc
import itertools
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import psutil
from rich.console import Console
from rich.table import Table

from assistant.adapters.sound.speaker import VoiceSpeaker
from assistant.adapters.sound.wav_file import survey
from assistant.bench.dialogue import Call, Turn
from assistant.bench.ports import Tone
from assistant.bench.turn_taking import LiveBench
from assistant.bench.wording import Wording
from assistant.build.ears import open_ear
from assistant.build.sessions import Session, open_session
from assistant.display.turn_lines import turn_lines
from assistant.ear.utterance import (
    FRAME_S,
    FRAME_SAMPLES,
    SAMPLE_RATE_HZ,
    Heard,
    Hypothesis,
    Samples,
    Utterance,
)
from assistant.errors import AudioError
from tests.benchmarks.noises import make_noise
from tests.simulation.voices import CALL_LEVEL, Sound, caller, levelled

ROOT = Path(__file__).resolve().parents[2]
CYLINDERS = 16
BEFORE_S, AFTER_S = 0.4, 0.9  # of noise alone around a call
SNR_DB = 20.0
PAUSE_S = 0.5  # after a reply: what comes sooner may be an echo, and is not taken
PER_RING = (
    "cylinder {cylinder} {ring} ring", "{low} goes", "{high} no go", "ground {feed}", "deburred",
    "ring is square", "{grown} goes", "{over} no go", "how much more", "spoiled ring",
)  # fmt: skip
EVERY = {"talk": 5, "overflow": 90, "microphone": 250, "sleep": 400, "clock back": 500,
         "voice": 300}  # fmt: skip
JOB = (
    'name = "long day"\nunit = "inch"\ncylinders = {cylinders}\nbore = 4\n'
    'order = ["second", "top"]\n'
    "[rings.second]\nleast = 0.018\nmost = 0.020\n[rings.top]\nleast = 0.016\nmost = 0.018\n"
    '[grinder]\nkind = "dial"\n'
)


def calls(count: int) -> Iterator[str]:
    """What is called, ring by ring, round after round."""
    words = [
        "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
        "twelve", "thirteen", "fourteen", "fifteen", "sixteen",
    ]  # fmt: skip
    rng = np.random.default_rng(1)
    made = 0
    for again in itertools.count():
        for cylinder, ring in itertools.product(range(CYLINDERS), ("second", "top")):
            low, feed = int(rng.integers(8, 11)), int(rng.integers(1, 4))
            facts = {
                "cylinder": words[cylinder], "ring": ring, "feed": words[feed - 1],
                "low": words[low - 1], "high": words[low + 1],
                "grown": words[low + feed - 1], "over": words[low + feed + 1],
            }  # fmt: skip
            said = [pattern.format(**facts) for pattern in PER_RING]
            if again:  # it was spoiled: is another one put in its place?
                said.insert(1, "yes")
            for text in said:
                if made == count:
                    return
                made += 1
                yield text


@dataclass
class Day:
    """Microphone and clock of the day: time goes on as frames are read."""

    texts: Iterator[str]
    talk: list[Sound]
    heard: int
    name: str = "microphone"
    overflows: int = 0
    frames_read: int = 0
    called: int = 0
    ahead_s: float = 0.0
    over: bool = False
    lost: bool = False
    speaks_until_s: float = 0.0
    wanted: list[str] = field(default_factory=list)
    voices: int = 1
    as_words: str | None = None  # a call that does not go through the ear

    def __post_init__(self) -> None:
        self._caller = caller("en-us+f3")
        self._sounds: dict[str, Sound] = {}
        noise = make_noise("shop", 30 * SAMPLE_RATE_HZ, 1)
        self._noise = noise * CALL_LEVEL / 10 ** (SNR_DB / 20) / np.sqrt(np.mean(noise**2))
        self._ahead = np.zeros(0)
        self._waits_s = 0.0

    # --- microphone -----------------------------------------------------------------------------

    def frames(self) -> Iterator[Samples]:
        while not self.over:
            if not len(self._ahead) and self._s >= max(
                self._waits_s, self.speaks_until_s + PAUSE_S
            ):
                self._next()
            if self.lost:
                self.lost = False
                raise AudioError("The microphone is gone.")
            yield self._frame()

    def _next(self) -> None:
        text = next(self.texts, None)
        if text is None:
            self.over = True
            return
        self.called += 1
        self.wanted.append(text)
        if self.called % self.heard:
            self.as_words, self._waits_s = text, self._s + 0.05
        else:
            if text not in self._sounds:
                self._sounds[text] = self._caller.call(text)
            sound = self._sounds[text]
            if self.called // self.heard % EVERY["talk"] == 0:
                talk = self.talk[self.called // EVERY["talk"] % len(self.talk)] * 0.5
                sound = np.concatenate([talk, np.zeros(round(2.5 * SAMPLE_RATE_HZ)), sound])
            self._ahead = np.concatenate([np.zeros(round(BEFORE_S * SAMPLE_RATE_HZ)), sound])
            self._waits_s = self._s + len(self._ahead) / SAMPLE_RATE_HZ + AFTER_S
        self.overflows += self.called % EVERY["overflow"] == 0
        if self.called % EVERY["sleep"] == 0:
            self.ahead_s += 3 * 3600
        if self.called % EVERY["clock back"] == 0:
            self.ahead_s -= 3600
        self.lost = self.called % EVERY["microphone"] == 0

    def _frame(self) -> Samples:
        at = self.frames_read * FRAME_SAMPLES % len(self._noise)
        frame = np.resize(self._noise[at : at + FRAME_SAMPLES], FRAME_SAMPLES).copy()
        now, self._ahead = self._ahead[:FRAME_SAMPLES], self._ahead[FRAME_SAMPLES:]
        frame[: len(now)] += now
        self.frames_read += 1
        return np.clip(frame, -1.0, 1.0).astype(np.float32)

    def drop_waiting(self) -> float:
        return 0.0

    def close(self) -> None:
        """It is opened again."""

    # --- clock ----------------------------------------------------------------------------------

    @property
    def _s(self) -> float:
        return self.frames_read * FRAME_S

    def now(self) -> datetime:
        return datetime(2026, 3, 1, 6, tzinfo=UTC) + timedelta(seconds=self._s + self.ahead_s)

    def elapsed_s(self) -> float:
        return self._s

    def wait(self, seconds: float) -> None:
        self.frames_read += round(seconds / FRAME_S)

    def find_again(self) -> "Day":
        """The microphone is back after a try that fails."""
        return self


class Voice:
    """Makes the sound of every reply, and is begun anew now and then."""

    def __init__(self, day: Day) -> None:
        self._day = day
        self._voice = VoiceSpeaker()

    def say(self, text: str, *, tone: Tone | None = None) -> None:
        if self._day.called // EVERY["voice"] >= self._day.voices:
            self._day.voices += 1
            self._voice.close()
            self._voice = VoiceSpeaker()
        samples, rate_hz = self._voice.sound(text)
        begins_s = max(self._day.elapsed_s(), self._day.speaks_until_s)
        # A hurried builder: nobody waits for the end of it, and its sound is not heard here.
        self._day.speaks_until_s = begins_s + min(len(samples) / rate_hz, 0.1)

    @property
    def speaking(self) -> bool:
        return self._day.elapsed_s() < self._day.speaks_until_s

    def stop(self) -> None:
        self._day.speaks_until_s = 0.0

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        self._voice.set_voice(volume_percent=volume_percent, words_per_minute=words_per_minute)

    def close(self) -> None:
        self._voice.close()


@dataclass
class Block:
    """What was measured over some calls. answers_s, by_ear_s: processor time of an answer to words,
    and to sound. memory_mb: at its end."""

    calls: int
    taken: int = 0
    missed: list[str] = field(default_factory=list)
    answers_s: list[float] = field(default_factory=list)
    by_ear_s: list[float] = field(default_factory=list)
    memory_mb: float = 0.0
    log_bytes: int = 0
    events: int = 0


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--calls", type=int, default=2000)
    parser.add_argument("--block", type=int, default=200)
    parser.add_argument("--heard", type=int, default=10, help="of so many calls one by ear")
    options = parser.parse_args()
    clips = sorted((ROOT / "sample_audio/talk").glob("*.wav"))
    talk = [levelled(survey(clip).samples().astype(np.float64)) for clip in clips]
    day = Day(calls(options.calls), talk, options.heard)
    began_s = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder, "day.toml")
        job.write_text(JOB.format(cylinders=CYLINDERS), encoding="utf-8")
        blocks, log = _live(job, day, options.block)
        _show(blocks)
        print(f"{day.called} calls in {day.elapsed_s() / 3600:.1f} h of sound, "
              f"{time.process_time() - began_s:.0f} s of processor")  # fmt: skip
        _told(blocks)
        _opens(log)


def _live(job: Path, day: Day, block: int) -> tuple[list[Block], Path]:
    blocks = [Block(0)]
    process = psutil.Process()

    def show(turn: Turn, wording: Wording) -> None:
        list(turn_lines(turn, wording))
        now = blocks[-1]
        now.taken += turn.command is not None
        if turn.command is None and turn.call.heard.words:
            now.missed.append(f"{' '.join(turn.call.heard.words)}: {turn.refused}")
        now.events = turn.state.seq + 1

    def end_block(session: Session) -> None:
        gc.collect()
        now = blocks[-1]
        now.calls, now.memory_mb = day.called, process.memory_info().rss / 2**20
        now.log_bytes = session.folder.log.stat().st_size
        brief = [now.calls, now.taken, round(now.memory_mb, 1), now.log_bytes, now.missed[:5]]
        print(json.dumps(brief), file=sys.stderr)
        blocks.append(Block(day.called))

    voice = Voice(day)
    with open_session(job, speaker=voice, show=show) as session, open_ear(session.grammar) as ear:

        def call_of(utterance: Utterance, heard: Heard, source: str) -> Call:
            return session.call(utterance, heard, source)

        bench = LiveBench(
            session.dialogue, day, listener_of=ear.listener, call_of=call_of, speaker=voice,
            clock=day, reopen=day.find_again,
        )  # fmt: skip
        take, answer = bench._take, bench._answer
        ended = False

        def timed_answer(utterance: Utterance, heard: Heard) -> bool:
            nonlocal ended
            ended = True
            return answer(utterance, heard)

        def timed_take(frame: Samples) -> bool:
            nonlocal ended
            at_s = time.process_time()
            over = take(frame)
            if ended:
                blocks[-1].by_ear_s.append(time.process_time() - at_s)
                ended = False
            if day.as_words is not None and not over:
                words, day.as_words = tuple(day.as_words.split()), None
                at_s = time.process_time()
                now_s = bench._listener.stream_s
                said = Utterance(now_s, now_s, now_s, 1.0, frame)
                over = answer(said, Heard((Hypothesis(words, 1.0),), 1.0))
                blocks[-1].answers_s.append(time.process_time() - at_s)
            if day.called - blocks[-1].calls >= block:
                end_block(session)
            return over

        bench._answer, bench._take = timed_answer, timed_take  # type: ignore[method-assign]
        bench.run()
        if day.called > blocks[-2].calls:
            end_block(session)
        log = session.folder.log
    return blocks[:-1], log


def _show(blocks: list[Block]) -> None:
    shown = Table("calls", "taken", "events", "memory, MB", "log, kB", "words, ms: half / 95 %",
                  "by ear, ms: half / 95 %", title="one long day")  # fmt: skip
    for one in blocks:
        words, ear = (
            "{:.0f} / {:.0f}".format(*np.percentile(found or [np.nan], [50, 95]) * 1000)
            for found in (one.answers_s, one.by_ear_s)
        )
        shown.add_row(
            str(one.calls), str(one.taken), str(one.events), f"{one.memory_mb:.1f}",
            f"{one.log_bytes / 1000:.0f}", words, ear,
        )  # fmt: skip
    Console(width=120).print(shown)


def _told(blocks: list[Block]) -> None:
    """Growth over the day, the first block left out: there everything is used a first time."""
    rest = blocks[1:]
    if len(rest) < 2:
        return
    memory = [one.memory_mb for one in rest]
    print(f"memory: {min(memory):.1f} to {max(memory):.1f} MB after the first block")
    events = np.array([one.events for one in blocks])
    sizes = np.array([one.log_bytes for one in blocks])
    slope, start = np.polyfit(events, sizes, 1)
    off = np.max(np.abs(sizes - (slope * events + start))) / sizes[-1]
    print(f"log: {slope:.0f} bytes an event, {sizes[-1] / 1000:.0f} kB; off a line by {off:.1%}")


def _opens(log: Path) -> None:
    """How long the commands on this log take, as a user waits for them."""
    for arguments in (("review", "--no-open"), ("sheet",), ("review", "--text"), ("history",)):
        command, *more = arguments
        before, began = psutil.Process().cpu_times(), time.monotonic()
        subprocess.run(
            [sys.executable, "-m", "assistant", command, str(log), *more],
            check=True, capture_output=True, cwd=ROOT,
        )  # fmt: skip
        after = psutil.Process().cpu_times()
        cpu_s = sum(after[2:4]) - sum(before[2:4])
        print(f"{' '.join(arguments)}: {cpu_s:.2f} s of processor, "
              f"{time.monotonic() - began:.2f} s by the clock")  # fmt: skip


if __name__ == "__main__":
    main()
