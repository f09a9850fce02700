"""Train the networks of the lesions on films drawn by bone.py over backdrops of backdrops.py.

    python .tools/train_lesions/fit.py BACKDROPS OUT --films 1|2 [--seconds 400]
    python -m torch.distributed.run --nproc-per-node N -- .tools/train_lesions/fit.py ...

Needs torch and onnx, which the project itself does not; the second way trains on N devices at once.
The learning rate follows the clock, so that a run gives a like network, not the same. ``--start``
takes the weights of a run (``.pt``) or of a network in the project (``.onnx``). These come from the
following runs, each from the weights of the one before and on backdrops of its own (first seeds
200000 to 240000, about 1400 each; 4678 from 270000, 4779 from 280000, two times 5000 from 300000):

    --films 1: 455 s, 330 s, 300 s, 220 s, 456 s (--rate 0.0015), 536 s (--rate 0.0012), 430 s
        (--rate 0.0015), 491 s (--rate 0.0012), 489 s (--rate 0.001)
    --films 2: 455 s, 515 s, 515 s, 465 s, 545 s, 330 s, 70 s on four devices (--rate 0.001), then
        on three: 448 s (--rate 0.0015), 526 s (--rate 0.0012), 525 s (--rate 0.001)

Between them what bone.py varies grew: either film as the first, sharpening and contrast of each
film (from the third), faint marrow (from the fifth of the pairs). Before the fifth run of single
films and the seventh of the pairs the networks became deeper, each lesion got marrow of its own,
and half of the lesions became like the phantom's. The loss of what is told of a change fell in the
last three runs to -6.04, -6.28 and -6.42 (-5.4 before), still a little at the end.
"""

from __future__ import annotations

import argparse
import copy
import os
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np
import onnx
import torch
from bone import Batch, Fields, films
from lesion_net import LesionNet
from torch import Tensor, nn
from torch.nn import functional
from torch.nn.parallel import DistributedDataParallel
from weights import go_on_from

sys.path.append(str(Path(__file__).parents[1] / "train_proposals"))
from train import follow_mean, in_half_precision, rate_share  # noqa: E402

from rxmeasure.recall.lesion_grid import GRID, STEP_MM  # noqa: E402

#: So many batches say what the norms are where weights come from an ONNX file.
NORM_BATCHES = 20


class Clock:
    """Seconds since it was made, the same for all processes."""

    def __init__(self, device: torch.device, count: int) -> None:
        self._began, self._device, self._count = time.time(), device, count

    def __call__(self) -> float:
        passed = torch.tensor(time.time() - self._began, device=self._device)
        if self._count > 1:
            torch.distributed.broadcast(passed, 0)
        return float(passed)


class Backdrops:
    """Backdrops on the device, each process its share."""

    def __init__(self, folder: Path, device: torch.device, rank: int, processes: int) -> None:
        self.maps: dict[str, Tensor] = {}
        parts: dict[str, list[np.ndarray]] = {}
        for path in sorted(folder.glob("*.npz"))[rank::processes]:
            with np.load(path) as film:
                for name in film.files:
                    parts.setdefault(name, []).append(film[name])
        for name, values in parts.items():
            self.maps[name] = torch.as_tensor(np.stack(values)).to(device)
        self.count = len(self.maps["depth"])

    def draw(self, n: int) -> dict[str, Tensor]:
        chosen = torch.randint(0, self.count, (n,), device=self.maps["depth"].device)
        return {name: values[chosen] for name, values in self.maps.items()}


def loss_of(
    maps: Tensor, numbers: Tensor, batch: Batch, count: int
) -> tuple[Tensor, dict[str, Tensor]]:
    """Outlines by cross entropy, numbers by normal likelihood."""
    maps, numbers = maps.float(), numbers.float()
    there = batch.there
    bce = functional.binary_cross_entropy_with_logits
    truth = batch.masks[:, :count]
    outline = bce(maps, truth, reduction="none").mean((2, 3)).sum(1)
    # A small lesion's outline counts as much as a large one's.
    share = batch.masks[:, :1].mean((2, 3))[:, 0]
    outline = (outline / torch.sqrt(share + 0.002)).mean()
    area = torch.log(batch.area)
    cell = STEP_MM**2 * GRID**2
    size = torch.log(torch.sigmoid(maps).detach().mean((2, 3)) + 1e-4) + np.log(cell)
    log_sd = numbers[:, 2].clamp(-5.0, 2.0)
    off = size[:, 0] + numbers[:, 1] - area[:, 0]
    single = (0.5 * (off * torch.exp(-log_sd)).clamp(-8.0, 8.0) ** 2 + log_sd) * there
    parts = {
        "outline": 3.0 * outline,
        "there": 0.2 * bce(numbers[:, 0], there),
        "area": 0.3 * single.sum() / there.sum(),
    }
    if count == 2:
        log_sd = numbers[:, 4].clamp(-5.0, 2.0)
        off = size[:, 1] - size[:, 0] + numbers[:, 3] - (area[:, 1] - area[:, 0])
        change = (0.5 * (off * torch.exp(-log_sd)).clamp(-8.0, 8.0) ** 2 + log_sd) * there
        parts["change"] = 3.0 * change.sum() / there.sum()
    return sum(parts.values()), parts


class Exported(nn.Module):
    """The network with its numbers finished: logit, log area, its sd, log ratio, its sd."""

    def __init__(self, net: LesionNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        maps, numbers = self.net(x)
        size = torch.log(torch.sigmoid(maps).mean((2, 3)) + 1e-4)
        size = size + float(np.log(STEP_MM**2 * GRID**2))
        first = size[:, :1] + numbers[:, 1:2]
        ratio = size[:, -1:] - size[:, :1] + numbers[:, 3:4]
        sd = torch.exp(numbers[:, (2, 4)].clamp(-5.0, 2.0))
        return maps, torch.cat([numbers[:, :1], first, sd[:, :1], ratio, sd[:, 1:]], dim=1)


def export(net: LesionNet, channels: int, path: Path) -> None:
    plain = Exported(copy.deepcopy(net).float().cpu()).eval()
    axes = {name: {0: "films"} for name in ("films", "maps", "numbers")}
    torch.onnx.export(
        plain, (torch.zeros(2, channels, GRID, GRID),), str(path), input_names=["films"],
        output_names=["maps", "numbers"], dynamic_axes=axes, opset_version=17, dynamo=False,
    )  # fmt: skip
    onnx.save(in_half_precision(onnx.load(str(path))), str(path))


def save(net: LesionNet, path: Path) -> None:
    """Weights in half precision, to go on from."""
    weights = net.state_dict()
    torch.save({k: v.half() if v.is_floating_point() else v for k, v in weights.items()}, path)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("backdrops", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--films", type=int, choices=(1, 2), required=True)
    parser.add_argument("--seconds", type=float, default=400.0)
    parser.add_argument("--batch", type=int, default=120, help="films or pairs, on each device")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--start", type=Path, help="weights to go on from")
    options = parser.parse_args()
    # One process for each device, as torchrun starts them.
    rank, count = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
    device = torch.device("cuda", rank) if torch.cuda.is_available() else torch.device("cpu")
    if count > 1:
        torch.cuda.set_device(device)
        torch.distributed.init_process_group("nccl")
    torch.backends.cudnn.benchmark = True
    torch.manual_seed(options.seed)
    channels = 3 if options.films == 1 else 5
    net = LesionNet(channels, options.films).to(device)
    backdrops, fields = Backdrops(options.backdrops, device, rank, count), Fields(device)

    def drawn() -> tuple[Batch, Tensor]:
        with torch.no_grad():
            batch = films(backdrops.draw(options.batch), fields, options.films)
        return batch, batch.single if options.films == 1 else batch.pair

    if options.start is not None:
        go_on_from(net, options.start, (drawn()[1] for _ in range(NORM_BATCHES)))
    net = net.to(memory_format=torch.channels_last)
    torch.manual_seed(1000 * options.seed + rank)
    mean = copy.deepcopy(net).eval()
    trained = DistributedDataParallel(net, device_ids=[rank]) if count > 1 else net
    optimiser = torch.optim.AdamW(net.parameters(), lr=options.rate, weight_decay=1e-2)
    name = f"lesion_{options.films}"
    weights = sum(p.numel() for p in net.parameters())
    print(f"{weights} weights, {backdrops.count} backdrops", flush=True)
    passed_s = Clock(device, count)
    step, last, passed = 0, 0, 0.0
    sums: Counter[str] = Counter()
    next_note, next_copy = 20.0, 60.0
    while passed < options.seconds:
        for group in optimiser.param_groups:
            group["lr"] = options.rate * rate_share(passed, options.seconds)
        if step % 4 == 0:
            fields.renew()
        batch, x = drawn()
        x = x.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16):
            maps, numbers = trained(x)
        loss, parts = loss_of(maps, numbers, batch, options.films)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        norm = nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        if torch.isfinite(norm):
            optimiser.step()
        follow_mean(mean, net, min(0.999, 1 - 1 / (step + 2)))
        step += 1
        sums.update({k: v.detach() for k, v in parts.items()})
        if step % 20 == 0:
            passed = passed_s()
        if rank == 0 and passed > next_note:
            text = " ".join(f"{k} {float(v) / (step - last):.4f}" for k, v in sums.items())
            print(f"{name} {passed:.0f} s, step {step}: {text}", flush=True)
            sums, last = Counter(), step
            next_note += 20.0
        if rank == 0 and passed > next_copy:
            save(mean, options.out / f"{name}.pt")
            next_copy += 60.0
    if rank == 0:
        save(mean, options.out / f"{name}.pt")
        export(mean, channels, options.out / f"{name}.onnx")
        print(f"{name}: {step} steps in {passed:.0f} s", flush=True)
    if count > 1:
        torch.distributed.destroy_process_group()


if __name__ == "__main__":
    main()
