"""What many small computations ask of the machine below them.

One BLAS thread: a second only waits for the first there, takes the core of the next worker process,
and doubled the time of a fit where it was measured (docs/decisions). Freed memory kept, and no
search for reference cycles: together an eighth of the time of a batch of files.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

_KEPT_BYTES = 2**24


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def one_blas_thread() -> AbstractContextManager[Any]:
    """Return a context in which linear algebra keeps to one thread."""
    limited: AbstractContextManager[Any] = _controller().limit(limits=1, user_api="blas")
    return limited


@contextmanager
def no_collection() -> Iterator[None]:
    """Spare a batch the search for reference cycles: it makes ten thousand objects and no cycle."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def keep_freed_memory() -> None:
    """Have the C library keep the memory of arrays that are freed, for the next ones.

    GNU's library gives arrays of more than 128 kB back to the system at once, and every page of the
    next one is then asked for, and cleared, again; once a larger one was freed it keeps up to twice
    that size (mallopt(3), M_MMAP_THRESHOLD). The array here is never written to and takes no room.
    Elsewhere this does nothing.
    """
    np.empty(_KEPT_BYTES, np.uint8)
