"""Weights to go on from: of a run (``.pt``), or of a network in the project (``.onnx``).

In an ONNX file the norms are folded into the convolutions. They are set up again so that they give
the same answers, with the statistics of films drawn for it.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import onnx
import torch
from lesion_net import LesionNet
from onnx import numpy_helper
from torch import Tensor, nn


def go_on_from(net: LesionNet, path: Path, films: Iterable[Tensor]) -> None:
    """Take weights; ``films`` are batches of input, needed for an ONNX file alone."""
    if path.suffix == ".onnx":
        _take_folded(net, onnx.load(str(path)), list(films))
    else:
        net.go_on_from(torch.load(path, map_location="cpu"))


@torch.no_grad()
def _take_folded(net: LesionNet, model: onnx.ModelProto, films: list[Tensor]) -> None:
    stored = {i.name: numpy_helper.to_array(i) for i in model.graph.initializer}
    casts = {n.output[0]: n.input[0] for n in model.graph.node if n.op_type == "Cast"}
    used = [
        [
            torch.from_numpy(np.array(stored[casts.get(name, name)], np.float32))
            for name in n.input[1:]
        ]
        for n in model.graph.node
        if n.op_type in ("Conv", "Gemm")
    ]
    called: list[nn.Module] = []
    hooks = [
        part.register_forward_hook(lambda module, *_: called.append(module))
        for part in net.modules()
        if isinstance(part, nn.Conv2d | nn.Linear | nn.BatchNorm2d)
    ]
    net.eval()(films[0][:1])
    for hook in hooks:
        hook.remove()
    parts = [part for part in called if not isinstance(part, nn.BatchNorm2d)]
    after = dict(zip(called, called[1:], strict=False))
    norms = []
    for part, (weight, bias) in zip(parts, used, strict=True):
        part.weight.copy_(weight)
        norm = after.get(part)
        if isinstance(norm, nn.BatchNorm2d):
            norm.bias.copy_(bias)
            norm.running_mean.zero_()
            norm.running_var.fill_(1.0)
            norm.weight.fill_((1.0 + norm.eps) ** 0.5)
            norms.append(norm)
        else:
            part.bias.copy_(bias)
    seen: dict[nn.Module, list[Tensor]] = {norm: [] for norm in norms}
    hooks = [
        norm.register_forward_pre_hook(
            lambda module, x: seen[module].append(torch.stack(_spread(x[0])))
        )
        for norm in norms
    ]
    for batch in films:
        net(batch)
    for hook in hooks:
        hook.remove()
    for norm, values in seen.items():
        mean, square = torch.stack(values).mean(0)
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(square - mean**2)
        norm.weight.copy_(torch.sqrt(norm.running_var + norm.eps))
        norm.bias.add_(mean)
    net.train()


def _spread(x: Tensor) -> tuple[Tensor, Tensor]:
    """Mean and mean square of each channel."""
    return x.mean((0, 2, 3)), (x**2).mean((0, 2, 3))
