"""What the live page costs: time from the end of speech to the reply, processor, memory.

``python -m tests.benchmarks.bench_page`` says clips of the demo twice, in real time: straight into
the bench, and into the microphone of a Chromium whose page talks to the same bench (``latency``:
needs a machine that has nothing else to do). Then the way alone, with neither ear nor voice
(``path``): clicks into the browser's microphone until the bench has them, short replies until they
sound in the page. Then a page that talks (without a browser) and 20 that watch are held against one
that talks alone (``watchers``).

When a sample reached the browser is known from clicks in the quiet before the first call, found
again in what the browser's own microphone track gives; all times are of one machine's clock.
"""

import argparse
import json
import os
import shutil
import struct
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import ClientConnection, connect

from assistant.adapters.page.door import Door
from assistant.adapters.page.floor import PageFloor
from assistant.adapters.page.server import PageServer
from assistant.adapters.sound.loudspeaker import LoudSpeaker, Play, Sound
from assistant.adapters.sound.speaker import VoiceSpeaker
from assistant.bench.turn_taking import LiveBench
from assistant.build import live_page
from assistant.build.ears import open_ear
from assistant.build.sessions import SystemClock, open_session
from assistant.ear.ports import AudioSource
from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from tests.page.browser import Tab, chromium
from tests.page.talking import SAMPLES, Talked, browser_options, one_after_the_other
from tests.page.test_server import free_port

CALLS = (2, 3, 4, 5, 7, 8, 13, 12, 11, 14, 15, 1)
CLICKS_S = (1.0, 1.5, 2.0, 2.5, 3.0)
BEFORE_S, BETWEEN_S, AFTER_S = 5.0, 4.5, 3.0
NOTES_TIMES = """
    window.zeros = []; window.starts = [];
    const clock = () => (performance.timeOrigin + performance.now()) / 1000;
    const start = AudioBufferSourceNode.prototype.start;
    AudioBufferSourceNode.prototype.start = function (...more) {
        window.starts.push(clock());
        return start.apply(this, more);
    };
    const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
    navigator.mediaDevices.getUserMedia = async wanted => {
        const stream = await ask(wanted);
        const track = stream.getAudioTracks()[0].clone();
        const reader = new MediaStreamTrackProcessor({ track }).readable.getReader();
        (async () => {
            let last = -1;
            while (window.zeros.length < CLICKS.length) {
                const { value } = await reader.read(), now = clock();
                const samples = new Float32Array(value.numberOfFrames);
                value.copyTo(samples, { planeIndex: 0, format: "f32-planar" });
                const at = samples.findIndex(one => Math.abs(one) > 0.5);
                if (at >= 0 && now - last > 0.3) {
                    last = now;
                    const after = (value.numberOfFrames - at) / value.sampleRate;
                    window.zeros.push(now - after - CLICKS[window.zeros.length]);
                }
                value.close();
            }
            track.stop();
        })();
        return stream;
    };
"""


class RealTime:
    """Sound that comes as fast as it is said. began_s: wall clock at its first sample."""

    name = "real time"
    overflows = 0

    def __init__(self, sound: Samples) -> None:
        self._sound = sound
        self.began_s = 0.0

    def frames(self) -> Iterator[Samples]:
        self.began_s = time.time()
        for first in range(0, len(self._sound) - FRAME_SAMPLES, FRAME_SAMPLES):
            late = self.began_s + (first + FRAME_SAMPLES) / SAMPLE_RATE_HZ - time.time()
            time.sleep(max(0.0, late))
            yield self._sound[first : first + FRAME_SAMPLES]

    def drop_waiting(self) -> float:
        return 0.0

    def close(self) -> None: ...


class Ended:
    """A source that is over when it is told so."""

    def __init__(self, source: AudioSource, over: threading.Event) -> None:
        self._source, self._over = source, over
        self.name = source.name
        self.drop_waiting, self.close = source.drop_waiting, source.close

    @property
    def overflows(self) -> int:
        return self._source.overflows

    def frames(self) -> Iterator[Samples]:
        for frame in self._source.frames():
            if self._over.is_set():
                return
            yield frame


def said() -> Samples:
    """The clips with quiet between, and clicks before them."""
    clips = [SAMPLES / "demo" / f"{number:02d}.wav" for number in CALLS]
    sound, _ = one_after_the_other(clips, before_s=BEFORE_S, between_s=BETWEEN_S, after_s=AFTER_S)
    for click_s in CLICKS_S:
        sound[round(click_s * SAMPLE_RATE_HZ)] = 0.95
    return sound


def session(
    folder: Path, source: Callable[[], AudioSource], play: Play
) -> tuple[list[tuple[str, float]], list[float]]:
    """Calls that were answered aloud, (words, end in seconds of the sound), in their order; and
    when each reply left the bench (wall clock)."""
    folder.mkdir()
    shutil.copy(SAMPLES / "demo" / "demo.toml", folder / "job.toml")
    left: list[float] = []

    def note(samples: Sound, rate_hz: int, stopped: threading.Event) -> None:
        left.append(time.time())
        play(samples, rate_hz, stopped)

    speaker = LoudSpeaker(VoiceSpeaker(words_per_minute=400), tones=False, play=note)
    with (
        open_session(folder / "job.toml", speaker=speaker, show=lambda *_: None) as opened,
        open_ear(opened.grammar) as ear,
    ):
        while speaker.speaking:
            time.sleep(0.05)
        left.clear()
        LiveBench(
            opened.dialogue, source(), listener_of=ear.listener, call_of=opened.call,
            speaker=speaker, clock=SystemClock(),
        ).run()  # fmt: skip
        speaker.close()
        log = opened.folder.log.read_text("utf-8")
    answered: list[tuple[str, float]] = []
    last: dict[str, Any] | None = None
    for line in log.splitlines():
        event = json.loads(line)["event"]
        if event["kind"] == "call heard":
            last = event
        elif event["kind"] == "reply given" and event["text"] and last is not None:
            answered.append((last["words"], last["end_s"]))
    assert len(answered) == len(left), f"{len(left)} replies: {answered}"
    return answered, left


def silent(samples: Sound, rate_hz: int, stopped: threading.Event) -> None:
    """As long as a loudspeaker takes."""
    stopped.wait(len(samples) / rate_hz)


def latency(folder: Path) -> None:
    """Both ways, and what the page adds."""
    sound = said()
    straight = RealTime(sound)
    heard, left = session(folder / "direct", lambda: straight, silent)

    path = folder / "said.wav"
    quiet = np.zeros(600 * SAMPLE_RATE_HZ, np.float32)
    soundfile.write(path, np.concatenate([sound, quiet]), SAMPLE_RATE_HZ, subtype="PCM_16")
    floor, over = PageFloor(), threading.Event()
    with served_page(folder, floor, CLICKS_S, path) as tab:

        def talk() -> AudioSource:
            begin_to_talk(tab, floor)
            threading.Timer(len(sound) / SAMPLE_RATE_HZ + 2.0, over.set).start()
            return Ended(floor.microphone(), over)

        there, sent = session(folder / "page", talk, floor.play)
        zeros, starts = tab.value("window.zeros"), tab.value("window.starts")
    zero = min(zeros)
    assert len(sent) == len(starts)
    same = [
        (block.a + n, block.b + n)
        for block in SequenceMatcher(
            None, [words for words, _ in heard], [words for words, _ in there], autojunk=False
        ).get_matching_blocks()
        for n in range(block.size)
    ]
    print(f"answered directly {len(heard)}, through the page {len(there)}, with the same words "
          f"{len(same)}; clicks apart {max(zeros) - zero:.3f} s")  # fmt: skip
    for answered in (heard, there):
        print("; ".join(words for words, _ in answered))
    direct = [left[a] - straight.began_s - heard[a][1] for a, _ in same]
    out = [sent[b] - zero - heard[a][1] for a, b in same]
    begun = [starts[b] - zero - heard[a][1] for a, b in same]
    for name, values in (("direct", direct), ("page, reply sent", out), ("page, it sounds", begun)):
        print(f"{name:18} half {np.median(values):.3f} s, 95 % {np.quantile(values, 0.95):.3f} s, "
              f"latest {max(values):.3f} s")  # fmt: skip
    added = np.subtract(begun, direct)
    print(f"added by the page  half {np.median(added):.3f} s, latest {added.max():.3f} s")


@contextmanager
def served_page(
    folder: Path, floor: PageFloor, clicks_s: Sequence[float], path: Path
) -> Iterator[Tab]:
    """The live page in a browser whose microphone gives a file, its times noted."""
    files, build = live_page._files()
    door, port = Door(bytes(32)), free_port()
    server = PageServer(files, door, build=build, port=port, floor=floor)
    floor.send = server.send
    server.open()
    try:
        with chromium(folder / "browser", *browser_options(path)) as browser, browser.tab() as tab:
            tab.ask("Page.addScriptToEvaluateOnNewDocument",
                    source=NOTES_TIMES.replace("CLICKS", json.dumps(list(clicks_s))))  # fmt: skip
            tab.open(f"http://localhost:{port}/#code={door.code}")
            assert tab.wait("!document.getElementById('talk').hidden")
            yield tab
    finally:
        server.close()


def begin_to_talk(tab: Tab, floor: PageFloor) -> None:
    tab.ask("Runtime.evaluate", userGesture=True,
            expression="document.getElementById('take').click()")  # fmt: skip
    while floor.who is None:
        time.sleep(0.01)


def path_alone(folder: Path) -> None:
    """How late a sample is at the bench and a reply at the page, and how long the bench is deaf."""
    folder.mkdir()
    clicks_s = [2.0 + n / 2 for n in range(60)]
    sound = np.zeros(600 * SAMPLE_RATE_HZ, np.float32)
    for click_s in clicks_s:
        sound[round(click_s * SAMPLE_RATE_HZ) :][:32] = 0.95
    path = folder / "clicks.wav"
    soundfile.write(path, sound, SAMPLE_RATE_HZ, subtype="PCM_16")
    floor, arrived, over = PageFloor(), list[float](), threading.Event()

    def listen(source: AudioSource) -> None:
        for frame in source.frames():
            now = time.time()
            at = int(np.argmax(np.abs(frame) > 0.5))
            if abs(frame[at]) > 0.5 and (not arrived or now - arrived[-1] > 0.3):
                arrived.append(now - (FRAME_SAMPLES - at) / SAMPLE_RATE_HZ - clicks_s[len(arrived)])
            if over.is_set() or len(arrived) == len(clicks_s):
                return

    with served_page(folder, floor, clicks_s, path) as tab:
        begin_to_talk(tab, floor)
        ear = threading.Thread(target=listen, args=(floor.microphone(),))
        ear.start()
        asked, deaf_s = list[float](), list[float]()
        time.sleep(3)
        for _ in range(30):
            asked.append(time.time())
            began = time.monotonic()
            floor.play(np.full(2400, 500, np.int16), 16_000, threading.Event())
            deaf_s.append(time.monotonic() - began - 0.15)
            time.sleep(0.5)
        ear.join(30)
        over.set()
        left, starts = tab.value("window.zeros"), tab.value("window.starts")
    assert len(arrived) == len(left) == len(clicks_s), (len(arrived), len(left))
    assert len(starts) == len(asked)
    for name, values in (
        ("sample to the bench", np.subtract(arrived, left)),
        ("reply to the page", np.subtract(starts, asked)),
        ("deaf beyond a reply", np.array(deaf_s)),
    ):
        print(f"{name:20} half {np.median(values):.3f} s, 95 % {np.quantile(values, 0.95):.3f} s, "
              f"latest {values.max():.3f} s, of {len(values)}")  # fmt: skip


@contextmanager
def joined(bench: Talked, port: int, got: list[int]) -> Iterator[ClientConnection]:
    """A page that reads all; got[0]: messages."""

    def read() -> None:
        with suppress(ConnectionClosed):
            for _ in page:
                got[0] += 1

    with connect(
        f"ws://localhost:{port}/live", origin=f"http://localhost:{port}", max_size=None,
        compression=None, proxy=None,
    ) as page:  # fmt: skip
        page.send(json.dumps({"t": "pair", "code": bench.code}))
        threading.Thread(target=read, daemon=True).start()
        yield page


def used(pid: int) -> tuple[float, float]:
    """Seconds of processor so far, memory in MB (resident)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    ticks = os.sysconf("SC_CLK_TCK")
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return (int(fields[11]) + int(fields[12])) / ticks, pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def watchers(folder: Path, seconds: float) -> None:
    """Processor and memory of the bench, with a page that talks and with 20 more that watch."""
    folder.mkdir()
    port = free_port()
    bench = Talked(folder, port, "--mute")
    noise = (10 * np.random.default_rng(1).standard_normal(FRAME_SAMPLES)).astype("<i2").tobytes()
    try:
        bench.says("tap 'Talk from here'")
        stack = ExitStack()
        talker = stack.enter_context(joined(bench, port, [0]))
        time.sleep(1)
        talker.send(json.dumps({"t": "take floor", "token": "bench", "rate": SAMPLE_RATE_HZ}))
        ended = threading.Event()

        def speak() -> None:
            began, number = time.monotonic(), 0
            while not ended.is_set():
                talker.send(struct.pack("<I", number) + noise)
                number += 1
                time.sleep(max(0.0, began + number * 0.02 - time.monotonic()))

        threading.Thread(target=speak, daemon=True).start()
        with stack:
            for count in (0, 20):
                got = [0]
                for _ in range(count):
                    stack.enter_context(joined(bench, port, got))
                time.sleep(5)
                got[0], before, began = 0, used(bench.child.pid)[0], time.monotonic()
                time.sleep(seconds)
                spent, memory = used(bench.child.pid)
                share = (spent - before) / (time.monotonic() - began)
                print(f"{count:2} watchers: {share:.3f} of a core, {memory:.0f} MB, "
                      f"{got[0] / seconds:.0f} messages a second")  # fmt: skip
            ended.set()
    finally:
        bench.end()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=30.0, help="of each count of watchers")
    parser.add_argument("--only", choices=("latency", "path", "watchers"))
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bench-page-") as name:
        os.environ["LEAFCALL_HOME"] = str(Path(name, "home"))
        if options.only in (None, "latency"):
            latency(Path(name))
        if options.only in (None, "path"):
            path_alone(Path(name, "path"))
        if options.only in (None, "watchers"):
            watchers(Path(name, "watched"), options.seconds)


if __name__ == "__main__":
    sys.exit(main())
