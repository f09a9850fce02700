"""Networks whose weights come with the package; onnxruntime runs them."""

from __future__ import annotations

import os
from functools import cache
from importlib.resources import files
from typing import Any

from rxmeasure.errors import RxMeasureError


def _threads() -> int:
    """Two, or one where the surroundings ask for one thread, as each process of a batch does."""
    return 1 if os.environ.get("OMP_NUM_THREADS", "").split(",")[0] == "1" else 2


@cache
def trained_network(package: str, file_name: str) -> Any:
    """The network of a file in a package, or None without onnxruntime or without the file.

    Raises
    ------
    RxMeasureError
        For a damaged file.
    """
    model = files(package) / file_name
    try:
        import onnxruntime
    except ImportError:
        return None
    if not model.is_file():
        return None
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = _threads()
    options.inter_op_num_threads = 1
    try:
        return onnxruntime.InferenceSession(
            model.read_bytes(), options, providers=["CPUExecutionProvider"]
        )
    except Exception as error:
        raise RxMeasureError(
            found=f"trained weights that cannot be read ({file_name}: {error}).",
            needed="the file as it comes with the package.",
            next_step="Install rxmeasure again.",
        ) from error
