"""How sure the hearing is: fits the numbers of ``assurance.json`` beside the sound model.

    python -m tests.benchmarks.ear_records
    python -m tests.benchmarks.fit_assurance [--target models/leafcall-en]

The first makes the records: what the shipped sound model heard of voices that it never met, in
rooms and noise, and of talk and noise that were not for it. Two logistic regressions with a small
ridge, by Newton's steps; checked by leaving out one voice at a time, which gives the figures that
are printed. Run it again whenever the sound model has changed.
"""

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assistant.ear.call_confidence import FACTS, Odds, Weights
from tests.benchmarks.bench_ear import means
from tests.benchmarks.ear_records import Record, default_records, grammar, read_records

RIDGE = 0.3  # on standardised facts
TALK_SHARE = 0.5  # weight of all utterances of talk together, against that of all calls

Table = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Data:
    """One row an utterance. facts [N, F]; call, right [N] (1 or 0); voice of each."""

    facts: Table
    call: Table
    right: Table
    voice: NDArray[np.str_]


def data_of(records: Sequence[Record]) -> Data:
    """Sentences with evidence; of a call cut in two, neither part counts as right or wrong."""
    rows, call, right, voice = [], [], [], []
    for record in records:
        if record.is_call and len(record.utterances) != 1:
            continue
        for utterance in record.utterances:
            if utterance.facts and utterance.score and grammar().parse(utterance.words) is not None:
                rows.append([utterance.facts[name] for name in FACTS])
                call.append(record.is_call)
                right.append(record.is_call and means(utterance.words, record.said))
                voice.append(record.voice)
    return Data(
        np.array(rows, float), np.array(call, float), np.array(right, float), np.array(voice)
    )  # fmt: skip


def weights_of(data: Data, *, without: str | None = None) -> Weights:
    """Both regressions: call or not on everything, right or not on calls. without: a voice."""
    kept = data.voice != without
    call, facts = data.call[kept], data.facts[kept]
    talk = max(1.0, np.count_nonzero(call == 0))
    weight = np.where(call == 1, 1.0, TALK_SHARE * call.sum() / talk)
    return Weights(fitted(facts, call, weight), fitted(facts, data.right[kept], call))


def fitted(facts: Table, right: Table, weight: Table) -> Odds:
    """The regression of ``right`` on facts as they are; rows of weight 0 do not count."""
    facts, right, weight = facts[weight > 0], right[weight > 0], weight[weight > 0]
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
    of = {name: round(float(w), 5) for name, w in zip(FACTS, weights, strict=True)}
    return Odds(round(float(found[0] - weights @ mean), 5), of)


def weights_without(records: Sequence[Record]) -> dict[str, Weights]:
    """Numbers for every voice, fitted without it."""
    data = data_of(records)
    return {
        voice: weights_of(data, without=voice)
        for voice in sorted({record.voice for record in records})
    }


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
    calls = np.count_nonzero(data.call)
    print(f"{len(data.right)} utterances, {calls} of calls, {len(set(data.voice))} voices")
    print("voice left out:  chance  right  utterances")
    for mean, share, count in reliability(chance, data.right):
        print(f"                 {mean:6.3f} {share:6.3f} {count:8d}")
    text = json.dumps(asdict(weights_of(data)), indent=1) + "\n"
    (given.target / "assurance.json").write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
