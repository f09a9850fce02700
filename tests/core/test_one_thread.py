"""Linear algebra on one thread, for as long as a function runs."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.linalg
from threadpoolctl import threadpool_info, threadpool_limits

from rxmeasure.one_thread import one_thread


def threads() -> set[int]:
    return {lib["num_threads"] for lib in threadpool_info() if lib["user_api"] == "blas"}


def test_one_thread_inside_and_as_before_outside() -> None:
    with threadpool_limits(2, user_api="blas"):
        assert threads() == {2}
        assert one_thread(threads)() == {1}
        assert threads() == {2}


def test_an_error_gives_the_threads_back() -> None:
    def fails() -> None:
        raise ValueError

    with threadpool_limits(2, user_api="blas"):
        with pytest.raises(ValueError):  # noqa: PT011
            one_thread(fails)()
        assert threads() == {2}


def test_results_are_those_of_the_function() -> None:
    matrix = np.diag([2.0, 3.0])
    np.testing.assert_array_equal(
        one_thread(scipy.linalg.inv)(matrix), np.diag([1.0 / 2.0, 1.0 / 3.0])
    )
