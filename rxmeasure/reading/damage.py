"""What damaged files make the image libraries do: exceptions and warnings."""

from __future__ import annotations

import struct
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager

#: Everything that parsing and decoding a damaged file was seen to raise inside
#: pydicom, Pillow, tifffile and the decoders behind them.
DAMAGE_ERRORS: tuple[type[Exception], ...] = (
    ValueError,
    TypeError,
    LookupError,
    AttributeError,
    RuntimeError,
    ArithmeticError,
    AssertionError,
    OSError,
    EOFError,
    MemoryError,
    SyntaxError,
    struct.error,
    zlib.error,
)


@contextmanager
def collected_warnings() -> Iterator[list[str]]:
    """Collect the first line of each different warning instead of passing it on.

    The list is filled on leaving.
    """
    texts: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield texts
    texts += dict.fromkeys(str(w.message).split("\n")[0] for w in caught)
