"""Decoding in a process of its own, for a decoder that damaged data can crash."""

from __future__ import annotations

import os
import subprocess
import sys
from io import BytesIO

import numpy as np
from numpy.typing import NDArray

#: A 64-megapixel picture takes some seconds (choice).
_TIMEOUT_S = 120.0


def decode_isolated(data: bytes, *, plugin: str, rows: int, columns: int) -> NDArray[np.int32]:
    """Decode a DICOM file's pixel data with one decoder, in a child process.

    Parameters
    ----------
    data : bytes
        The whole DICOM file.
    plugin : str
        pydicom's name of the decoder.
    rows, columns : int
        Shape that must come out.

    Returns
    -------
    ndarray of int32, shape (rows, columns)
        Stored values.

    Raises
    ------
    RuntimeError
        When the child fails, crashes, hangs, or returns another size.
    """
    try:
        done = subprocess.run(
            [sys.executable, "-m", "rxmeasure.reading.isolated", plugin],
            input=data,
            capture_output=True,
            timeout=_TIMEOUT_S,
            check=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
    except subprocess.SubprocessError as error:
        raise RuntimeError(f"the decoder {plugin} failed") from error
    if len(done.stdout) != 4 * rows * columns:
        raise RuntimeError(f"the decoder {plugin} returned {len(done.stdout)} bytes")
    return np.frombuffer(done.stdout, dtype="<i4").astype(np.int32).reshape(rows, columns)


def _main() -> None:
    import pydicom
    from pydicom.pixels import get_decoder

    dataset = pydicom.dcmread(BytesIO(sys.stdin.buffer.read()))
    decoder = get_decoder(dataset.file_meta.TransferSyntaxUID)
    array, _ = decoder.as_array(
        dataset, raw=True, decoding_plugin=sys.argv[1], correct_unused_bits=False
    )
    sys.stdout.buffer.write(array.astype("<i4").tobytes())


if __name__ == "__main__":
    _main()
