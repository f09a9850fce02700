from __future__ import annotations

import numpy as np
import pytest

from rxmeasure.reading.codestream import rle_size
from rxmeasure.reading.limits import MAX_UNPACKED_BYTES


@pytest.mark.parametrize("kind", ["noise", "stripes"])
def test_rle_counts_what_an_independent_encoder_packed(kind: str) -> None:
    encoders = pytest.importorskip("pydicom.pixels.encoders")
    rng = np.random.default_rng(4)
    picture = rng.integers(0, 256, (2000, 2000), dtype=np.uint8)
    if kind == "stripes":
        picture[::2] = 7
    frame = encoders.RLELosslessEncoder.encode(
        picture, rows=2000, columns=2000, samples_per_pixel=1, bits_allocated=8, bits_stored=8,
        pixel_representation=0, photometric_interpretation="MONOCHROME2", number_of_frames=1,
    )  # fmt: skip
    assert 64 * len(frame) > MAX_UNPACKED_BYTES, "counted, not bounded"
    # The encoder pads a segment to an even number of bytes by a zero, which stands for nothing.
    assert 0 <= rle_size(frame) - picture.size <= 1
