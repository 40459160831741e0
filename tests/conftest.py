"""What every test shares: slow tests left out unless asked for, hypothesis made repeatable."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

# Small matrices gain nothing from threads, and lose much where other work wants the cores. Read
# when numpy is first imported, which is after this file.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# The quick set draws fewer examples; `.ci/run` repeats these tests with all of them:
# -m hypothesis --hypothesis-profile=full.
settings.register_profile("full", deadline=None, derandomize=True)
settings.register_profile("quick", settings.get_profile("full"), max_examples=25)
settings.load_profile("quick")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave slow tests out, unless a ``-m`` expression or a test's own name asks for them."""
    if config.option.markexpr or any("::" in argument for argument in config.args):
        return
    slow = [item for item in items if item.get_closest_marker("slow")]
    if slow:
        config.hook.pytest_deselected(items=slow)
        items[:] = [item for item in items if not item.get_closest_marker("slow")]
