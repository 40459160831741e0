"""Settings of the interpreter and its libraries during a batch."""

from __future__ import annotations

import gc
import platform
import sys

import numpy as np
import pytest

from sweeplab.runtime import keep_freed_memory, no_collection


def test_the_search_for_cycles_pauses_and_resumes() -> None:
    assert gc.isenabled()
    with no_collection():
        assert not gc.isenabled()
    assert gc.isenabled()


def test_a_search_that_was_off_stays_off() -> None:
    gc.disable()
    try:
        with no_collection():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()


def test_it_is_on_again_after_an_error() -> None:
    with pytest.raises(RuntimeError), no_collection():
        raise RuntimeError
    assert gc.isenabled()


@pytest.mark.skipif(
    sys.platform != "linux" or platform.libc_ver()[0] != "glibc",
    reason="only GNU's C library is known to return memory so eagerly",
)
def test_freed_memory_is_not_requested_again() -> None:
    import resource

    keep_freed_memory()
    np.ones(2**17)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(50):
        np.ones(2**17)
    # Without, every one of these megabytes is 256 new pages.
    assert resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before < 50 * 256 / 10
