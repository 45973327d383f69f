"""How sure the hearing is: fits the numbers of ``assurance.json`` beside the sound model.

    python -m tests.benchmarks.ear_records
    python -m tests.benchmarks.fit_assurance [--target models/leafcall-en]

The first makes the records: what the shipped sound
model heard of voices that it never met, in rooms and noise, and of talk and noise that were not for
it. Logistic regression with a small ridge, by Newton's steps; checked by leaving out one voice at a
time, which gives the figures that are printed. Run it again whenever the sound model has changed.
"""

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assistant.assurance import FACTS, Weights
from tests.benchmarks.bench_ear import means
from tests.benchmarks.ear_records import Record, default_records, read_records

RIDGE = 0.3  # on standardised facts
TALK_SHARE = 0.5  # weight of all utterances of talk together, against that of all calls

Table = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Data:
    """One row an utterance. facts [N, F]; right, weight [N]; voice of each."""

    facts: Table
    right: Table
    weight: Table
    voice: list[str]


def data_of(records: Sequence[Record]) -> Data:
    """Utterances with evidence; of a call cut in two, neither part counts as right or wrong."""
    rows, right, talk, voice = [], [], [], []
    for record in records:
        if record.is_call and len(record.utterances) != 1:
            continue
        for utterance in record.utterances:
            if utterance.facts:
                rows.append([utterance.facts[name] for name in FACTS])
                right.append(record.is_call and means(utterance.words, record.said))
                talk.append(not record.is_call)
                voice.append(record.voice)
    foreign = np.array(talk)
    calls = ~foreign
    weight = np.where(foreign, TALK_SHARE * calls.sum() / max(1, foreign.sum()), 1.0)
    return Data(np.array(rows, float), np.array(right, float), weight, voice)


def fitted(facts: Table, right: Table, weight: Table) -> tuple[float, Table]:
    """(start, weights) of the regression, for facts as they are."""
    mean, scale = facts.mean(0), facts.std(0) + 1e-9
    table = np.column_stack([np.ones(len(facts)), (facts - mean) / scale])
    ridge = np.diag([0.0, *[RIDGE] * facts.shape[1]])
    found = np.zeros(table.shape[1])
    for _ in range(100):
        chance = 1.0 / (1.0 + np.exp(-np.clip(table @ found, -60, 60)))
        slope = table.T @ (weight * (right - chance)) - ridge @ found
        bend = (table * (weight * chance * (1 - chance))[:, None]).T @ table + ridge
        step = np.linalg.solve(bend + 1e-9 * np.eye(len(found)), slope)
        found += step * min(1.0, 3.0 / max(1e-9, float(np.abs(step).max())))
        if np.abs(step).max() < 1e-6:
            break
    weights = found[1:] / scale
    return float(found[0] - weights @ mean), weights


def weights_without(records: Sequence[Record]) -> dict[str, Weights]:
    """Numbers for every voice, fitted without it."""
    data = data_of(records)
    voices = np.array(data.voice)
    found = {}
    for voice in sorted({record.voice for record in records}):
        here = voices == voice
        start, weights = fitted(data.facts[~here], data.right[~here], data.weight[~here])
        found[voice] = Weights(start, dict(zip(FACTS, map(float, weights), strict=True)))
    return found


def left_out(data: Data, of: Mapping[str, Weights]) -> Table:
    """Chance of every utterance by the numbers of its voice."""
    rows = zip(data.facts, data.voice, strict=True)
    return np.array([of[v].probability(dict(zip(FACTS, row, strict=True))) for row, v in rows])


def reliability(chance: Table, right: Table) -> list[tuple[float, float, int]]:
    """(mean chance, share right, count) in bands of chance."""
    edges = (0.0, 0.05, 0.2, 0.5, 0.8, 0.9, 0.95, 0.98, 1.0001)
    bands = []
    for low, high in pairwise(edges):
        here = (chance >= low) & (chance < high)
        if here.any():
            bands.append((float(chance[here].mean()), float(right[here].mean()), int(here.sum())))
    return bands


def main() -> None:
    """Fit, check, write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--records", type=Path, default=default_records())
    parser.add_argument("--target", type=Path, default=Path("models/leafcall-en"))
    given = parser.parse_args()
    records = read_records(given.records)
    data = data_of(records)
    chance = left_out(data, weights_without(records))
    calls = np.count_nonzero(data.weight == 1.0)
    print(f"{len(data.right)} utterances, {calls} of calls, {len(set(data.voice))} voices")
    print("voice left out:  chance  right  utterances")
    for mean, share, count in reliability(chance, data.right):
        print(f"                 {mean:6.3f} {share:6.3f} {count:8d}")
    start, weights = fitted(data.facts, data.right, data.weight)
    of = {name: round(float(w), 5) for name, w in zip(FACTS, weights, strict=True)}
    text = json.dumps({"start": round(start, 5), "of": of}, indent=1) + "\n"
    (given.target / "assurance.json").write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
