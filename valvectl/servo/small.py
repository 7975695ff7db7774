"""Many small matrices: one thread is far faster than several, which on a busy machine wait for each other."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


@functools.lru_cache(maxsize=1)
def _controller() -> Any:
    import numpy.linalg  # noqa: F401  (the libraries must be loaded before they can be found)
    import scipy.linalg  # noqa: F401
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def one_thread(function: Callable[P, R]) -> Callable[P, R]:
    """The same function with linear algebra held to one thread while it runs."""

    @functools.wraps(function)
    def held(*args: P.args, **kwargs: P.kwargs) -> R:
        with _controller().limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return held
