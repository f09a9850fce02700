"""The trained network: what must not change its proposals, and what happens without it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from rxmeasure.proposals import CanalProposal, Proposals, network, propose
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.trained_network import trained_network

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
#: Ends and apex stay within this distance (choice: half a pixel of the network's maps is 0.07 mm).
END_MM, APEX_MM = 0.25, 0.5
Points = tuple[float, float]
Change = Callable[[np.ndarray], np.ndarray]


@pytest.fixture
def network_forgotten() -> Iterator[None]:
    """The network is looked for anew."""
    trained_network.cache_clear()
    yield
    trained_network.cache_clear()


def film(name: str = "curved_molar.tif") -> Radiograph:
    return read_radiograph(SAMPLES / name)


def with_pixels(radiograph: Radiograph, pixels: np.ndarray) -> Radiograph:
    return replace(radiograph, pixels=np.ascontiguousarray(pixels, dtype=radiograph.pixels.dtype))


def points_of(proposal: CanalProposal) -> list[Points]:
    assert proposal.apex_px is not None
    return [proposal.fill_start_px, proposal.fill_end_px, proposal.apex_px]


def same(one: Proposals, other: Proposals, back: Callable[[Points], Points], mm: float) -> None:
    """Each canal of one has its like in the other."""
    assert len(one.canals) == len(other.canals) > 0
    for canal in one.canals:
        wanted = np.array(points_of(canal)) * mm
        found = [np.array([back(p) for p in points_of(c)]) * mm for c in other.canals]
        off = min((np.linalg.norm(f - wanted, axis=1) for f in found), key=lambda d: float(d.max()))
        assert (off < (END_MM, END_MM, APEX_MM)).all()


MOVED: dict[str, tuple[Change, Callable[[Points, tuple[int, int]], Points]]] = {
    "mirrored": (lambda x: x[:, ::-1], lambda p, s: (p[0], s[1] - 1 - p[1])),
    "upside down": (lambda x: x[::-1], lambda p, s: (s[0] - 1 - p[0], p[1])),
    "transposed": (lambda x: x.T, lambda p, _: (p[1], p[0])),
    "a quarter turned": (lambda x: np.rot90(x), lambda p, s: (p[1], s[1] - 1 - p[0])),
}


@pytest.mark.parametrize("change", MOVED)
def test_a_film_put_down_another_way(change: str) -> None:
    radiograph = film()
    moved, back = MOVED[change]
    turned = propose(with_pixels(radiograph, moved(radiograph.pixels)))
    same(propose(radiograph), turned, lambda p: back(p, radiograph.shape), 0.046)


def _unit(pixels: np.ndarray) -> np.ndarray:
    return (pixels - pixels.min()) / np.ptp(pixels)


GREY: dict[str, Change] = {
    "gamma 0.6": lambda x: 4095 * _unit(x) ** 0.6,
    "gamma 1.6": lambda x: 4095 * _unit(x) ** 1.6,
    "eight bit": lambda x: np.rint(255 * _unit(x)),
    "shifted and scaled": lambda x: 3.0 * x + 1000.0,
}


@pytest.mark.parametrize("change", GREY)
def test_other_grey_levels(change: str) -> None:
    radiograph = film()
    pixels = GREY[change](radiograph.pixels.astype(np.float64))
    changed = replace(
        with_pixels(radiograph, pixels),
        value_min=float(pixels.min()),
        value_max=float(pixels.max()),
    )
    same(propose(radiograph), propose(changed), lambda p: p, 0.046)


def test_equal_films_give_equal_proposals() -> None:
    assert propose(film()) == propose(film())


def test_the_outline_goes_round_the_fill() -> None:
    for canal in propose(film()).canals:
        outline = np.array(canal.root_outline_px)
        low, high = outline.min(axis=0), outline.max(axis=0)
        for point in (canal.fill_start_px, canal.fill_end_px):
            assert (low < point).all()
            assert (point < high).all()
        assert canal.apex_px is not None
        apart = np.linalg.norm(outline - canal.apex_px, axis=1).min()
        assert apart * 0.046 < 1.0


def test_the_weights_are_small() -> None:
    model = files("rxmeasure.proposals") / network.MODEL_FILE
    assert len(model.read_bytes()) <= 5_000_000


def test_without_onnxruntime_the_explicit_method_proposes(
    monkeypatch: pytest.MonkeyPatch, network_forgotten: None
) -> None:
    monkeypatch.setitem(sys.modules, "onnxruntime", None)
    assert propose(film()) == propose(film(), explicit=True)


def test_without_weights_the_explicit_method_proposes(
    monkeypatch: pytest.MonkeyPatch, network_forgotten: None
) -> None:
    monkeypatch.setattr(network, "MODEL_FILE", "missing.onnx")
    assert propose(film()) == propose(film(), explicit=True)


def test_both_methods_find_the_same_fills() -> None:
    radiograph = film("short_incisor.dcm")
    (seen,), (explicit,) = propose(radiograph).canals, propose(radiograph, explicit=True).canals
    for a, b in (
        (seen.fill_start_px, explicit.fill_start_px),
        (seen.fill_end_px, explicit.fill_end_px),
    ):
        assert np.hypot(a[0] - b[0], a[1] - b[1]) * 0.03 < 0.4
    assert explicit.root_outline_px is None
