"""Blur, noise, scatter and grey response against their formulas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rxmeasure.phantom import make_phantom, with_imaging, with_pitch
from rxmeasure.phantom.imaging import SD_PER_FWHM, expose, film_edge, grey_levels
from rxmeasure.phantom.parameters import ImagingParameters, PhantomError

CLEAN = ImagingParameters(scatter=0.0, quanta_per_mm2=1e14, electronic_noise=0.0)
PIXEL_MM = 0.01


def exposed(signal: np.ndarray, imaging: ImagingParameters, pixel_mm: float = PIXEL_MM):
    rng = np.random.default_rng(1)
    return expose(signal, imaging, pitch_mm=pixel_mm, mm_per_px=pixel_mm, rng=rng)


def test_fwhm_of_a_gaussian():
    assert pytest.approx(1.0 / 2.3548, rel=1e-4) == SD_PER_FWHM


@pytest.mark.parametrize("fwhm_mm", [0.06, 0.10, 0.15])
def test_an_edge_spreads_by_the_blur(fwhm_mm):
    step = np.ones((8, 401))
    step[:, 200:] = 0.2
    profile = exposed(step, replace(CLEAN, blur_fwhm_mm=fwhm_mm)).mean(axis=0)
    spread = -np.diff(profile)
    x = np.arange(len(spread))
    fine = np.linspace(0, len(spread) - 1, 20001)
    above = fine[np.interp(fine, x, spread) > spread.max() / 2]
    # The tail of the scintillator widens the half maximum by a few per cent.
    assert (above[-1] - above[0]) * PIXEL_MM == pytest.approx(fwhm_mm, rel=0.08)
    assert spread.sum() == pytest.approx(0.8, rel=1e-3)


def test_noise_is_that_of_counted_quanta():
    """Poisson: relative SD of n quanta is 1/sqrt(n); twice the signal, sqrt(2) the SD."""
    imaging = replace(CLEAN, blur_fwhm_mm=1e-4, quanta_per_mm2=4e6)
    for level in (0.1, 0.2, 0.4):
        # 0.9 of the light stays where it fell, 0.1 spreads too little to matter here.
        noise = exposed(np.full((300, 300), level), imaging).std()
        assert noise == pytest.approx(np.sqrt(level / (4e6 * PIXEL_MM**2)), rel=0.02)


def test_three_times_the_noise(premolar):
    p = with_imaging(with_pitch(premolar(), 0.2), electronic_noise=0.0, scatter=0.0)
    clean = make_phantom(with_imaging(p, quanta_per_mm2=1e14)).pixels.astype(float)
    once, thrice = (
        (make_phantom(with_imaging(p, noise=n)).pixels - clean)[5:60, 5:60].std()
        for n in (1.0, 3.0)
    )
    assert thrice == pytest.approx(3.0 * once, rel=0.1)


def test_electronic_noise_is_there_without_any_quanta():
    imaging = replace(CLEAN, electronic_noise=2e-3)
    assert exposed(np.zeros((200, 200)), imaging).std() == pytest.approx(2e-3, rel=0.03)


def test_scatter_is_a_share_that_lowers_contrast():
    # Stripes far narrower than the veil: it takes the mean of both.
    stripes = np.where(np.arange(600) // 30 % 2, 0.6, 0.2) * np.ones((600, 1))
    plain = exposed(stripes, CLEAN, 0.05)[300, 150:450]
    veiled = exposed(stripes, replace(CLEAN, scatter=0.2), 0.05)[300, 150:450]
    contrast = (veiled.max() - veiled.min()) / (plain.max() - plain.min())
    assert contrast == pytest.approx(0.8, abs=0.02)
    assert veiled.mean() == pytest.approx(plain.mean(), rel=0.02)


def test_log_response_is_straight_in_attenuation():
    attenuation = np.linspace(0.3, 2.6, 40)
    grey = grey_levels(np.exp(-attenuation), CLEAN).astype(float)
    slope = 0.86 * 4095 / (CLEAN.window[1] - CLEAN.window[0])
    np.testing.assert_allclose(np.diff(grey), slope * np.diff(attenuation), atol=1.01)


def test_linear_response_is_straight_in_signal():
    signal = np.linspace(0.1, 0.7, 40)
    grey = grey_levels(signal, replace(CLEAN, response="linear")).astype(float)
    steps = np.diff(grey)
    assert (steps < 0).all()
    np.testing.assert_allclose(steps, steps.mean(), atol=1.01)


def test_response_keeps_to_the_bits_and_an_unknown_one_is_refused():
    wide = np.array([1e-6, 1.0])
    for bits in (8, 12):
        grey = grey_levels(wide, replace(CLEAN, bits=bits))
        assert grey[0] == 2**bits - 1
    with pytest.raises(PhantomError):
        grey_levels(wide, replace(CLEAN, response="cubic"))


def test_inverted_is_the_complement(premolar):
    p = with_pitch(premolar(), 0.2)
    plain, inverted = (make_phantom(with_imaging(p, inverted=v)).pixels for v in (False, True))
    np.testing.assert_array_equal(plain + inverted, 4095)


def test_equal_parameters_give_equal_pixels_and_another_seed_does_not(premolar):
    p = with_pitch(premolar(), 0.2)
    first, again = make_phantom(p), make_phantom(p)
    np.testing.assert_array_equal(first.pixels, again.pixels)
    assert first.truth == again.truth
    other = make_phantom(replace(p, seed=p.seed + 1))
    assert (other.pixels != first.pixels).mean() > 0.5
    assert other.truth.canals[0].centre_line_px == first.truth.canals[0].centre_line_px


def test_brightness_follows_the_materials(filled):
    """Metal over fill over dentine over bone over the open mouth."""
    canal = filled.truth.canals[0]

    def grey(point: tuple[float, float]) -> float:
        r, c = round(point[0]), round(point[1])
        return float(np.median(filled.pixels[r - 1 : r + 2, c - 1 : c + 2]))

    line = np.array(canal.centre_line_px)
    middle = line[int(np.searchsorted(canal.s_mm, canal.s_fill_start_mm + 4.0))]
    fill, dentine = grey(middle), grey(middle + (0.0, 1.4 / canal.mm_per_px))
    bone, mouth = grey(middle + (0.0, 6.0 / canal.mm_per_px)), grey((6.0, 6.0))
    assert fill > dentine + 200
    assert dentine > bone + 100
    assert bone > mouth + 300


def test_film_edge_keeps_the_picture_and_cuts_the_corners():
    inside = film_edge((300, 220), np.random.default_rng(2), 0.1)
    assert inside[150, 110]
    assert inside.mean() > 0.9
    assert not inside[[0, 0, -1, -1], [0, -1, 0, -1]].any()


@pytest.mark.parametrize(("edge", "value"), [("white", 4095), ("black", 0)])
def test_the_rim_holds_no_picture(premolar, edge, value):
    p = with_imaging(with_pitch(premolar(), 0.2), edge=edge)
    pixels = make_phantom(p).pixels
    assert (pixels[[0, 0, -1, -1], [0, -1, 0, -1]] == value).all()


def test_a_step_wedge_brightens_step_by_step(premolar):
    p = with_pitch(replace(premolar(), wedge_mm=(2.0, 4.0, 6.0)), 0.2)
    pixels = make_phantom(with_imaging(p, window=(0.3, 4.0))).pixels.astype(float)
    step = 3.0 / (0.2 / 1.05)
    greys = [np.median(pixels[-12:-4, round((n + 0.5) * step)]) for n in range(3)]
    assert greys[0] < greys[1] < greys[2]
