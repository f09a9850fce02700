"""From grey level to thickness of aluminium: a monotone curve through the wedge's steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from rxmeasure.errors import CalibrationError
from rxmeasure.geometry import FloatArray
from rxmeasure.radiopacity.regions import RegionReading
from rxmeasure.radiopacity.wedge import WedgeReading

#: The error of an interpolation falls with the square of the distance of its points or faster:
#: a left-out step leaves them twice as far apart.
_LEFT_OUT_TO_ALL = 1.0 / 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalent:
    """Thickness of aluminium that shows as bright as a region.

    Attributes
    ----------
    value_mm_al, u_mm_al : float
        Thickness and its standard uncertainty.
    u_noise_mm_al : float
        From the noise of the region.
    u_steps_mm_al : float
        From the noise of the steps.
    u_curve_mm_al : float
        From the curve between the steps.
    u_background_mm_al : float
        From what is uneven in the region and in the steps (heel effect, scatter).
    """

    value_mm_al: float
    u_mm_al: float
    u_noise_mm_al: float
    u_steps_mm_al: float
    u_curve_mm_al: float
    u_background_mm_al: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AluminiumCurve:
    """The calibration of one film; arrays by step, thinnest first.

    Between the steps thickness is a shape-preserving cubic of grey (Fritsch and Carlson 1980,
    doi:10.1137/0717021), so it rises throughout; nothing is read outside the steps.
    """

    grey: tuple[float, ...]
    thickness_mm: tuple[float, ...]
    u_grey: tuple[float, ...]
    unevenness: tuple[float, ...]

    def thickness_at(self, grey: float) -> float:
        """Thickness of aluminium in mm.

        Raises
        ------
        CalibrationError
            Darker than the first step or brighter than the last.
        """
        self._check(grey, "a grey level")
        return float(self._interpolator()(grey))

    def equivalent(self, region: RegionReading, name: str = "a region") -> Equivalent:
        """Thickness of aluminium as bright as a region, with its uncertainty.

        ``name`` is what a refusal calls the region.

        Raises
        ------
        CalibrationError
            The region is saturated, or outside the steps.
        """
        if region.saturated:
            raise CalibrationError(
                found=f"{name} at an end of the grey range.",
                needed="a region that is neither black nor white through and through.",
                next_step="Use a film with another exposure.",
            )
        return self.equivalent_of(region.grey, region.u_grey, region.unevenness, name)

    def equivalent_of(
        self, grey: float, u_grey: float, unevenness: float, name: str = "a region"
    ) -> Equivalent:
        """The same from a grey level, its standard uncertainty and the region's unevenness."""
        self._check(grey, name)
        curve = self._interpolator()
        slope = float(curve(grey, 1))
        k = int(np.clip(np.searchsorted(self.grey, grey) - 1, 0, len(self.grey) - 2))
        share = (grey - self.grey[k]) / (self.grey[k + 1] - self.grey[k])
        u_steps = np.hypot((1.0 - share) * self.u_grey[k], share * self.u_grey[k + 1])
        step_unevenness = max(self.unevenness)
        # From region to wedge the background may differ, either way, by what it varies inside
        # each of them: a uniform distribution of that half-width (GUM 4.3.7).
        u_background = np.hypot(unevenness, step_unevenness) / np.sqrt(3.0)
        parts = {
            "u_noise_mm_al": slope * u_grey,
            "u_steps_mm_al": slope * float(u_steps),
            "u_curve_mm_al": float(max(self._left_out_errors()[k : k + 2])),
            "u_background_mm_al": slope * float(u_background),
        }
        return Equivalent(
            value_mm_al=float(curve(grey)),
            u_mm_al=float(np.sqrt(sum(u**2 for u in parts.values()))),
            **parts,
        )

    def _interpolator(self) -> PchipInterpolator:
        return PchipInterpolator(self.grey, self.thickness_mm, extrapolate=False)

    def _left_out_errors(self) -> FloatArray:
        """Error of the curve at each step, estimated by leaving the step out."""
        grey, thickness = np.array(self.grey), np.array(self.thickness_mm)
        errors = np.zeros(len(grey))
        for k in range(1, len(grey) - 1):
            rest = np.arange(len(grey)) != k
            errors[k] = PchipInterpolator(grey[rest], thickness[rest])(grey[k]) - thickness[k]
        errors[0], errors[-1] = errors[1], errors[-2]
        return np.asarray(np.abs(errors) * _LEFT_OUT_TO_ALL)

    def _check(self, grey: float, name: str) -> None:
        low, high = self.thickness_mm[0], self.thickness_mm[-1]
        if self.grey[0] <= grey <= self.grey[-1]:
            return
        side = f"more than {high:g}" if grey > self.grey[-1] else f"less than {low:g}"
        raise CalibrationError(
            found=f"{name} that equals {side} mm of aluminium.",
            needed=f"a region inside the wedge's steps, {low:g} to {high:g} mm.",
            next_step="Use a wedge that reaches as far, or a specimen of another thickness.",
        )


def calibrate_wedge(reading: WedgeReading) -> AluminiumCurve:
    """The curve of a film from its wedge."""
    regions = [s.region for s in reading.steps]
    return AluminiumCurve(
        grey=tuple(r.grey for r in regions),
        thickness_mm=tuple(s.thickness_mm for s in reading.steps),
        u_grey=tuple(r.u_grey for r in regions),
        unevenness=tuple(r.unevenness for r in regions),
    )
