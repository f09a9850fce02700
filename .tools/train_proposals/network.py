"""The network: a residual U-Net (Ronneberger et al. 2015, doi:10.1007/978-3-319-24574-4_28).

Input (batch, 1, rows, cols) with sides that 32 divides; output (batch, 15, rows / 2, cols / 2),
channels in the order of :data:`CHANNELS`.
"""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional

#: Logits of masks and heat maps; offsets to the own fill's points in `OFFSET_UNIT` output pixels,
#: (row, col) each; logarithms of their scale.
CHANNELS = (
    "fill", "axis", "tooth", "start", "end", "apex",
    "to_start_row", "to_start_col", "to_end_row", "to_end_col", "to_apex_row", "to_apex_col",
    "start_scale", "end_scale", "apex_scale",
)  # fmt: skip
OFFSET_UNIT = 16.0
WIDTHS = (24, 48, 96, 128, 128)
DEPTHS = (1, 1, 2, 2, 1)


class Residual(nn.Module):
    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = nn.Conv2d(width, width, 3, padding=1, bias=False)
        self.norm = nn.BatchNorm2d(width)
        self.second = nn.Conv2d(width, width, 3, padding=1, bias=False)
        self.norm_2 = nn.BatchNorm2d(width)

    def forward(self, x: Tensor) -> Tensor:
        y = functional.relu(self.norm(self.first(x)))
        return functional.relu(x + self.norm_2(self.second(y)))


def convolution(inner: int, outer: int, size: int, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inner, outer, size, stride=stride, padding=size // 2, bias=False),
        nn.BatchNorm2d(outer),
        nn.ReLU(),
    )


class ProposalNet(nn.Module):
    def __init__(self) -> None:
        super().__init__()
        self.stem = convolution(1, WIDTHS[0], 5, stride=2)
        self.down = nn.ModuleList(
            convolution(a, b, 3, stride=2) for a, b in zip(WIDTHS, WIDTHS[1:], strict=False)
        )
        self.inner = nn.ModuleList(
            nn.Sequential(*(Residual(w) for _ in range(n)))
            for w, n in zip(WIDTHS, DEPTHS, strict=True)
        )
        self.merge = nn.ModuleList(
            nn.Sequential(convolution(a + b, a, 1), Residual(a))
            for a, b in zip(WIDTHS, WIDTHS[1:], strict=False)
        )
        self.head = nn.Sequential(convolution(WIDTHS[0], 48, 3), nn.Conv2d(48, len(CHANNELS), 1))

    def forward(self, x: Tensor) -> Tensor:
        x = self.inner[0](self.stem(x))
        kept = [x]
        for down, inner in zip(self.down, list(self.inner)[1:], strict=True):
            x = inner(down(x))
            kept.append(x)
        for skip, merge in zip(kept[-2::-1], list(self.merge)[::-1], strict=True):
            x = functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = merge(torch.cat([skip, x], dim=1))
        return self.head(x)
