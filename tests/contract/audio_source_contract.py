"""What every source of sound promises; test_audio_sources_contract.py says how to open each."""

from collections.abc import Callable, Iterator
from itertools import islice

import numpy as np
import pytest

from assistant.ear.ports import AudioSource
from assistant.ear.utterance import FRAME_S, FRAME_SAMPLES, Samples
from assistant.errors import AudioError

FRAMES = 8
SOUND: Samples = np.repeat(np.linspace(-0.5, 0.5, FRAMES), FRAME_SAMPLES).astype(np.float32)
"""What is to be heard: eight frames, each of one value of its own."""


class AudioSourceContract:
    """Subclasses give ``source``, with ``SOUND`` waiting in it or ahead of it."""

    @pytest.fixture
    def source(self) -> AudioSource:
        raise NotImplementedError

    def frames(self, source: AudioSource, count: int) -> list[Samples]:
        return list(islice(source.frames(), count))

    def test_it_has_a_name_for_people(self, source: AudioSource) -> None:
        assert source.name.strip() == source.name != ""

    def test_frames_are_whole_and_within_full_scale(self, source: AudioSource) -> None:
        for frame in self.frames(source, FRAMES):
            assert frame.shape == (FRAME_SAMPLES,)
            assert frame.dtype == np.float32
            assert np.abs(frame).max() <= 1.0

    def test_no_sample_is_lost_or_moved(self, source: AudioSource) -> None:
        heard = np.concatenate(self.frames(source, FRAMES))
        np.testing.assert_allclose(heard, SOUND, atol=2 / 32_768)

    def test_nothing_was_lost_while_it_was_read_in_time(self, source: AudioSource) -> None:
        self.frames(source, FRAMES)
        assert source.overflows == 0

    def test_close_twice_does_no_harm(self, source: AudioSource) -> None:
        self.frames(source, 1)
        source.close()
        source.close()


class PatientSourceContract(AudioSourceContract):
    """Of sources whose sound waits for its reader: files, lists, rooms."""

    def test_there_is_nothing_to_drop(self, source: AudioSource) -> None:
        assert source.drop_waiting() == 0.0
        np.testing.assert_allclose(self.frames(source, 1)[0], SOUND[:FRAME_SAMPLES], atol=1e-4)

    def test_it_has_an_end(self, source: AudioSource) -> None:
        assert len(list(source.frames())) == FRAMES


class LiveSourceContract(AudioSourceContract):
    """Of sources that go on by themselves. Subclasses give ``give``: more sound comes in."""

    @pytest.fixture
    def give(self, source: AudioSource) -> Callable[[Samples], None]:
        raise NotImplementedError

    def test_what_waits_can_be_dropped_and_what_comes_then_is_heard(
        self, source: AudioSource, give: Callable[[Samples], None]
    ) -> None:
        assert source.drop_waiting() == pytest.approx(FRAMES * FRAME_S)
        assert source.drop_waiting() == 0.0
        give(np.full(FRAME_SAMPLES, 0.25, np.float32))
        assert self.frames(source, 1)[0] == pytest.approx(0.25)

    def test_closed_it_gives_no_more(self, source: AudioSource) -> None:
        stream: Iterator[Samples] = source.frames()
        next(stream)
        source.close()
        assert len(list(stream)) <= FRAMES


class FailingSourceContract(AudioSourceContract):
    """Of sources that can go away. Subclasses give ``take_away``."""

    @pytest.fixture
    def take_away(self, source: AudioSource) -> Callable[[], None]:
        raise NotImplementedError

    def test_a_source_that_went_away_is_told(
        self, source: AudioSource, take_away: Callable[[], None]
    ) -> None:
        take_away()
        with pytest.raises(AudioError):
            list(source.frames())
        source.close()
