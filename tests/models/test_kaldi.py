"""The writer of Kaldi's binary files."""

import struct

import numpy as np
import pytest

from models.recipe.kaldi import KaldiBytes, compressed, expanded, network, transition_model


def test_a_matrix_is_token_sizes_and_rows() -> None:
    # Byte order from Kaldi's public source (kaldi-matrix.cc, io-funcs-inl.h), written by hand.
    out = KaldiBytes()
    out.matrix(np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]], np.float32))
    expected = b"\0BFM \x04" + struct.pack("<i", 2) + b"\x04" + struct.pack("<i", 3)
    assert bytes(out.data) == expected + struct.pack("<6f", 1, 2, 3, 4, 5, 6)


@pytest.mark.parametrize("shape", [(512, 200), (80, 7), (5, 3), (3, 4), (1, 1)])
def test_eight_bits_keep_weights_within_a_hundredth_of_their_spread(shape: tuple[int, int]) -> None:
    matrix = np.random.default_rng(3).standard_normal(shape).astype(np.float32)
    back = expanded(compressed(matrix))
    assert back.shape == shape
    # 63 or more steps over the outer quarters of a column, 128 over its middle half
    assert np.abs(back - matrix).max() <= 0.012 * np.ptp(matrix) + 1e-6


def test_a_matrix_of_one_value_survives() -> None:
    back = expanded(compressed(np.full((6, 2), 0.25, np.float32)))
    assert np.allclose(back, 0.25, atol=1e-4)


def test_transition_model_holds_one_state_with_two_outputs_a_phone() -> None:
    out = KaldiBytes()
    transition_model(out, [(1, 0, 0, 1), (2, 0, 2, 3)])
    data = bytes(out.data)
    begin = data.index(b"<Tuples> ") + 9
    numbers = [struct.unpack_from("<i", data, begin + 1 + 5 * k)[0] for k in range(9)]
    assert numbers == [2, 1, 0, 0, 1, 2, 0, 2, 3]
    # one unused entry and two transitions a phone
    assert struct.unpack_from("<i", data, data.index(b"FV ") + 4)[0] == 5


def test_network_names_offsets_and_ends_in_the_output() -> None:
    out = KaldiBytes()
    eye = np.eye(4, dtype=np.float32)
    layers = [((-1, 0, 1), np.ones((4, 12), np.float32), np.zeros(4, np.float32)),
              ((0,), eye, np.zeros(4, np.float32))]  # fmt: skip
    network(out, 4, layers, log_softmax=False)
    text = bytes(out.data).decode("latin-1")
    assert "input=Append(Offset(input, -1), input, Offset(input, 1))\n" in text
    assert "output-node name=output input=layer1.affine objective=linear\n\n" in text


@pytest.mark.audio
def test_vosk_computes_the_same_as_the_weights_say(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """A network that hears loudness alone: Vosk must hear one word in sound and none in quiet."""
    vosk = pytest.importorskip("vosk")
    from assistant.ear.graph import Lexicon, compile_graph
    from assistant.ear.graph.lexicon import phone_names, unit_of
    from tests.graphs import from_sentences

    units = 40
    weight, bias = np.zeros((2 * units, 40), np.float32), np.zeros(2 * units, np.float32)
    # the first cepstrum grows with loudness: quiet wins below, the phone AA (unit 1) above
    weight[2:4, 0], bias[2:4] = 0.2, -0.2 * 90.0
    bias[4:] = -30.0
    out = KaldiBytes()
    tuples = [(p, 0, 2 * unit_of(p), 2 * unit_of(p) + 1) for p in range(1, len(phone_names()) + 1)]
    transition_model(out, tuples)
    layers = [((0,), np.eye(40, dtype=np.float32), np.full(40, 200.0, np.float32)),
              ((0,), weight, bias - 200.0 * weight.sum(1))]  # fmt: skip
    network(out, 40, layers, log_softmax=False, small=False)
    files = {f"graph/{n}": d for n, d in
             compile_graph(from_sentences(["ah"]), Lexicon("ah AA")).items()}  # fmt: skip
    files["am/final.mdl"] = bytes(out.data)
    files["conf/mfcc.conf"] = (
        b"--use-energy=false\n--num-mel-bins=40\n--num-ceps=40\n--low-freq=20\n--high-freq=7600\n"
        b"--dither=0\n"
    )
    files["conf/model.conf"] = (
        b"--beam=200\n--lattice-beam=4\n--acoustic-scale=1.0\n--frame-subsampling-factor=3\n"
        b"--endpoint.silence-phones=1\n"
    )
    for name, data in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(data)
    vosk.SetLogLevel(-1)
    model = vosk.Model(model_path=str(tmp_path))
    recognizer = vosk.KaldiRecognizer(model, 16_000)
    recognizer.SetWords(True)
    rng = np.random.default_rng(1)
    loud = np.zeros(32_000)
    loud[12_800:22_400] = rng.standard_normal(9_600) * 3000  # from 0.8 to 1.4 s
    recognizer.AcceptWaveform((loud + rng.standard_normal(32_000)).astype("<i2").tobytes())
    import json

    (word,) = json.loads(recognizer.FinalResult())["result"]
    assert word["word"] == "ah"
    assert word["start"] == pytest.approx(0.8, abs=0.07)  # steps of 30 ms, frames of 25 ms
    assert word["end"] == pytest.approx(1.4, abs=0.07)
