"""A metal post whose end is not marked may be taken for the fill; then its end is flagged."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rxmeasure.calibration.scale import Calibration
from rxmeasure.filling.measurement import measure_canal
from rxmeasure.marks import CanalMarks, FilmKind, Settings
from rxmeasure.phantom import cached_phantom, noisy_clicks
from rxmeasure.reading import read_radiograph


@pytest.mark.parametrize("seed", [429, 712])
def test_the_end_is_right_or_flagged(seed: int, tmp_path: Path) -> None:
    image, truth = cached_phantom(seed, tmp_path)
    canal = next(c for c in truth.canals if "post" in c.flags)
    clicks = noisy_clicks(canal, np.random.default_rng(seed), sd_mm=0.1, count=3)
    scale = Calibration(
        row_mm=truth.mm_per_px, col_mm=truth.mm_per_px, u_rel=1e-6, source="true scale"
    )
    found = measure_canal(
        read_radiograph(image),
        scale,
        CanalMarks(name=canal.name, clicks_px=tuple((float(r), float(c)) for r, c in clicks)),
        FilmKind.POSTOPERATIVE,
        Settings(),
    )
    assert found.fill_end is not None
    off = np.subtract(found.fill_end.point_px, canal.sealer_end_px or canal.core_end_px)
    right = np.hypot(*off) * truth.mm_per_px < 0.5
    assert right or "fill-end-unsure" in {w.code for w in found.warnings}
