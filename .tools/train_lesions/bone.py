"""Marrow, lesions and films drawn on the device over backdrops, new ones for each step.

The marrow is that of `rxmeasure.phantom.texture`, the lesion that of `rxmeasure.phantom.lesion`;
both vary more than there, and dark things that are no lesions are laid beside them, so that the
networks depend less on how the phantom draws them.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from pathlib import Path

import torch
from torch import Tensor
from torch.nn import functional

from rxmeasure.recall.lesion_grid import (
    FARTHEST_MM,
    GRID,
    LINEAR_TO,
    LOG_UNIT,
    NEAR_MM,
    STEP_MM,
)

sys.path.append(str(Path(__file__).parents[1] / "train_proposals"))
from augment import chance, uniform  # noqa: E402

SIDE, DRAWN_MM = 288, 0.1
STRUTS = ((1.1, 0.4), (1.7, 0.8), (2.4, 1.0), (3.4, 1.0), (4.8, 0.8))
ANGLES = 180
#: Share of lesions and marrow as the phantom's.
USUAL = 0.5
#: Width of a film's sharpening: two pixels.
SHARPENED_MM = 0.06


@dataclass(frozen=True)
class Lesions:
    """Lesions of a batch; lengths in mm in the drawn plane. ``lobes``: (n, wave, share / phase)."""

    centre: Tensor
    direction: Tensor
    along: Tensor
    across: Tensor
    lobes: Tensor
    lost: Tensor
    edge: Tensor
    there: Tensor

    def radius(self, angle: Tensor) -> Tensor:
        """Radius by the angle from the root's direction; leading axis n."""
        more = (1,) * (angle.dim() - 1)
        a, b = (0.5 * v.view(-1, *more) for v in (self.along, self.across))
        radius = a * b / torch.hypot(b * torch.cos(angle), a * torch.sin(angle))
        waves = sum(
            self.lobes[:, k, 0].view(-1, *more)
            * torch.cos((k + 2) * angle + self.lobes[:, k, 1].view(-1, *more))
            for k in range(self.lobes.shape[1])
        )
        return radius * (1.0 + waves)

    def polar(self, points: Tensor) -> tuple[Tensor, Tensor]:
        """Distance from the centre and radius there, at points (n, r, c, 2)."""
        away = points - self.centre[:, None, None]
        dy, dx = self.direction[:, None, None].unbind(-1)
        along = away[..., 0] * dy + away[..., 1] * dx
        across = away[..., 1] * dy - away[..., 0] * dx
        return torch.hypot(along, across), self.radius(torch.atan2(across, along))

    def area(self) -> Tensor:
        """Area in mm2."""
        angle = torch.linspace(0.0, 2.0 * math.pi, ANGLES + 1, device=self.along.device)[:-1]
        radius = self.radius(angle[None].expand(len(self.along), -1))
        return math.pi * (radius**2).mean(1)

    def loss(self, points: Tensor) -> tuple[Tensor, Tensor]:
        """Thickness lost and share of the wall that is left."""
        distance, radius = self.polar(points)
        ratio = (distance / radius).clamp(max=1.0)
        dome = torch.sqrt(1.0 - (1.0 - 0.6**2) * ratio**2)
        x = (0.5 + (radius - distance) / self.edge[:, None, None]).clamp(0.0, 1.0)
        lost = x * x * (3.0 - 2.0 * x) * self.there[:, None, None]
        return self.lost[:, None, None] * dome * lost, 1.0 - lost


@dataclass(frozen=True)
class Batch:
    """Input of the networks and what they should answer.

    ``single``: (n, 3, GRID, GRID). ``pair``: (n, 5, GRID, GRID). ``masks``: (n, 2, GRID, GRID).
    ``area``: (n, 2) in mm2 of the networks' grid. ``there``: (n,).
    """

    single: Tensor
    pair: Tensor
    masks: Tensor
    area: Tensor
    there: Tensor


def normal(n: int, sd: float, device: torch.device) -> Tensor:
    return torch.randn(n, device=device) * sd


def band_noise(
    wave: Tensor, width: float, stretch: Tensor | None = None, turn: Tensor | None = None
) -> Tensor:
    """Fields of unit variance with power near one wavelength (n,) in mm."""
    n, device = len(wave), wave.device
    fr = torch.fft.fftfreq(SIDE, DRAWN_MM, device=device)[:, None]
    fc = torch.fft.rfftfreq(SIDE, DRAWN_MM, device=device)[None, :]
    if stretch is None or turn is None:
        f = torch.hypot(fr, fc)[None]
    else:
        c, s = torch.cos(turn)[:, None, None], torch.sin(turn)[:, None, None]
        f = torch.hypot((fr * c + fc * s) * stretch[:, None, None], fc * c - fr * s)
    f = f * wave[:, None, None]
    gain = torch.exp(-0.5 * (torch.log(f.clamp_min(1e-9)) / width) ** 2)
    white = torch.randn(n, SIDE, SIDE // 2 + 1, device=device, dtype=torch.complex64)
    field = torch.fft.irfft2(white * gain, s=(SIDE, SIDE))
    return field / field.std((1, 2), keepdim=True)


def trabecular(finer: Tensor, mix: Tensor) -> Tensor:
    """Texture of marrow about 0, (n, SIDE, SIDE); ``finer`` scales its waves.

    ``mix`` (n, 8): weights of the five struts, and shares of clouds, slow and fine.
    """
    n, device = len(finer), finer.device
    struts = torch.zeros(n, SIDE, SIDE, device=device)
    for k, (wave, weight) in enumerate(STRUTS):
        for _ in range(2):
            field = band_noise(
                wave * finer,
                0.45,
                uniform(n, 1.0, 1.8, device),
                uniform(n, 0.0, math.pi, device),
            )
            sheet = torch.exp(-((field / (0.65 / math.sqrt(wave))) ** 2))
            sheet = sheet * (0.6 + 0.4 * band_noise(3.0 * finer, 0.35))
            sheet = sheet - sheet.mean((1, 2), keepdim=True)
            weights = (weight * mix[:, k])[:, None, None]
            struts = struts + weights * sheet / sheet.std((1, 2), keepdim=True)
    struts = struts / struts.std((1, 2), keepdim=True)
    cloud = band_noise(1.6 * finer, 0.5)
    slow = band_noise(6.0 * finer, 0.6)
    fine = band_noise(0.35 * finer, 0.5)
    shares = [(m * mix[:, 5 + k])[:, None, None] for k, m in enumerate((0.12, 0.14, 0.04))]
    return 0.30 * struts + shares[0] * cloud + shares[1] * slow + shares[2] * fine


def lattice(side: int, step: float, device: torch.device) -> Tensor:
    """Places (side, side, 2) round the middle."""
    line = (torch.arange(side, device=device) - (side - 1) / 2.0) * step
    return torch.stack(torch.meshgrid(line, line, indexing="ij"), -1)


def read_at(maps: Tensor, places: Tensor) -> Tensor:
    """Values of maps (n, k, SIDE, SIDE) at places (n, r, c, 2) in mm from the corner's centre."""
    unit = (places / DRAWN_MM + 0.5) / SIDE * 2.0 - 1.0
    return functional.grid_sample(
        maps, unit.flip(-1), mode="bilinear", padding_mode="border", align_corners=False
    )


def blurred(values: Tensor, sd: Tensor, sharpened: Tensor) -> Tensor:
    """Gaussian blur of (n, SIDE, SIDE) with a standard deviation for each, in mm, sharpened."""
    fr = torch.fft.fftfreq(SIDE, DRAWN_MM, device=values.device)[:, None]
    fc = torch.fft.rfftfreq(SIDE, DRAWN_MM, device=values.device)[None, :]
    f2 = -2.0 * math.pi**2 * (fr**2 + fc**2)[None]
    gain = torch.exp(f2 * sd[:, None, None] ** 2)
    gain = gain * (1.0 + sharpened[:, None, None] * (1.0 - torch.exp(f2 * SHARPENED_MM**2)))
    return torch.fft.irfft2(torch.fft.rfft2(values) * gain, s=(SIDE, SIDE))


class Fields:
    """Textures of marrow on the device, periodic, in groups of like waves and weights.

    Each draw takes them from another place, mirrored or not; `renew` replaces one group.
    """

    def __init__(self, device: torch.device, groups: int = 64, of_a_group: int = 24) -> None:
        self.fields = torch.empty(
            groups, of_a_group, SIDE, SIDE, device=device, dtype=torch.float16
        )
        self._next = 0
        for _ in range(groups):
            self.renew()

    def renew(self) -> None:
        count, device = self.fields.shape[1], self.fields.device
        varied = self._next % 2 == 0
        finer = torch.exp(uniform(1, -0.35, 0.35, device)) if varied else torch.ones(1)
        mix = torch.exp(torch.randn(1, 8, device=device) * 0.5 * varied)
        drawn = trabecular(finer.to(device).repeat(count), mix.repeat(count, 1))
        self.fields[self._next] = drawn.half()
        self._next = (self._next + 1) % len(self.fields)

    def draw(self, usual: Tensor, kinds: int) -> list[Tensor]:
        """``kinds`` fields of one group, (n, SIDE, SIDE) each; the phantom's where ``usual``."""
        n, device = len(usual), usual.device
        groups, count = self.fields.shape[:2]
        group = torch.randint(0, groups, (n,), device=device)
        group = torch.where(usual, group // 2 * 2 + 1, group)
        which = torch.rand(n, count, device=device).argsort(1)
        found = []
        for k in range(kinds):
            lines = []
            for _ in "yx":
                sense = torch.where(chance(n, 0.5, device), 1, -1)[:, None]
                start = torch.randint(0, SIDE, (n, 1), device=device)
                lines.append((start + sense * torch.arange(SIDE, device=device)) % SIDE)
            at = (group[:, None, None], which[:, k, None, None])
            found.append(self.fields[(*at, lines[0][:, :, None], lines[1][:, None])].float())
        return found


def tissues(slant: Tensor, depth: Tensor, usual: Tensor, count: int, store: Fields) -> list[Tensor]:
    """Marrow of ``count`` films of one place round 1, each (n, SIDE, SIDE)."""
    n, device = len(depth), depth.device
    fields = store.draw(usual, 2 if count == 1 else 6)
    common = torch.where(
        usual | chance(n, 0.7, device), uniform(n, 0.5, 0.8, device), uniform(n, 0.2, 1.0, device)
    )
    own, shared = torch.sqrt(1.0 - common), torch.sqrt(common)
    one_layer = ~usual & chance(n, 0.3, device)
    places = lattice(SIDE, DRAWN_MM, device)[None] + (SIDE - 1) / 2.0 * DRAWN_MM
    nets = []
    for film, side in ((0, -0.5), (1, 0.5))[:count]:
        layers = []
        for layer, level in ((0, -3.0), (1, 3.0)):
            if count == 1:
                field = fields[layer]
            else:
                field = shared[:, None, None] * fields[3 * layer]
                field = field + own[:, None, None] * fields[3 * layer + 1 + film]
            shift = -side * (level - depth)[:, None] * slant
            layers.append(read_at(field[:, None], places + shift[:, None, None])[:, 0])
        both = (layers[0] + layers[1]) / math.sqrt(2.0)
        nets.append(1.0 + torch.where(one_layer[:, None, None], layers[0], both))
    # Marrow may be fainter than the phantom's.
    fainter = torch.exp(uniform(n, math.log(0.05), 0.0, device))
    fainter = torch.where(~usual & chance(n, 0.45, device), fainter, 1.0)
    return [1.0 + fainter[:, None, None] * (net - 1.0) for net in nets]


def random_lesions(
    apex: Tensor, direction: Tensor, ridge: Tensor, usual: Tensor
) -> tuple[Lesions, Lesions]:
    """A lesion at two visits: as `rxmeasure.phantom.visits` draws it, and with more freedom."""
    n, device = len(apex), apex.device
    wide = torch.where(
        chance(n, 0.5, device),
        uniform(n, math.log(1.3), math.log(11.0), device),
        uniform(n, math.log(3.0), math.log(8.0), device),
    ).exp()
    ratio = torch.exp(normal(n, 0.14, device))
    shares = torch.rand(n, 3, device=device) * torch.tensor([0.1, 0.07, 0.05], device=device)
    phases = torch.rand(n, 3, device=device) * 2.0 * math.pi
    beyond = wide * uniform(n, 0.05, 0.45, device)
    lost = torch.minimum(0.9 * wide + 1.0, 0.8 * ridge)
    free = ~usual & chance(n, 0.4, device)
    lost = torch.where(free, lost * uniform(n, 0.6, 1.2, device), lost)
    edge = uniform(n, 0.25, 1.0, device)
    aside = normal(n, 0.05, device) * wide * free
    turn = torch.where(free, normal(n, 0.3, device), 0.0)
    c, s = torch.cos(turn), torch.sin(turn)
    towards = torch.stack(
        [direction[:, 0] * c - direction[:, 1] * s, direction[:, 0] * s + direction[:, 1] * c], -1
    )
    across = torch.stack([-towards[:, 1], towards[:, 0]], -1)
    there = 1.0 - 1.0 * chance(n, 0.06, device)
    growth = torch.where(
        chance(n, 0.6, device), uniform(n, -0.9, 0.9, device), uniform(n, -0.3, 0.3, device)
    )
    visits = []
    for second in (False, True):
        share = torch.exp(0.5 * growth) if second else torch.ones(n, device=device)
        other = free if second else torch.zeros_like(free)
        change = torch.exp(normal(n, 0.08, device) * other)
        moved = normal(n, 0.03, device) * wide * other
        visits.append(
            Lesions(
                centre=apex
                + ((beyond + moved) * share)[:, None] * towards
                + (aside * share)[:, None] * across,
                direction=towards,
                along=wide * torch.sqrt(ratio) * share,
                across=wide / torch.sqrt(ratio) * share,
                lobes=torch.stack(
                    [
                        shares + torch.randn(n, 3, device=device) * 0.015 * other[:, None],
                        phases,
                    ],
                    -1,
                ),
                lost=lost * share.clamp(max=1.0) * change,
                edge=edge * torch.exp(normal(n, 0.15, device) * other),
                there=there,
            )
        )
    return visits[0], visits[1]


def attenuations(
    maps: dict[str, Tensor], number: str, net: Tensor, lesions: Lesions, places: Tensor
) -> Tensor:
    """Attenuation of one film on the drawn grid; see `rxmeasure.phantom.scene`."""
    ridge, gum, teeth, socket, lamina = (
        maps[name + number].float() for name in ("ridge", "gum", "teeth", "socket", "lamina")
    )
    full, cortical, volume, texture, cheek = (v[:, None, None] for v in maps["bone"].unbind(-1))
    mu_bone, mu_soft, plain = (v[:, None, None] for v in maps["mu"].unbind(-1))
    plates = torch.minimum(2.0 * cortical, ridge)
    share = volume * (1.0 + texture * (net - 1.0)).clamp_min(0.05)
    loss, left = lesions.loss(places)
    ridge = torch.maximum(ridge - loss, plates)
    marrow = (ridge - plates - lamina).clamp_min(0.0)
    wall = (torch.minimum(lamina, ridge) - socket).clamp_min(0.0) * left
    cover = torch.maximum((ridge - teeth).clamp_min(0.0), 0.25 * ridge.clamp(max=1.0))
    mineral = torch.minimum(plates, cover) + 0.85 * wall + marrow * share
    soft = ((gum - teeth).clamp_min(0.0) - mineral).clamp_min(0.0) + cheek
    return (
        plain + maps["other" + number].float() + mu_bone * (mineral - 5.0) + mu_soft * (soft - 18.0)
    )


def dark_things(places: Tensor, apex: Tensor) -> Tensor:
    """What a cavity with a long border (as the antrum's floor) or a round hole takes away."""
    n, device = len(places), places.device
    turn = uniform(n, 0.0, 2.0 * math.pi, device)
    across = torch.stack([torch.cos(turn), torch.sin(turn)], -1)[:, None, None]
    away = places - apex[:, None, None]
    u = (away * across).sum(-1)
    v = away[..., 0] * across[..., 1] - away[..., 1] * across[..., 0]
    wave = uniform(n, 0.0, 1.2, device)[:, None, None] * torch.sin(
        v / uniform(n, 1.5, 5.0, device)[:, None, None] + turn[:, None, None]
    )
    border = (u - uniform(n, 4.0, 9.0, device)[:, None, None] + wave) / 0.4
    cavity = torch.sigmoid(border) * (0.5 * chance(n, 0.12, device))[:, None, None]
    at = uniform(n, 3.5, 9.0, device)[:, None, None]
    size = uniform(n, 0.5, 1.6, device)[:, None, None]
    hole = torch.sigmoid((size - torch.hypot(u - at, v)) / 0.2)
    return cavity + hole * (0.35 * chance(n, 0.1, device))[:, None, None]


def films(maps: dict[str, Tensor], store: Fields, count: int = 2) -> Batch:
    """Films over a batch of backdrops. With a ``count`` of 1 the second is the first once more."""
    usual = chance(len(maps["depth"]), USUAL, maps["depth"].device)
    nets = tissues(maps["slant"], maps["depth"], usual, count, store)
    return _drawn(maps, nets, usual)


def _drawn(maps: dict[str, Tensor], nets: list[Tensor], usual: Tensor) -> Batch:
    slant, apex = maps["slant"], maps["apex"]
    n, device = len(slant), slant.device
    ridge = maps["bone"][:, 0]
    first, second = random_lesions(apex, maps["direction"], ridge, usual)
    places = lattice(SIDE, DRAWN_MM, device)[None] + (SIDE - 1) / 2.0 * DRAWN_MM
    places = places.expand(n, -1, -1, -1)
    drawn = [
        attenuations(maps, number, net, lesions, places)
        for number, net, lesions in zip("12", nets, (first, second), strict=False)
    ]
    dark = dark_things(places, apex)
    drawn = [a - dark for a in drawn]
    grey = _responses([_as_taken(a) for a in drawn])

    middle = torch.exp(uniform(n, math.log(0.87), math.log(1.15), device))
    radius = torch.sqrt(first.area() / math.pi)
    off = torch.randn(n, 2, device=device) * (uniform(n, 0.05, 0.3, device) * radius + 0.1)[:, None]
    click = first.centre + off
    turn = uniform(n, 0.0, 2.0 * math.pi, device)
    flip = torch.where(chance(n, 0.5, device), 1.0, -1.0)
    c, s = torch.cos(turn), torch.sin(turn)
    matrix = torch.stack([torch.stack([c, -s * flip], -1), torch.stack([s, c * flip], -1)], -2)
    matrix = matrix * middle[:, None, None]
    grid = lattice(GRID, STEP_MM, device)
    at = torch.einsum("nij,rcj->nrci", matrix, grid) + click[:, None, None]
    again = _misplaced(at, click)

    shown = _on_film(at, apex, maps["direction"])
    shown_2 = shown & _on_film(at, apex, maps["direction"])
    within = ((at > 0.0) & (at < (SIDE - 1) * DRAWN_MM)).all(-1)
    shown, shown_2 = shown & within, shown_2 & within
    beyond = read_at(maps["beyond"][:, None].float(), at)[:, 0] / middle[:, None, None]
    lines_known = chance(n, 0.8, device)[:, None, None]
    beyond = torch.where(lines_known, beyond.clamp(max=FARTHEST_MM), FARTHEST_MM)
    g1 = read_at(grey[0][:, None], at)[:, 0]
    g2 = read_at(grey[-1][:, None], again)[:, 0]
    masks = []
    for lesions in (first, second):
        distance, edge = lesions.polar(at)
        masks.append(torch.sigmoid((edge - distance) / 0.05) * first.there[:, None, None])
    area = [lesions.area() / middle**2 for lesions in (first, second)]
    # Either film may be the earlier one.
    back = chance(n, 0.5, device) & (len(drawn) == 2)
    g1, g2 = _swapped(g1, g2, back)
    shown, shown_2 = _swapped(shown, shown_2, back)
    masks = _swapped(*masks, back)
    area = _swapped(*area, back)
    near = grid.norm(dim=-1)[None] < NEAR_MM
    level, spread = bone_level(g1, shown & (beyond > 0.0) & near)
    g1, g2 = (_grainy((g - level) / spread) for g in (g1, g2))
    g2 = _matched(g2)
    g1 = torch.where(shown, compressed(g1), 0.0)
    g2 = torch.where(shown_2, compressed(g2), 0.0)
    on, on_2 = shown.float(), shown_2.float()
    root = beyond / FARTHEST_MM
    return Batch(
        single=torch.stack([g1, on, root], 1),
        pair=torch.stack([g1, g2, on, on_2, root], 1),
        masks=torch.stack(masks, 1),
        area=torch.stack(area, 1),
        there=first.there,
    )


def _swapped(one: Tensor, other: Tensor, where: Tensor) -> list[Tensor]:
    """Both with their places changed in some rows."""
    rows = where.view(-1, *(1,) * (one.dim() - 1))
    return [torch.where(rows, other, one), torch.where(rows, one, other)]


def _as_taken(attenuation: Tensor) -> Tensor:
    """Blurred by focus, detector and the networks' grid, some sharpened."""
    n, device = len(attenuation), attenuation.device
    sd = torch.hypot(uniform(n, 0.02, 0.08, device), torch.tensor(0.5 * STEP_MM, device=device))
    sharpened = uniform(n, 0.2, 0.9, device) * chance(n, 0.4, device)
    return blurred(attenuation, sd, sharpened)


def _grainy(grey: Tensor) -> Tensor:
    """With noise of its own."""
    n, device = len(grey), grey.device
    noise = torch.exp(uniform(n, math.log(0.01), math.log(0.2), device))
    return grey + noise[:, None, None] * torch.randn_like(grey)


def _matched(grey: Tensor) -> Tensor:
    """As a contrast curve that is not quite right leaves a film."""
    n, device = len(grey), grey.device
    gain = torch.exp(normal(n, 0.06, device))[:, None, None]
    off = normal(n, 0.12, device)[:, None, None]
    bend = normal(n, 0.008, device)[:, None, None]
    turn = uniform(n, 0.4, 1.5, device)[:, None, None]
    start = uniform(n, 0.0, 2.0 * math.pi, device)[:, None, None]
    wave = normal(n, 0.06, device)[:, None, None] * torch.sin(turn * grey + start)
    return gain * grey + off + bend * grey.clamp(-LINEAR_TO, LINEAR_TO) ** 2 + wave


def _responses(drawn: list[Tensor]) -> list[Tensor]:
    """Grey levels as a detector shows them, the same response for both films."""
    n, device = len(drawn[0]), drawn[0].device
    low = uniform(n, 0.1, 0.45, device)[:, None, None]
    high = uniform(n, 2.2, 3.3, device)[:, None, None]
    linear = chance(n, 0.4, device)[:, None, None]
    gamma = torch.where(
        linear[:, 0, 0], uniform(n, 0.5, 0.9, device), uniform(n, 0.75, 1.3, device)
    )[:, None, None]
    found = []
    for a in drawn:
        as_log = (a - low) / (high - low)
        as_signal = (torch.exp(-low) - torch.exp(-a)) / (torch.exp(-low) - torch.exp(-high))
        grey = 0.06 + 0.86 * torch.where(linear, as_signal, as_log)
        found.append(grey.clamp(1e-3, 1.0) ** (1.0 / gamma))
    return found


def _misplaced(at: Tensor, middle: Tensor) -> Tensor:
    """Where an alignment that is slightly off puts the second film's points."""
    n, device = len(at), at.device
    away = at - middle[:, None, None]
    scale = 1.0 + normal(n, 0.006, device)
    turn = normal(n, 0.005, device)
    shear = torch.randn(n, 2, 2, device=device) * 0.004
    c, s = torch.cos(turn) * scale, torch.sin(turn) * scale
    matrix = torch.stack([torch.stack([c, -s], -1), torch.stack([s, c], -1)], -2) + shear
    shift = torch.randn(n, 2, device=device) * uniform(n, 0.01, 0.12, device)[:, None]
    return torch.einsum("nij,nrcj->nrci", matrix, away) + (middle + shift)[:, None, None]


def _on_film(at: Tensor, apex: Tensor, direction: Tensor) -> Tensor:
    """Whether places are on a receptor that ends somewhere beyond the apex and beside it."""
    n, device = len(at), at.device
    turn = normal(n, 0.15, device)
    c, s = torch.cos(turn), torch.sin(turn)
    towards = torch.stack(
        [direction[:, 0] * c - direction[:, 1] * s, direction[:, 0] * s + direction[:, 1] * c], -1
    )
    away = at - apex[:, None, None]
    along = (away * towards[:, None, None]).sum(-1)
    across = away[..., 1] * towards[:, None, None, 0] - away[..., 0] * towards[:, None, None, 1]
    end = uniform(n, 3.0, 14.0, device)[:, None, None]
    left = uniform(n, 5.0, 22.0, device)[:, None, None]
    right = uniform(n, 5.0, 22.0, device)[:, None, None]
    return (along < end) & (across > -left) & (across < right)


def compressed(grey: Tensor) -> Tensor:
    """Far grey levels by their logarithm; see `rxmeasure.recall.lesion_grid`."""
    beyond = (grey.abs() - LINEAR_TO).clamp_min(0.0)
    far = torch.sign(grey) * LOG_UNIT * torch.log1p(beyond / LOG_UNIT)
    return grey.clamp(-LINEAR_TO, LINEAR_TO) + far


def bone_level(grey: Tensor, where: Tensor) -> tuple[Tensor, Tensor]:
    """Median of the bone and its spread, (n, 1, 1)."""
    values = torch.where(where, grey, torch.nan).flatten(1)
    middle = values.nanmedian(1, keepdim=True).values
    spread = 1.4826 * (values - middle).abs().nanmedian(1, keepdim=True).values
    middle, spread = torch.nan_to_num(middle), torch.nan_to_num(spread, nan=1.0)
    return middle[..., None], spread.clamp_min(1e-4)[..., None]
