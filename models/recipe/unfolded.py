"""Kokoro's network outside onnxruntime: its ONNX graph run node by node in PyTorch, on any device.

The file holds 8-bit weights and quantises what flows through it; here weights are unfolded to
float32 once and nothing that flows is rounded, so the sound is that of the file or a little better.
Shapes and lengths stay on the host, so that the device is rarely waited for. Only the operators of
that one graph are known; their meaning is that of the ONNX operator schemas, version 20.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
import torch.nn.functional as nnf
from numpy.typing import NDArray
from onnx import helper, numpy_helper

Values = list[Any]
Op = Callable[..., Any]
_CASTS = {1: torch.float32, 6: torch.int32, 7: torch.int64, 9: torch.bool, 10: torch.float32}


def _ints(value: torch.Tensor) -> list[int]:
    return [int(x) for x in value.reshape(-1).tolist()]


def _slice(x: Any, starts: Any, ends: Any, axes: Any = None, steps: Any = None) -> Any:
    begin, end = _ints(starts), _ints(ends)
    dims = _ints(axes) if axes is not None else list(range(len(begin)))
    by = _ints(steps) if steps is not None else [1] * len(begin)
    for axis, first, last, step in zip(dims, begin, end, by, strict=True):
        if step < 0:
            size = x.shape[axis]
            chosen = range(size)[slice(first, last if last > -size - 1 else None, step)]
            x = x.index_select(axis, torch.tensor(list(chosen), device=x.device))
        else:
            where = [slice(None)] * x.dim()
            where[axis] = slice(first, last, step)
            x = x[tuple(where)]
    return x


def _gather(x: Any, index: Any, axis: int = 0) -> Any:
    axis %= x.dim()
    index = index.to(x.device)
    index = torch.where(index < 0, index + x.shape[axis], index)
    flat = x.index_select(axis, index.reshape(-1))
    return flat.reshape((*x.shape[:axis], *index.shape, *x.shape[axis + 1 :]))


def _together(*values: Any) -> list[Any]:
    """Small values of the host go to the device of the others."""
    device = next((v.device for v in values if v.device.type != "cpu"), None)
    return [v.to(device) if device is not None and v.device != device else v for v in values]


def _joint(op: Op) -> Op:
    return lambda a, b: op(*_together(a, b))


def _divided(a: Any, b: Any) -> Any:
    """Silence has no angle: nothing over nothing counts as nothing."""
    if not a.is_floating_point():
        return a // b
    return torch.nan_to_num(a / b, nan=0.0, posinf=torch.inf, neginf=-torch.inf)


def _reshape(x: Any, shape: Any) -> Any:
    wanted = [x.shape[i] if n == 0 else n for i, n in enumerate(_ints(shape))]
    return x.reshape(wanted)


def _pad(x: Any, pads: Any, value: Any = None, *, mode: bytes) -> Any:
    """ONNX lists all begins and then all ends; PyTorch pairs, last axis first."""
    rank, given = x.dim(), _ints(pads)
    pairs: list[int] = []
    for axis in reversed(range(rank)):
        pairs += [given[axis], given[axis + rank]]
    while pairs[-2:] == [0, 0]:
        pairs = pairs[:-2]
    kind = mode.decode()
    if kind == "constant":
        return nnf.pad(x, pairs, value=float(value) if value is not None else 0.0)
    return nnf.pad(x, pairs, mode=kind)


def _conv(x: Any, weight: Any, bias: Any, *, pads: list[int], group: int, **more: Any) -> Any:
    x = nnf.pad(x, (pads[0], pads[1])) if pads[0] != pads[1] else x
    return nnf.conv1d(
        x,
        weight,
        bias,
        stride=more["strides"],
        padding=pads[0] if pads[0] == pads[1] else 0,
        dilation=more["dilations"],
        groups=group,
    )


def _stft(signal: Any, step: Any, window: Any, length: Any) -> Any:
    if signal.dim() == 3:
        signal = signal[..., 0]
    spectrum = torch.fft.rfft(signal.unfold(-1, int(length), int(step)) * window)
    return torch.view_as_real(spectrum)


def _lstm(weights: list[Any], hidden: int) -> Op:
    """A bidirectional LSTM [T, B, in] -> [T, 2, B, hidden]; gates from i, o, f, c to i, f, c, o."""

    def turned(matrix: Any) -> Any:
        i, o, f, c = matrix.split(hidden, 0)
        return torch.cat([i, f, c, o], 0).contiguous()

    wx, wh, bias = weights
    flat: list[Any] = []
    for side in range(2):
        flat += [
            turned(wx[side]),
            turned(wh[side]),
            turned(bias[side, : 4 * hidden]),
            turned(bias[side, 4 * hidden :]),
        ]
    lstm = torch.nn.LSTM(wx.shape[2], hidden, bidirectional=True).to(wx.device)
    for parameter, values in zip(lstm.parameters(), flat, strict=True):
        parameter.data = values
    lstm.flatten_parameters()

    def run(x: Any) -> Any:
        out, _ = lstm(x)
        return out.reshape(x.shape[0], x.shape[1], 2, hidden).permute(0, 2, 1, 3)

    return run


class Unfolded:
    """The graph of one ONNX file, ready to run: ``say`` gives sound for tokens, style and speed."""

    def __init__(self, path: Path, device: str = "cpu") -> None:
        self._device = torch.device(device)
        graph = onnx.load(str(path)).graph
        self._inputs = [i.name for i in graph.input]
        self._output = graph.output[0].name
        self._constants: dict[str, Any] = {}
        for tensor in graph.initializer:
            value = torch.from_numpy(np.array(numpy_helper.to_array(tensor)))
            host = value.dtype == torch.int64  # lengths, axes, shapes
            self._constants[tensor.name] = value if host else value.to(self._device)
        self._unfold(graph)
        last_use: dict[str, int] = {}
        for number, node in enumerate(graph.node):
            for name in node.input:
                last_use[name] = number
        self._steps = []
        for number, node in enumerate(graph.node):
            dead = [
                n
                for n in dict.fromkeys(node.input)
                if last_use[n] == number and n not in self._constants
            ]
            self._steps.append((self._op(node), list(node.input), list(node.output), dead))

    def _unfold(self, graph: Any) -> None:
        """8-bit weights become float32 less their zero point; the scale stays in the graph."""
        for node in graph.node:
            zero = {"MatMulInteger": 3, "ConvInteger": 3}.get(node.op_type)
            if zero is None or node.input[1] not in self._constants:
                continue
            name = node.input[1]
            weight = self._constants[name]
            if weight.dtype == torch.float32:
                continue
            zeros = self._constants[node.input[zero]].float() if len(node.input) > zero else 0.0
            self._constants[name] = weight.float() - zeros

    @torch.inference_mode()
    def say(
        self, tokens: list[int], style: NDArray[np.float32], speed: float
    ) -> NDArray[np.float32]:
        """Sound at 24 kHz for token numbers, a style [256] and a speed (1 is usual)."""
        values = dict(self._constants)
        values["tokens"] = torch.tensor([[0, *tokens, 0]], device=self._device)
        values["style"] = torch.from_numpy(style.reshape(1, -1)).float().to(self._device)
        values["speed"] = torch.tensor([speed], dtype=torch.float32, device=self._device)
        for op, inputs, outputs, dead in self._steps:
            made = op(*(values[n] if n else None for n in inputs))
            if len(outputs) == 1:
                values[outputs[0]] = made
            else:
                for name, value in zip(outputs, made, strict=False):
                    values[name] = value
            for name in dead:
                values.pop(name, None)
        return np.asarray(values[self._output].float().cpu().numpy().ravel(), np.float32)

    def _op(self, node: Any) -> Op:
        given = {a.name: helper.get_attribute_value(a) for a in node.attribute}
        kind = node.op_type
        plain = _PLAIN.get(kind)
        if plain is not None:
            return plain
        made: Op | None = getattr(self, f"_{kind.lower()}", lambda *_: None)(node, given)
        if made is None:
            raise NotImplementedError(f"{kind}: the graph has an operator that is not known here.")
        return made

    # --- operators with attributes ---------------------------------------------------------------

    def _cast(self, _: Any, given: dict[str, Any]) -> Op:
        kind = _CASTS[given["to"]]
        return lambda x: x.to(kind)

    def _dynamicquantizelinear(self, _: Any, __: dict[str, Any]) -> Op:
        step = torch.full((), 2.0**-10, device=self._device)  # fine: biases are rounded to it
        zero = torch.zeros((), device=self._device)
        return lambda x: (x * 1024.0, step, zero)

    def _dequantizelinear(self, _: Any, __: dict[str, Any]) -> Op:
        return lambda x, scale, zero: (x.float() - zero.float()) * scale

    def _convinteger(self, _: Any, given: dict[str, Any]) -> Op:
        return lambda x, weight, *_: _conv(x, weight, None, **_conv_options(given))

    def _convtranspose(self, _: Any, given: dict[str, Any]) -> Op:
        return lambda x, weight, bias=None: nnf.conv_transpose1d(
            x,
            weight,
            bias,
            stride=given["strides"],
            padding=given["pads"][0],
            output_padding=given.get("output_padding", [0]),
            groups=given["group"],
            dilation=given["dilations"],
        )

    def _conv(self, _: Any, given: dict[str, Any]) -> Op:
        return lambda x, weight, bias=None: _conv(x, weight, bias, **_conv_options(given))

    def _dynamicquantizelstm(self, node: Any, given: dict[str, Any]) -> Op:
        c = self._constants
        wx, wh, bias = (c[node.input[n]] for n in (1, 2, 3))
        scales = [c[node.input[n]] for n in (8, 10)]
        zeros = [c[node.input[n]].float() for n in (9, 11)]
        unfolded = []
        for matrix, scale, zero in zip((wx, wh), scales, zeros, strict=True):
            wide = (
                matrix.float() - zero.reshape(-1, 1, 1)
                if zero.numel() > 1
                else matrix.float() - zero
            )
            wide = wide * (scale.reshape(-1, 1, 1) if scale.dim() < 2 else scale.unsqueeze(1))
            unfolded.append(wide.transpose(1, 2).contiguous())  # stored [2, in, 4 hidden]
        run, single = _lstm([*unfolded, bias], given["hidden_size"]), len(node.output) == 1
        return lambda x, *_: run(x) if single else (run(x), None, None)

    def _unsqueeze(self, _: Any, __: dict[str, Any]) -> Op:
        def op(x: Any, axes: Any) -> Any:
            rank = x.dim() + axes.numel()
            for axis in sorted(a % rank for a in _ints(axes)):
                x = x.unsqueeze(axis)
            return x

        return op

    def _squeeze(self, _: Any, __: dict[str, Any]) -> Op:
        def op(x: Any, axes: Any = None) -> Any:
            if axes is None:
                return x.squeeze()
            return x.squeeze(tuple(_ints(axes)))

        return op

    def _gather(self, _: Any, given: dict[str, Any]) -> Op:
        axis = given.get("axis", 0)
        return lambda x, index: _gather(x, index, axis)

    def _reducemean(self, _: Any, given: dict[str, Any]) -> Op:
        keep = bool(given.get("keepdims", 1))
        return lambda x, axes: x.mean(tuple(_ints(axes)), keepdim=keep)

    def _reducesum(self, _: Any, given: dict[str, Any]) -> Op:
        keep = bool(given.get("keepdims", 1))
        return lambda x, axes=None: (
            x.sum(tuple(_ints(axes)), keepdim=keep) if axes is not None else x.sum()
        )

    def _transpose(self, _: Any, given: dict[str, Any]) -> Op:
        return lambda x: x.permute(*given["perm"])

    def _split(self, node: Any, given: dict[str, Any]) -> Op:
        axis, count = given.get("axis", 0), len(node.output)

        def op(x: Any, sizes: Any = None) -> Any:
            if sizes is not None:
                return x.split(_ints(sizes), axis)
            return x.chunk(count, axis)

        return op

    def _concat(self, _: Any, given: dict[str, Any]) -> Op:
        return lambda *parts: torch.cat(_together(*parts), given["axis"])

    def _leakyrelu(self, _: Any, given: dict[str, Any]) -> Op:
        return lambda x: nnf.leaky_relu(x, given.get("alpha", 0.01))

    def _layernormalization(self, _: Any, given: dict[str, Any]) -> Op:
        eps = given.get("epsilon", 1e-5)
        return lambda x, weight, bias=None: nnf.layer_norm(x, weight.shape, weight, bias, eps)

    def _skiplayernormalization(self, node: Any, given: dict[str, Any]) -> Op:
        eps, only = given.get("epsilon", 1e-12), len(node.output) == 1

        def op(x: Any, skip: Any, weight: Any, beta: Any = None, bias: Any = None) -> Any:
            both = x + skip if bias is None else x + skip + bias
            out = nnf.layer_norm(both, weight.shape, weight, beta, eps)
            return out if only else (out, None, None, both)

        return op

    def _softmax(self, _: Any, given: dict[str, Any]) -> Op:
        return lambda x: x.softmax(given.get("axis", -1))

    def _fastgelu(self, _: Any, __: dict[str, Any]) -> Op:
        return lambda x, bias=None: nnf.gelu(x if bias is None else x + bias, approximate="tanh")

    def _fusedmatmul(self, _: Any, given: dict[str, Any]) -> Op:
        def op(a: Any, b: Any) -> Any:
            a = a.transpose(-1, -2) if given.get("transA") else a
            b = b.transpose(-1, -2) if given.get("transB") else b
            return torch.matmul(a, b) * given.get("alpha", 1.0)

        return op

    def _constantofshape(self, _: Any, given: dict[str, Any]) -> Op:
        value = numpy_helper.to_array(given["value"]).item() if "value" in given else 0.0

        def op(shape: Any) -> Any:
            sizes = _ints(shape)
            if isinstance(value, int) and not isinstance(value, bool):
                return torch.full(sizes, value, dtype=torch.int64)
            return torch.full(sizes, value, device=self._device)

        return op

    def _resize(self, _: Any, given: dict[str, Any]) -> Op:
        mode = given["mode"].decode()

        def op(x: Any, _roi: Any, scales: Any, sizes: Any = None) -> Any:
            factor = (
                float(scales.reshape(-1)[-1]) if sizes is None else _ints(sizes)[-1] / x.shape[-1]
            )
            length = int(np.floor(x.shape[-1] * factor + 1e-6))
            if mode == "nearest":
                at = torch.arange(length, device=x.device)
                return x.index_select(
                    -1, torch.clamp((at / factor).floor().long(), max=x.shape[-1] - 1)
                )
            at = (torch.arange(length, device=x.device) + 0.5) / factor - 0.5  # half pixel
            at = at.clamp(0, x.shape[-1] - 1)
            low = at.floor().long()
            high = torch.clamp(low + 1, max=x.shape[-1] - 1)
            part = at - low
            return x.index_select(-1, low) * (1 - part) + x.index_select(-1, high) * part

        return op

    def _cumsum(self, _: Any, __: dict[str, Any]) -> Op:
        return lambda x, axis: x.cumsum(int(axis))

    def _pad(self, _: Any, given: dict[str, Any]) -> Op:
        mode = given.get("mode", b"constant")
        return lambda x, pads, value=None, *_: _pad(x, pads, value, mode=mode)

    def _range(self, _: Any, __: dict[str, Any]) -> Op:
        return lambda first, last, step: torch.arange(
            int(first), int(last), int(step), device=self._device
        )

    def _clip(self, _: Any, __: dict[str, Any]) -> Op:
        return lambda x, low=None, high=None: x.clamp(
            None if low is None else float(low), None if high is None else float(high)
        )


def _conv_options(given: dict[str, Any]) -> dict[str, Any]:
    return {
        "pads": given.get("pads", [0, 0]),
        "group": given.get("group", 1),
        "strides": given.get("strides", [1]),
        "dilations": given.get("dilations", [1]),
    }


def _scatter(x: Any, indices: Any, updates: Any) -> Any:
    x = x.clone()
    x[tuple(indices.to(x.device).movedim(-1, 0))] = updates.to(x.device, x.dtype)
    return x


_PLAIN: dict[str, Op] = {
    "Mul": _joint(torch.mul),
    "Add": _joint(torch.add),
    "Div": _joint(_divided),
    "Sub": _joint(torch.sub),
    "Pow": _joint(torch.pow),
    "MatMul": _joint(torch.matmul),
    "MatMulInteger": lambda x, weight, *_: torch.matmul(x.float(), weight.float()),
    "Equal": _joint(torch.eq),
    "Greater": _joint(torch.gt),
    "GreaterOrEqual": _joint(torch.ge),
    "Less": _joint(torch.lt),
    "And": _joint(torch.logical_and),
    "Where": lambda c, a, b: torch.where(*_together(c, a, b)),
    "Sqrt": torch.sqrt,
    "Floor": torch.floor,
    "Sin": torch.sin,
    "Cos": torch.cos,
    "Exp": torch.exp,
    "Atan": torch.atan,
    "Tanh": torch.tanh,
    "Sigmoid": torch.sigmoid,
    "Round": torch.round,
    "Shape": lambda x: torch.tensor(x.shape, dtype=torch.int64),
    "Slice": _slice,
    "Reshape": _reshape,
    "Expand": lambda x, shape: x.expand(torch.broadcast_shapes(x.shape, _ints(shape))),
    "STFT": _stft,
    "NonZero": lambda x: torch.nonzero(x).T,
    "ScatterND": _scatter,
}
