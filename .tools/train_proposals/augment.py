"""Films turned, zoomed, cut out and changed in their grey levels, whole batches on one device.

The phantom shows one way to take a film; the network must not depend on it. So the grey levels of
each film are changed far more than any film on a desk would be, and bright and dark things are
laid over it that have nothing to do with fills.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

#: Side of a training picture in pixels, and what a pixel of it measures (mm).
SIDE = 448
PIXEL_MM = (0.044, 0.115)
#: A fill's axis as a soft line, a point as a soft spot: standard deviations in output pixels.
AXIS_SD = 0.9
SPOT_SD = 1.5


@dataclass(frozen=True)
class Films:
    """Films of one size on the device; see films.py for the fields."""

    grey: Tensor
    first: Tensor
    second: Tensor
    axis: Tensor
    tooth: Tensor
    points: Tensor
    mm_per_px: Tensor


@dataclass(frozen=True)
class Targets:
    """Targets on the output grid (half of the picture's).

    ``points``: (batch, canal, start / end / apex, row / col) in output pixels. ``heat``: (batch,
    3, rows, cols). ``weight``: 0 where something is laid over the picture.
    """

    first: Tensor
    second: Tensor
    axis: Tensor
    tooth: Tensor
    heat: Tensor
    points: Tensor
    weight: Tensor


def uniform(n: int, low: float, high: float, device: torch.device) -> Tensor:
    return torch.rand(n, device=device) * (high - low) + low


def chance(n: int, p: float, device: torch.device) -> Tensor:
    return torch.rand(n, device=device) < p


def placements(films: Films, n: int) -> tuple[Tensor, Tensor]:
    """Matrices (n, 2, 2) and offsets (n, 2) from picture pixels to film pixels, (row, col)."""
    device = films.grey.device
    rows, cols = films.grey.shape[1:]
    pixel = torch.exp(uniform(n, math.log(PIXEL_MM[0]), math.log(PIXEL_MM[1]), device))
    usual = chance(n, 0.4, device)
    pixel = torch.where(usual, uniform(n, 0.062, 0.08, device), pixel)
    scale = pixel / films.mm_per_px
    quarter = torch.randint(0, 4, (n,), device=device) * (0.5 * math.pi)
    small = uniform(n, -0.3, 0.3, device)
    any_turn = uniform(n, 0.0, 2.0 * math.pi, device)
    turn = torch.where(chance(n, 0.25, device), any_turn, quarter + small)
    flip = torch.where(chance(n, 0.5, device), 1.0, -1.0)
    stretch = torch.exp(uniform(n, -0.08, 0.08, device))
    c, s = torch.cos(turn), torch.sin(turn)
    matrix = torch.stack([torch.stack([c, -s], -1), torch.stack([s, c], -1)], -2)
    matrix = matrix * (scale[:, None] * torch.stack([stretch, flip / stretch], -1))[:, None, :]
    middle = torch.tensor([(rows - 1) / 2, (cols - 1) / 2], device=device)
    spread = 0.25 * middle + 10.0
    centre = middle + torch.randn(n, 2, device=device) * spread * uniform(n, 0, 1, device)[:, None]
    offset = centre - (matrix @ torch.full((2, 1), (SIDE - 1) / 2, device=device))[..., 0]
    return matrix, offset


def sampled(images: Tensor, matrix: Tensor, offset: Tensor, points: Tensor, mode: str) -> Tensor:
    """Values at picture points (rows, cols, 2) of images (n, channels, rows, cols)."""
    at = torch.einsum("nij,rcj->nrci", matrix, points) + offset[:, None, None]
    size = torch.tensor(images.shape[2:], device=images.device)
    unit = (at + 0.5) / size * 2.0 - 1.0
    return functional.grid_sample(
        images, unit.flip(-1), mode=mode, padding_mode="border", align_corners=False
    )


def lattice(side: int, step: float, device: torch.device) -> Tensor:
    """Centres of cells ``step`` picture pixels wide, in picture pixels."""
    line = (torch.arange(side, device=device) + 0.5) * step - 0.5
    return torch.stack(torch.meshgrid(line, line, indexing="ij"), -1)


def pictures(films: Films, strength: float = 1.0) -> tuple[Tensor, Targets]:
    """Pictures (n, 1, SIDE, SIDE), 0..1 over what each uses, and their targets."""
    n, device = len(films.grey), films.grey.device
    rows, cols = films.grey.shape[1:]
    matrix, offset = placements(films, n)
    grey = films.grey[:, None].float() / 65535.0
    x = sampled(grey, matrix, offset, lattice(2 * SIDE, 0.5, device), "bilinear")
    x = functional.avg_pool2d(x, 2)
    where = torch.einsum("nij,rcj->nrci", matrix, lattice(SIDE, 1.0, device))
    where = where + offset[:, None, None]
    limit = torch.tensor([rows - 0.5, cols - 0.5], device=device)
    inside = ((where > -0.5) & (where < limit)).all(-1)[:, None]

    half = lattice(SIDE // 2, 2.0, device)
    index = torch.stack([films.first, films.second], 1).float()
    index = sampled(index, matrix, offset, half, "nearest").round().long()
    soft = torch.stack([films.axis, films.tooth], 1).float()
    soft = sampled(soft, matrix, offset, half, "bilinear")
    inside_half = functional.max_pool2d((~inside).float(), 2) < 0.5
    index = index * inside_half
    scale = (matrix.det().abs().sqrt() * 2.0)[:, None, None]
    distance = soft[:, 0] / 10.0 / scale
    axis = torch.exp(-0.5 * (distance / AXIS_SD) ** 2) * (index[:, 0] > 0)
    tooth = soft[:, 1] / 255.0 * inside_half[:, 0]
    back = torch.linalg.inv(matrix)
    points = torch.einsum("nij,nkpj->nkpi", back, films.points - offset[:, None, None])
    points = (points - 0.5) / 2.0

    x, shown = appearance(x, inside, strength)
    weight = functional.avg_pool2d(shown.float(), 2)[:, 0] > 0.5
    targets = Targets(
        first=index[:, 0], second=index[:, 1], axis=axis, tooth=tooth,
        heat=spots(points, SIDE // 2), points=points, weight=weight.float(),
    )  # fmt: skip
    return x, targets


def spots(points: Tensor, side: int) -> Tensor:
    """Soft spots round points, (n, 3, side, side)."""
    line = torch.arange(side, device=points.device, dtype=torch.float32)
    far = torch.nan_to_num(points, nan=-1e4)
    along = [torch.exp(-0.5 * ((line - far[..., k, None]) / SPOT_SD) ** 2) for k in (0, 1)]
    return torch.einsum("nkpr,nkpc->nkprc", *along).amax(1)


def gaussian(x: Tensor, sd: Tensor, reach: int) -> Tensor:
    """Each picture smoothed by its own standard deviation (pixels)."""
    n = len(x)
    t = torch.arange(-reach, reach + 1, device=x.device, dtype=torch.float32)
    kernel = torch.exp(-0.5 * (t / sd[:, None].clamp_min(1e-3)) ** 2)
    kernel = (kernel / kernel.sum(1, keepdim=True))[:, None]
    y = functional.pad(x.transpose(0, 1), (reach, reach, reach, reach), mode="reflect")
    y = functional.conv2d(y, kernel[:, :, None, :], groups=n)
    y = functional.conv2d(y, kernel[:, :, :, None], groups=n)
    return y.transpose(0, 1)


def broad(x: Tensor, sd: float) -> Tensor:
    """Smoothed broadly, by way of a smaller picture."""
    step = 8
    small = functional.avg_pool2d(x, step)
    small = gaussian(small, torch.full((len(x),), sd / step, device=x.device), 12)
    return functional.interpolate(small, scale_factor=step, mode="bilinear")


def stretched(x: Tensor, counted: Tensor) -> Tensor:
    """0..1 between the 0.5th and 99.5th percentile of what counts, as at the time of use."""
    thin = torch.where(counted, x, torch.nan)[:, :, ::3, ::3].flatten(1)
    share = torch.tensor([0.005, 0.995], device=x.device)
    low, high = torch.nanquantile(thin, share, dim=1)
    low, high = torch.nan_to_num(low, 0.0), torch.nan_to_num(high, 1.0)
    return (x - low[:, None, None, None]) / (high - low).clamp_min(1e-3)[:, None, None, None]


def appearance(x: Tensor, inside: Tensor, strength: float) -> tuple[Tensor, Tensor]:
    """Changed grey levels, and where the film is still shown."""
    n, device = len(x), x.device

    def each(values: Tensor) -> Tensor:
        return values[:, None, None, None]

    def some(p: float, new: Tensor, old: Tensor) -> Tensor:
        return torch.where(each(chance(n, p * strength, device)), new, old)

    x = stretched(x, inside)
    field = broad(torch.randn(n, 1, SIDE, SIDE, device=device), 60.0)
    field = field / field.flatten(1).std(1)[:, None, None, None].clamp_min(1e-6)
    x = some(0.5, x + each(uniform(n, 0.02, 0.15, device)) * field, x)
    x, covered = with_shapes(x)
    x = some(0.4, gaussian(x, uniform(n, 0.3, 1.5, device), 5), x)
    fine = torch.randn_like(x)
    coarse = gaussian(fine, uniform(n, 0.5, 1.2, device), 4)
    coarse = coarse / coarse.flatten(1).std(1)[:, None, None, None]
    noise = some(0.5, fine, coarse) * each(uniform(n, 0.0, 1.0, device) ** 2 * 0.07)
    x = some(0.7, x + noise, x)
    x = x.clamp(0.0, 1.3)
    gamma = torch.exp(uniform(n, math.log(0.5), math.log(2.0), device))
    x = some(0.7, x.clamp_min(1e-4) ** each(gamma), x)
    mean = broad(x, 40.0)
    spread = broad((x - mean) ** 2, 40.0).clamp_min(1e-6).sqrt()
    local = 0.5 + 0.22 * (x - mean) / (spread + 0.03)
    x = some(0.35, x + each(uniform(n, 0.2, 1.0, device)) * (local - x), x)
    sharp = x - gaussian(x, uniform(n, 0.8, 4.0, device), 10)
    x = some(0.4, x + each(uniform(n, 0.3, 2.5, device)) * sharp, x)
    x = stretched(x, inside)
    cut = each(uniform(n, -0.02, 0.08, device))
    x = some(0.4, (x - cut) / (1.0 - cut - each(uniform(n, -0.02, 0.12, device))), x)
    levels = each(torch.exp(uniform(n, math.log(40.0), math.log(255.0), device)))
    x = some(0.4, (x.clamp(0, 1) * levels).round() / levels, x)
    x = some(0.3, compressed(x.clamp(0, 1)), x)
    x = stretched(x, inside)
    frame = framed(n, device)
    ends = torch.tensor([0.0, 1.0, 0.5], device=device)[torch.randint(0, 3, (n,), device=device)]
    x = some(0.75, torch.where(inside, x, each(ends)), x)
    x = torch.where(frame, x, each(ends.round()))
    inside = inside & frame
    x = stretched(x, inside).clamp(-0.2, 1.3)
    return x, inside & ~covered


def framed(n: int, device: torch.device) -> Tensor:
    """Inside of a receptor's rim with round corners, a little askew, on three of ten pictures."""
    at = (lattice(SIDE, 1.0, device) - (SIDE - 1) / 2) / (SIDE / 2)
    turn = uniform(n, -0.1, 0.1, device)
    c, s = torch.cos(turn)[:, None, None], torch.sin(turn)[:, None, None]
    u = (at[..., 0] * c + at[..., 1] * s).abs()
    v = (at[..., 1] * c - at[..., 0] * s).abs()
    corner = uniform(n, 0.05, 0.5, device)[:, None, None]
    half = uniform(n, 0.7, 1.0, device)[:, None, None]
    wide = half * uniform(n, 0.75, 1.0, device)[:, None, None]
    away = torch.hypot((u - half + corner).clamp_min(0), (v - wide + corner).clamp_min(0))
    return ((away < corner) | ~chance(n, 0.3, device)[:, None, None])[:, None]


def with_shapes(x: Tensor) -> tuple[Tensor, Tensor]:
    """Clamps, holders, plates, wires, marks, crowns: shapes laid over; and where they hide all."""
    n, device = len(x), x.device
    at = lattice(SIDE, 1.0, device)
    covered = torch.zeros_like(x, dtype=torch.bool)
    for kind in ("bar", "bar", "patch", "patch", "mark", "mark", "corner", "rim"):
        turn = uniform(n, 0.0, math.pi, device)
        c, s = torch.cos(turn)[:, None, None], torch.sin(turn)[:, None, None]
        place = torch.rand(n, 2, device=device) * SIDE
        if kind == "bar":
            long, wide = uniform(n, 40, 500, device), torch.exp(uniform(n, 0.3, 3.0, device))
        elif kind == "patch":
            long, wide = uniform(n, 8, 70, device), uniform(n, 6, 40, device)
        elif kind == "mark":
            long, wide = uniform(n, 3, 16, device), uniform(n, 1, 4, device)
        elif kind == "rim":
            long, wide = uniform(n, 100, 500, device), uniform(n, 2, 16, device)
            upright = chance(n, 0.5, device)[:, None, None]
            c, s = torch.where(upright, 1.0, 0.0), torch.where(upright, 0.0, 1.0)
            place = (torch.randint(0, 2, (n, 2), device=device) * 0.98 + 0.01) * SIDE
        else:
            long, wide = uniform(n, 60, 200, device), uniform(n, 40, 160, device)
            place = torch.randint(0, 2, (n, 2), device=device) * float(SIDE)
        d = at[None] - place[:, None, None]
        bend = uniform(n, -0.004, 0.004, device)[:, None, None]
        u = d[..., 0] * c + d[..., 1] * s
        v = d[..., 1] * c - d[..., 0] * s + bend * u * u
        p = torch.where(chance(n, 0.5, device), 2.0, 8.0)[:, None, None]
        half_long, half_wide = long[:, None, None], wide[:, None, None]
        r = (u / half_long).abs() ** p + (v / half_wide).abs() ** p
        solid = ((r < 1.0) & chance(n, 0.16, device)[:, None, None])[:, None]
        level = torch.where(chance(n, 0.75, device), uniform(n, 0.7, 1.4, device), 0.0)
        over = chance(n, 0.5, device)[:, None, None, None]
        replaced = level[:, None, None, None].expand_as(x)
        added = x + 0.5 * replaced
        x = torch.where(solid, torch.where(over, replaced, added), x)
        covered = covered | (solid & over)
    return x, covered


def compressed(x: Tensor) -> Tensor:
    """Blocks of 8 x 8 in cosines, rounded as a JPEG file does (luminance table of its annex K)."""
    device = x.device
    k = torch.arange(8, device=device, dtype=torch.float32)
    basis = torch.cos(math.pi * (k[None, :] + 0.5) * k[:, None] / 8.0) * 0.5
    basis[0] *= math.sqrt(0.5)
    n, _, rows, cols = x.shape
    blocks = (x * 255.0 - 128.0).reshape(n, rows // 8, 8, cols // 8, 8).transpose(2, 3)
    table = 10.0 + 5.0 * (k[:, None] + k[None, :])
    table = table * uniform(n, 0.2, 1.6, device)[:, None, None, None, None]
    waves = ((basis @ blocks @ basis.T) / table).round() * table
    blocks = basis.T @ waves @ basis
    return (blocks.transpose(2, 3).reshape(n, 1, rows, cols) + 128.0) / 255.0
