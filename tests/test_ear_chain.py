"""From a sound file to what was heard, with the real speech detector and recogniser."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assistant.adapters.sound.wav_file import WavFile
from assistant.build.ears import DEFAULT_EAR, open_detector, open_recognizer
from assistant.ear.listener import Listener
from assistant.ear.ports import Recognizer, Standing
from assistant.ear.utterance import SAMPLE_RATE_HZ, Heard, Utterance
from tests.benchmarks.noises import add_noise, end_of_speech_s
from tests.contract.recognizer_contract import FOREIGN, GRAPH, SENTENCES

pytestmark = pytest.mark.audio

CLIPS = Path(__file__).parent / "contract/clips"
CALLS = ("fifteen goes", "what now", "fifteen goes sixteen snug", "sixteen snug")
PAUSE_S = 1.2


@pytest.fixture(scope="module")
def recognizer() -> Iterator[Recognizer]:
    recognizer = open_recognizer(DEFAULT_EAR, GRAPH)
    yield recognizer
    recognizer.close()


def clip(text: str) -> np.ndarray:
    sound, _ = soundfile.read(CLIPS / f"{text.replace(' ', '_')}.flac")
    return sound


def bench_talk(
    path: Path, *, snr_db: float | None = None, rate_hz: int = SAMPLE_RATE_HZ
) -> list[float]:
    """A recording of all calls with pauses; the hand-known end of each call in seconds."""
    room = np.random.default_rng(8).normal(0, 2e-4, round(PAUSE_S * SAMPLE_RATE_HZ))
    parts, ends, length = [room], [], len(room)
    for text in CALLS:
        sound = clip(text)
        ends.append(length / SAMPLE_RATE_HZ + end_of_speech_s(sound))
        parts += [sound, room]
        length += len(sound) + len(room)
    sound = np.concatenate(parts)
    if snr_db is not None:
        sound = add_noise(sound, "pink", snr_db, seed=4)
    if rate_hz != SAMPLE_RATE_HZ:
        import soxr

        sound = np.stack([soxr.resample(sound, SAMPLE_RATE_HZ, rate_hz)] * 2, axis=1)
    soundfile.write(path, sound, rate_hz, subtype="PCM_24")
    return ends


class Known:
    """Only whole sentences are known."""

    def standing(self, words: tuple[str, ...], heard: Heard | None = None) -> Standing:
        return Standing.WHOLE if " ".join(words) in SENTENCES else Standing.NONE


def hear(path: Path, recognizer: Recognizer) -> list[tuple[Utterance, Heard]]:
    source = WavFile(path)
    listener = Listener(source, open_detector(), recognizer, Known())
    calls = list(listener.calls())
    assert listener.stream_s == pytest.approx(source.sound.length_s, abs=0.01)
    return calls


@pytest.mark.parametrize("rate_hz", [16_000, 44_100])
def test_every_call_of_a_recording_is_heard_at_its_time(
    tmp_path: Path,
    recognizer: Recognizer,
    rate_hz: int,
) -> None:
    ends = bench_talk(tmp_path / "bench.wav", rate_hz=rate_hz)
    calls = hear(tmp_path / "bench.wav", recognizer)
    assert [" ".join(heard.words) for _, heard in calls] == list(CALLS)
    assert all(heard.score > 0.5 for _, heard in calls)
    assert [u.end_s for u, _ in calls] == pytest.approx(ends, abs=0.15)
    waits = [utterance.decided_s - utterance.end_s for utterance, _ in calls]
    assert max(waits) < 0.3  # complete sentences: the short hang, not the long one


def test_calls_are_found_and_heard_in_noise(tmp_path: Path, recognizer: Recognizer) -> None:
    ends = bench_talk(tmp_path / "noisy.wav", snr_db=15.0)
    calls = hear(tmp_path / "noisy.wav", recognizer)
    assert [" ".join(heard.words) for _, heard in calls] == list(CALLS)
    assert [u.end_s for u, _ in calls] == pytest.approx(ends, abs=0.15)


def test_talk_that_is_not_for_it_passes(tmp_path: Path, recognizer: Recognizer) -> None:
    soundfile.write(tmp_path / "talk.wav", np.tile(clip(FOREIGN), 2), SAMPLE_RATE_HZ)
    for _, heard in hear(tmp_path / "talk.wav", recognizer):
        assert not heard.words or heard.score < 0.5


@pytest.mark.parametrize("noise", ["white", "pink"])
def test_noise_alone_is_never_an_accepted_call(
    tmp_path: Path, recognizer: Recognizer, noise: str
) -> None:
    from tests.benchmarks.noises import make_noise

    sound = 0.05 * make_noise(noise, 4 * SAMPLE_RATE_HZ, 3)
    soundfile.write(tmp_path / "noise.wav", sound, SAMPLE_RATE_HZ)
    for _, heard in hear(tmp_path / "noise.wav", recognizer):
        assert not heard.words or heard.score < 0.5
