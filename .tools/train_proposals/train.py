"""Train the network on films made by films.py and write it as an ONNX file.

    python .tools/train_proposals/train.py FILMS OUT [--seconds 500] [--batch 32] [--seed 1]

The weights in the project come from two runs on one accelerator, about 5400 and 4100 steps:

    films.py A --first-seed 100000;  train.py A OUT --seconds 479 --seed 1
    films.py B --first-seed 120000
    train.py B OUT --seconds 383 --seed 3 --rate 0.0015 --start weights.pt

Needs torch and onnx, which the project itself does not. New films in the folder are taken up while
training goes on. The learning rate follows the clock, so that the model is finished when time is
up; every minute the state of then is written too.
"""

from __future__ import annotations

import argparse
import copy
import math
import time
from collections import Counter
from pathlib import Path

import numpy as np
import onnx
import torch
from augment import Films, Targets, pictures
from network import OFFSET_UNIT, ProposalNet
from onnx import TensorProto, helper, numpy_helper
from torch import Tensor, nn
from torch.nn import functional

EASE_IN_S = 10.0


class FilmStore:
    """Films on the device, grouped by their size."""

    def __init__(self, folder: Path, device: torch.device) -> None:
        self.folder, self.device = folder, device
        self.known: set[str] = set()
        self.groups: dict[tuple[int, int], list[dict[str, Tensor]]] = {}

    def read_new(self, most: int) -> int:
        """Read films that are not known yet; the number of all films."""
        new = [p for p in sorted(self.folder.glob("*.npz")) if p.name not in self.known]
        for path in new[:most]:
            self.known.add(path.name)
            with np.load(path) as film:
                values = {name: film[name] for name in film.files}
            values["grey"] = (values["grey"].astype(np.int32) - 32768).astype(np.int16)
            film_on_device = {
                name: torch.as_tensor(v).to(self.device) for name, v in values.items()
            }
            self.groups.setdefault(values["grey"].shape, []).append(film_on_device)
        return len(self.known)

    def draw(self, n: int, rng: np.random.Generator) -> Films:
        """Random films of one size."""
        shapes = list(self.groups)
        sizes = np.array([len(self.groups[s]) for s in shapes], dtype=np.float64)
        group = self.groups[shapes[int(rng.choice(len(shapes), p=sizes / sizes.sum()))]]
        chosen = [group[int(k)] for k in rng.integers(0, len(group), n)]
        stacked = {name: torch.stack([c[name] for c in chosen]) for name in chosen[0]}
        stacked["grey"] = stacked["grey"].float() + 32768.0
        return Films(**stacked)


def focal(logit: Tensor, heat: Tensor, weight: Tensor) -> Tensor:
    """Loss of spots (Zhou et al. 2019, arXiv:1904.07850), a sum over spots' count."""
    p = torch.sigmoid(logit).clamp(1e-5, 1 - 1e-5)
    hit = heat > 0.95
    good = -torch.log(p) * (1 - p) ** 2 * hit
    bad = -torch.log(1 - p) * p**2 * (1 - heat) ** 4 * ~hit
    return ((good + bad) * weight).sum() / (hit * weight).sum().clamp_min(1.0)


def offset_loss(out: Tensor, t: Targets) -> Tensor:
    """Isotropic Laplace likelihood of the way from a fill's pixels to its own points.

    Where two fills lie over one another either one counts, whichever fits.
    """
    n, side = len(out), out.shape[-1]
    line = torch.arange(side, device=out.device, dtype=torch.float32)
    here = torch.stack(torch.meshgrid(line, line, indexing="ij"), -1)
    on = (t.first > 0) & (t.weight > 0)
    batch = torch.arange(n, device=out.device)[:, None, None].expand_as(t.first)[on]
    here = here[None].expand(n, -1, -1, -1)[on]
    values = out.permute(0, 2, 3, 1)[on].float()
    offset = values[:, 6:12].reshape(-1, 3, 2) * OFFSET_UNIT
    scale = values[:, 12:15].clamp(-4.0, 6.0)
    losses = []
    for index in (t.first, t.second):
        k = index[on]
        true = torch.nan_to_num(t.points[batch, (k - 1).clamp_min(0)])
        apart = (((here[:, None] + offset - true) ** 2).sum(-1) + 0.01).sqrt()
        loss = (apart * torch.exp(-scale) + 2.0 * scale).sum(1)
        losses.append(torch.where(k > 0, loss, torch.inf))
    return torch.minimum(*losses).mean() if len(values) else out.sum() * 0.0


def loss_of(out: Tensor, t: Targets) -> tuple[Tensor, dict[str, float]]:
    """The whole loss and its parts."""
    out = out.float()
    w = t.weight
    fill = (t.first > 0).float()
    bce = functional.binary_cross_entropy_with_logits
    p = torch.sigmoid(out[:, 0])
    dice = 1 - (2 * (p * fill * w).sum() + 1) / (((p + fill) * w).sum() + 1)
    parts = {
        "fill": 4.0 * bce(out[:, 0], fill, weight=w * (1 + 2 * fill)) + dice,
        "axis": 4.0 * bce(out[:, 1], t.axis, weight=w * (1 + 8 * t.axis)),
        "tooth": bce(out[:, 2], t.tooth, weight=w),
        "start": 0.4 * focal(out[:, 3], t.heat[:, 0], w),
        "end": 0.4 * focal(out[:, 4], t.heat[:, 1], w),
        "apex": 0.6 * focal(out[:, 5], t.heat[:, 2], w),
        "offset": 0.2 * offset_loss(out, t),
    }
    return sum(parts.values()), {name: float(v.detach()) for name, v in parts.items()}


def export(model: nn.Module, path: Path) -> None:
    """Write an ONNX file whose weights are stored in half precision."""
    plain = copy.deepcopy(model).float().cpu().eval()
    example = torch.zeros(1, 1, 512, 384)
    axes = {"film": {2: "rows", 3: "cols"}, "maps": {2: "half_rows", 3: "half_cols"}}
    torch.onnx.export(
        plain, (example,), str(path), input_names=["film"], output_names=["maps"],
        dynamic_axes=axes, opset_version=17, dynamo=False,
    )  # fmt: skip
    onnx.save(in_half_precision(onnx.load(str(path))), str(path))


def in_half_precision(graph: onnx.ModelProto) -> onnx.ModelProto:
    """The same model with its large weights as float16, cast back when it is loaded."""
    kept, casts = [], []
    for weight in graph.graph.initializer:
        values = numpy_helper.to_array(weight)
        if weight.data_type != TensorProto.FLOAT or values.size < 64:
            kept.append(weight)
            continue
        half = weight.name + ".half"
        kept.append(numpy_helper.from_array(values.astype(np.float16), half))
        casts.append(helper.make_node("Cast", [half], [weight.name], to=TensorProto.FLOAT))
    nodes = [*casts, *graph.graph.node]
    del graph.graph.initializer[:], graph.graph.node[:]
    graph.graph.initializer.extend(kept)
    graph.graph.node.extend(nodes)
    return graph


@torch.no_grad()
def follow_mean(mean: nn.Module, model: nn.Module, keep: float) -> None:
    """Running mean of the weights."""
    pairs = zip(mean.state_dict().values(), model.state_dict().values(), strict=True)
    of_kind: dict[bool, list[tuple[Tensor, Tensor]]] = {True: [], False: []}
    for a, b in pairs:
        of_kind[a.dtype.is_floating_point].append((a, b))
    torch._foreach_lerp_(*map(list, zip(*of_kind[True], strict=True)), 1.0 - keep)
    for a, b in of_kind[False]:
        a.copy_(b)


def rate_share(passed: float, seconds: float) -> float:
    """Share of the learning rate: eased in, then half a cosine."""
    ease = min(1.0, passed / EASE_IN_S)
    return max(ease * 0.5 * (1 + math.cos(math.pi * passed / seconds)), 1e-3)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("films", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=500.0)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=float, default=3e-3, help="of learning, at most")
    parser.add_argument("--strength", type=float, default=1.0, help="of changed grey levels")
    parser.add_argument("--start", type=Path, help="weights to go on from")
    options = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(options.seed)
    rng = np.random.default_rng(options.seed)
    torch.backends.cudnn.benchmark = True
    store = FilmStore(options.films, device)
    count = store.read_new(2000)
    model = ProposalNet().to(device)
    began = time.time()
    if options.start is not None:
        model.load_state_dict(torch.load(options.start, map_location=device))
    model = model.to(memory_format=torch.channels_last)
    mean = copy.deepcopy(model).eval()
    optimiser = torch.optim.AdamW(model.parameters(), lr=options.rate, weight_decay=1e-2)
    print(f"{sum(p.numel() for p in model.parameters())} weights, {count} films", flush=True)
    step, last_note = 0, 0
    sums: Counter[str] = Counter()
    next_note, next_copy = time.time() + 20.0, time.time() + 60.0
    while (passed := time.time() - began) < options.seconds:
        for group in optimiser.param_groups:
            group["lr"] = options.rate * rate_share(passed, options.seconds)
        with torch.no_grad():
            x, targets = pictures(store.draw(options.batch, rng), options.strength)
        x = x.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16):
            out = model(x)
        loss, parts = loss_of(out, targets)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(model.parameters(), 2.0)
        if torch.isfinite(loss):
            optimiser.step()
        follow_mean(mean, model, min(0.998, 1 - 1 / (step + 2)))
        step += 1
        sums.update(parts)
        if time.time() > next_note:
            count = store.read_new(300)
            text = " ".join(f"{k} {v / (step - last_note):.3f}" for k, v in sums.items())
            print(f"{passed:.0f} s, step {step}, {count} films: {text}", flush=True)
            sums, last_note = Counter(), step
            next_note += 20.0
        if time.time() > next_copy:
            torch.save(mean.state_dict(), options.out / "weights.pt")
            next_copy += 60.0
    torch.save(mean.state_dict(), options.out / "weights.pt")
    export(mean, options.out / "canals.onnx")
    print(f"{step} steps in {time.time() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
