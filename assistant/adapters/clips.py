"""Keeps sound beside the log: notes, and calls where the builder allows it."""

from pathlib import Path

import soundfile

from assistant.errors import LogError
from assistant.utterance import SAMPLE_RATE_HZ, Samples


class Clips:
    """A folder of clips, mono 16 kHz 16-bit wav, numbered in the order kept."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def keep(self, samples: Samples) -> str:
        """Write one clip; its file name. Raises LogError if it cannot be written."""
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            taken = [int(p.stem) for p in self._folder.glob("*.wav") if p.stem.isdigit()]
            path = self._folder / f"{max(taken, default=0) + 1:04d}.wav"
            soundfile.write(path, samples, SAMPLE_RATE_HZ, subtype="PCM_16")
        except (OSError, soundfile.LibsndfileError) as error:
            raise LogError(f"The clip cannot be kept in {self._folder}: {error}.") from error
        return path.name
