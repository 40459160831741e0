"""Settings of the interpreter and its libraries for many small computations.

One BLAS thread: a second one only waits for the first, takes the core of the next worker process,
and doubled the time of a fit where it was measured (docs/decisions). Keeping freed memory and
pausing the search for reference cycles together save an eighth of the time of a batch of files.
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

_RETAINED_BYTES = 2**24


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def one_blas_thread() -> AbstractContextManager[Any]:
    """Return a context in which linear algebra keeps to one thread."""
    context: AbstractContextManager[Any] = _controller().limit(limits=1, user_api="blas")
    return context


@contextmanager
def no_collection() -> Iterator[None]:
    """Pause the search for reference cycles: a batch makes ten thousand objects and no cycle."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def keep_freed_memory() -> None:
    """Make the C library keep the memory of freed arrays for the next ones.

    The GNU library returns arrays of more than 128 kB to the system at once, and every page of the
    next one is then requested and cleared again; once a larger one was freed it keeps up to twice
    that size (mallopt(3), M_MMAP_THRESHOLD). The array here is never written to and takes no
    memory. With other libraries this has no effect.
    """
    np.empty(_RETAINED_BYTES, np.uint8)
