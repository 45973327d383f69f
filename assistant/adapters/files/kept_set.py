"""Recordings of a practice that the builder allowed to be kept: wav files and a table of them.

The table is a ``manifest.csv`` in the form of the one in ``sample_audio``, with columns more for
what was heard. Nothing here sends anything anywhere.
"""

import csv
import re
from dataclasses import dataclass
from pathlib import Path

import soundfile

from assistant.ear.utterance import SAMPLE_RATE_HZ, Samples
from assistant.errors import AudioError

MANIFEST = "manifest.csv"
_COLUMNS = ("file", "said", "in_grammar", "speaker", "noise", "snr_db", "licence", "source",
            "heard", "score", "right", "ear", "seed", "number")  # fmt: skip
_LICENCE = "private: the speaker's own, kept on this machine"


@dataclass(frozen=True, slots=True)
class Kept:
    """One kept phrase. path: its sound. score: 0..1. number: of the phrase, from 1."""

    path: Path
    said: str
    heard: str
    score: float
    right: bool
    ear: str
    seed: int
    number: int


class KeptSet:
    """A folder of kept phrases; made with the first one."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._manifest = folder / MANIFEST

    def keep(
        self, samples: Samples, *, said: str, heard: str, score: float, right: bool, ear: str,
        seed: int, number: int, speaker: str,
    ) -> Path:  # fmt: skip
        """Write one phrase and its line; the path of the wav. Raises AudioError."""
        slug = re.sub(r"[^a-z0-9]+", "-", said.lower()).strip("-")[:40]
        try:
            (self._folder / "calls").mkdir(parents=True, exist_ok=True)
            taken = [p.name.partition("-")[0] for p in (self._folder / "calls").glob("*.wav")]
            count = max((int(name) for name in taken if name.isdigit()), default=0) + 1
            path = self._folder / "calls" / f"{count:04d}-{slug}.wav"
            soundfile.write(path, samples, SAMPLE_RATE_HZ, subtype="PCM_16")
            new = not self._manifest.exists()
            with self._manifest.open("a", encoding="utf-8", newline="") as file:
                table = csv.writer(file, lineterminator="\n")
                if new:
                    table.writerow(_COLUMNS)
                table.writerow(
                    (f"calls/{path.name}", said, "yes", speaker, "", "", _LICENCE, "practice",
                     heard, f"{score:.4f}", "yes" if right else "no", ear, seed, number)
                )  # fmt: skip
        except (OSError, soundfile.LibsndfileError) as error:
            raise AudioError(
                f"The phrase cannot be kept in {self._folder} ({error}): choose another folder, or "
                "go without --keep."
            ) from error
        return path

    def read(self) -> list[Kept]:
        """All kept phrases, oldest first.

        Raises AudioError if there is no set in the folder or its table is damaged.
        """
        try:
            with self._manifest.open(encoding="utf-8", newline="") as file:
                rows = list(csv.DictReader(file))
            return [
                Kept(
                    self._folder / row["file"], row["said"], row["heard"], float(row["score"]),
                    row["right"] == "yes", row["ear"], int(row["seed"]), int(row["number"]),
                )
                for row in rows
            ]  # fmt: skip
        except OSError as error:
            raise AudioError(
                f"{self._folder} holds no kept practice ({error.strerror}): make one with "
                f"'leafcall practice --keep {self._folder}'."
            ) from error
        except (KeyError, TypeError, ValueError, csv.Error) as error:
            raise AudioError(
                f"{self._manifest} is damaged ({error}): mend the line or take it out; the sound "
                "files are as they were."
            ) from error
