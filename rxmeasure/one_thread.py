"""Small matrices on one thread: handing them to several costs more than it saves."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, wraps
from typing import TYPE_CHECKING, ParamSpec, TypeVar

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
R = TypeVar("R")


def one_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Let linear algebra inside a function use one thread; the setting of before comes back."""

    @wraps(function)
    def limited(*args: P.args, **kwargs: P.kwargs) -> R:
        with _libraries().limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return limited


@cache
def _libraries() -> ThreadpoolController:
    # Both numpy and scipy bring a library of their own, which is found once it is loaded.
    import scipy.linalg  # noqa: F401
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()
