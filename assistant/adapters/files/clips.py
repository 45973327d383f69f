"""Keeps sound beside the log: notes, and calls where the builder allows it."""

import shutil
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import soundfile

from assistant.ear.utterance import SAMPLE_RATE_HZ, Samples
from assistant.errors import LogError

_HEAD_BYTES = 44
_BYTES_PER_SAMPLE = 2


class Clips:
    """A folder of clips, mono 16 kHz 16-bit wav, numbered in the order kept."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def keep(
        self, samples: Samples, *, most_bytes: int | None = None, stem: str | None = None
    ) -> str | None:
        """Write one clip; its file name, None if the folder would hold more than ``most_bytes``.

        stem: name without its ending, None = the next number. Raises LogError if it
        cannot be written.
        """
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            clips = list(self._folder.glob("*.wav"))
            new_bytes = _HEAD_BYTES + _BYTES_PER_SAMPLE * len(samples)
            if most_bytes is not None and (
                sum(clip.stat().st_size for clip in clips) + new_bytes > most_bytes
            ):
                return None
            taken = [int(p.stem) for p in self._folder.iterdir() if p.stem.isdigit()]
            path = self._folder / f"{stem or f'{max(taken, default=0) + 1:04d}'}.wav"
            soundfile.write(path, samples, SAMPLE_RATE_HZ, subtype="PCM_16")
        except (OSError, soundfile.LibsndfileError) as error:
            raise LogError(f"The clip cannot be kept in {self._folder}: {error}.") from error
        return path.name

    def all(self) -> Sequence[Path]:
        """The clips that are kept, in order; none if there is no folder."""
        return sorted(self._folder.glob("*.wav"))

    def erase(self) -> None:
        """Erase all clips. Their numbers are not given again, so that no old event finds new sound.

        Raises LogError, naming what is still there.
        """
        clips = self.all()
        numbers = [clip.stem for clip in clips if clip.stem.isdigit()]
        try:
            if numbers:
                (self._folder / f"{numbers[-1]}.erased").touch()
            for clip in clips:
                clip.unlink(missing_ok=True)
        except OSError as error:
            raise LogError(
                f"{error.filename} cannot be erased: {error.strerror}. Erase it by hand."
            ) from error

    def move_to(self, other: Path) -> None:
        """Move all clips into another folder, none over another; what cannot be moved stays."""
        for clip in self.all():
            if (other / clip.name).exists():
                continue
            with suppress(OSError):
                other.mkdir(parents=True, exist_ok=True)
                shutil.move(clip, other / clip.name)
        for folder in (self._folder, self._folder.parent):
            with suppress(OSError):  # not empty
                folder.rmdir()
