"""One BLAS thread for many small matrices.

A second thread only waits for the first there, takes the core of the next worker process, and
doubled the time of a fit where it was measured (docs/decisions).
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def one_blas_thread() -> AbstractContextManager[Any]:
    """Return a context in which linear algebra keeps to one thread."""
    limited: AbstractContextManager[Any] = _controller().limit(limits=1, user_api="blas")
    return limited
