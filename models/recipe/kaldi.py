"""Writes Kaldi's binary files: transition model, nnet3 acoustic model, 8-bit matrices.

Only what a Vosk model of ours needs: one-state units with two outputs, affine layers with frame
offsets, rectifiers. Big-endian nowhere; a binary file begins with the bytes 00 42.
"""

import struct
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Layer = tuple[tuple[int, ...], NDArray[np.float32], NDArray[np.float32]]
"""(frame offsets, weight [out, in], bias [out])."""


class KaldiBytes:
    """Collects the bytes of one binary Kaldi file."""

    def __init__(self) -> None:
        self.data = bytearray(b"\0B")

    def token(self, text: str) -> None:
        """ASCII and one space."""
        self.data += text.encode("ascii") + b" "

    def text(self, text: str) -> None:
        """Plain ASCII as it is."""
        self.data += text.encode("ascii")

    def integer(self, value: int) -> None:
        """A 32-bit integer."""
        self.data += b"\x04" + struct.pack("<i", value)

    def single(self, value: float) -> None:
        """A 32-bit real number."""
        self.data += b"\x04" + struct.pack("<f", value)

    def double(self, value: float) -> None:
        """A 64-bit real number."""
        self.data += b"\x08" + struct.pack("<d", value)

    def integers(self, values: Sequence[int]) -> None:
        """A vector of 32-bit integers."""
        self.data += b"\x04" + struct.pack("<i", len(values)) + np.asarray(values, "<i4").tobytes()

    def vector(self, values: NDArray[np.float32] | Sequence[float]) -> None:
        """A vector of 32-bit real numbers."""
        array = np.asarray(values, "<f4")
        self.token("FV")
        self.integer(len(array))
        self.data += array.tobytes()

    def matrix(self, values: NDArray[np.float32]) -> None:
        """A matrix of 32-bit real numbers, row by row."""
        array = np.ascontiguousarray(values, "<f4")
        self.token("FM")
        self.integer(array.shape[0])
        self.integer(array.shape[1])
        self.data += array.tobytes()

    def small_matrix(self, values: NDArray[np.float32]) -> None:
        """A matrix in 8 bits a value ("CM"): each column has its own scale from four quantiles."""
        self.token("CM")
        self.data += compressed(values)


def compressed(values: NDArray[np.float32]) -> bytes:
    """Kaldi's one-byte-with-column-headers form: global header, column headers, column bytes."""
    matrix = np.asarray(values, np.float64)
    rows, columns = matrix.shape
    least = float(matrix.min())
    spread = float(matrix.max()) - least or 1e-5 + abs(1e-5 * least)

    def coarse(x: NDArray[np.float64]) -> NDArray[np.int64]:
        return np.clip(np.round((x - least) / spread * 65535.0), 0, 65535).astype(np.int64)

    ordered = np.sort(matrix, 0)
    if rows >= 5:
        marks = [0, rows // 4, 3 * (rows // 4), rows - 1]
        quantiles = coarse(ordered[marks])
    else:
        filled = np.vstack([ordered] + [ordered[-1:]] * (4 - min(rows, 4)))[:4]
        quantiles = coarse(filled)
        for k in range(rows, 4):
            quantiles[k] = quantiles[k - 1] + 1
    quantiles[0] = np.minimum(quantiles[0], 65532)
    for k, top in ((1, 65533), (2, 65534), (3, 65535)):
        quantiles[k] = np.minimum(np.maximum(quantiles[k], quantiles[k - 1] + 1), top)
    q = least + quantiles * (spread / 65535.0)
    low = (matrix - q[0]) / (q[1] - q[0]) * 64.0
    middle = 64.0 + (matrix - q[1]) / (q[2] - q[1]) * 128.0
    high = 192.0 + (matrix - q[2]) / (q[3] - q[2]) * 63.0
    codes = np.where(
        matrix < q[1],
        np.clip(np.round(low), 0, 64),
        np.where(
            matrix < q[2], np.clip(np.round(middle), 64, 192), np.clip(np.round(high), 192, 255)
        ),
    ).astype(np.uint8)
    header = struct.pack("<ffii", least, spread, rows, columns)
    return header + quantiles.T.astype("<u2").tobytes() + codes.T.tobytes()


def expanded(data: bytes) -> NDArray[np.float32]:
    """What Kaldi reads back from ``compressed``."""
    least, spread, rows, columns = struct.unpack_from("<ffii", data)
    q = (
        np.frombuffer(data, "<u2", 4 * columns, 16).reshape(columns, 4).T * (spread / 65535.0)
        + least
    )
    codes = (
        np.frombuffer(data, np.uint8, rows * columns, 16 + 8 * columns)
        .reshape(columns, rows)
        .T.astype(np.float64)
    )
    low = q[0] + (q[1] - q[0]) * codes / 64.0
    middle = q[1] + (q[2] - q[1]) * (codes - 64.0) / 128.0
    high = q[2] + (q[3] - q[2]) * (codes - 192.0) / 63.0
    return np.where(codes <= 64, low, np.where(codes <= 192, middle, high)).astype(np.float32)


def transition_model(out: KaldiBytes, tuples: Sequence[tuple[int, int, int, int]]) -> None:
    """One-state units: tuple number p has transition-ids 2p-1 (again) and 2p (forward).

    tuples: sorted (phone, 0, output of the first frame, output of further frames), phones from 1.
    """
    phones = [t[0] for t in tuples]
    out.token("<TransitionModel>")
    out.token("<Topology>")
    out.integers(phones)
    entry = [-1] * (max(phones) + 1)
    for phone in phones:
        entry[phone] = 0
    out.integers(entry)
    out.integer(-1)  # first and further frames have outputs of their own
    out.integer(1)
    out.integer(2)  # states: the one, and the end
    out.integer(0)
    out.integer(1)
    out.integer(2)
    for target in (0, 1):
        out.integer(target)
        out.single(0.5)
    for value in (-1, -1, 0):
        out.integer(value)
    out.token("</Topology>")
    out.token("<Tuples>")
    out.integer(len(tuples))
    for numbers in tuples:
        for value in numbers:
            out.integer(value)
    out.token("</Tuples>")
    out.token("<LogProbs>")
    out.vector([0.0] + [float(np.log(0.5))] * (2 * len(tuples)))
    out.token("</LogProbs>")
    out.token("</TransitionModel>")


def network(
    out: KaldiBytes,
    inputs: int,
    layers: Sequence[Layer],
    *,
    log_softmax: bool,
    priors: Sequence[float] = (),
    small: bool = True,
) -> None:
    """An nnet3 network: affine layers with a rectifier after each but the last."""
    lines = [f"input-node name=input dim={inputs}"]
    parts: list[tuple[str, str, Layer | int]] = []
    at = "input"

    def node(name: str, source: str) -> str:
        lines.append(f"component-node name={name} component={name} input={source}")
        return name

    for number, layer in enumerate(layers):
        offsets = layer[0]
        sources = ", ".join(at if o == 0 else f"Offset({at}, {o})" for o in offsets)
        at = node(f"layer{number}.affine", at if offsets == (0,) else f"Append({sources})")
        parts.append((at, "FixedAffineComponent", layer))
        if number < len(layers) - 1:
            at = node(f"layer{number}.relu", at)
            parts.append((at, "RectifiedLinearComponent", len(layer[2])))
    if log_softmax:
        at = node("chances", at)
        parts.append((at, "LogSoftmaxComponent", len(layers[-1][2])))
    lines.append(f"output-node name=output input={at} objective=linear")
    out.token("<Nnet3>")
    out.text("\n" + "\n".join(lines) + "\n\n")
    out.token("<NumComponents>")
    out.integer(len(parts))
    for name, kind, content in parts:
        out.token("<ComponentName>")
        out.token(name)
        out.token(f"<{kind}>")
        if isinstance(content, int):
            out.token("<Dim>")
            out.integer(content)
            for mark in ("<ValueAvg>", "<DerivAvg>"):
                out.token(mark)
                out.vector([])
            out.token("<Count>")
            out.double(0.0)
            out.token("<OderivRms>")
            out.vector([])
            for mark in ("<OderivCount>", "<NumDimsSelfRepaired>", "<NumDimsProcessed>"):
                out.token(mark)
                out.double(0.0)
            out.token("<SelfRepairScale>")
            out.single(0.0)
        else:
            out.token("<LinearParams>")
            (out.small_matrix if small else out.matrix)(content[1])
            out.token("<BiasParams>")
            out.vector(content[2])
        out.token(f"</{kind}>")
    out.token("</Nnet3>")
    for mark in ("<LeftContext>", "<RightContext>"):  # worked out afresh when it is loaded
        out.token(mark)
        out.integer(0)
    out.token("<Priors>")
    out.vector(priors)
