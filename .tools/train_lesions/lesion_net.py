"""The networks of the lesions: outlines as maps, and areas with their error.

A residual U-Net (Ronneberger et al. 2015, doi:10.1007/978-3-319-24574-4_28). Beside the map of
each lesion it answers numbers, each with the logarithm of its standard deviation.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional

sys.path.append(str(Path(__file__).parents[1] / "train_proposals"))
from network import Residual, convolution  # noqa: E402

WIDTHS = (32, 48, 96, 144, 192)
DEPTHS = (1, 3, 4, 3, 2)


class LesionNet(nn.Module):
    """One film (3 channels, 1 map) or two (5 channels, 2 maps).

    Answers maps (n, films, side, side), and numbers (n, 5): whether there is a lesion (logit), log
    area of the first, log of its standard deviation, log ratio of areas, log of its deviation.
    """

    def __init__(self, channels: int, films: int) -> None:
        super().__init__()
        pairs = list(pairwise(WIDTHS))
        self.stem = convolution(channels, WIDTHS[0], 5)
        self.down = nn.ModuleList(convolution(a, b, 3, stride=2) for a, b in pairs)
        self.inner = nn.ModuleList(
            nn.Sequential(*(Residual(w) for _ in range(n)))
            for w, n in zip(WIDTHS, DEPTHS, strict=True)
        )
        self.merge = nn.ModuleList(
            nn.Sequential(convolution(a + b, a, 1), Residual(a)) for a, b in pairs
        )
        self.maps = nn.Conv2d(WIDTHS[0], films, 1)
        self.features = convolution(WIDTHS[0], 64, 3, stride=2)
        self.numbers = nn.Sequential(
            nn.Linear(64 * (1 + 2 * films) + 2 * WIDTHS[-1] + films, 256),
            nn.ReLU(),
            nn.Linear(256, 128),
            nn.ReLU(),
            nn.Linear(128, 5),
        )

    def go_on_from(self, weights: dict[str, Tensor]) -> None:
        """Take trained weights; blocks that they lack pass on what they get."""
        lacking = self.load_state_dict(weights, strict=False).missing_keys
        for name, part in self.named_modules():
            if isinstance(part, Residual) and f"{name}.first.weight" in lacking:
                nn.init.zeros_(part.norm_2.weight)

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        x = self.inner[0](self.stem(x))
        kept = [x]
        for down, inner in zip(self.down, list(self.inner)[1:], strict=True):
            x = inner(down(x))
            kept.append(x)
        deepest = [x.mean((2, 3)), x.amax((2, 3))]
        for skip, merge in zip(kept[-2::-1], list(self.merge)[::-1], strict=True):
            x = functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = merge(torch.cat([skip, x], dim=1))
        maps = self.maps(x)
        seen = torch.sigmoid(maps).detach()
        size = torch.log(seen.mean((2, 3)) + 1e-4)
        features = self.features(x)
        coarse = functional.avg_pool2d(seen, 2)
        pooled = [features.mean((2, 3))]
        for k in range(coarse.shape[1]):
            inside = coarse[:, k : k + 1]
            for weight in (inside, 4.0 * inside * (1.0 - inside)):
                total = (features * weight).sum((2, 3))
                pooled.append(total / (weight.sum((2, 3)) + 1.0))
        numbers = self.numbers(torch.cat([*pooled, *deepest, size], dim=1))
        return maps, numbers
