"""From which SWR on the terminal says which way to turn."""

from __future__ import annotations

import pytest
from rich.console import Console
from simulated import Truth

from sweeplab.present.terminal import summary
from sweeplab.reading import take_reading


@pytest.mark.parametrize(("coupling_factor", "reported"), [(1.45, False), (1.55, True)])
def test_a_remedy_is_named_from_an_swr_of_one_and_a_half(
    coupling_factor: float, reported: bool
) -> None:
    # Over-coupled without reactance the SWR is the coupling factor.
    truth = Truth(coupling_factor=coupling_factor, angle=0.0)
    reading = take_reading(truth.sweep())
    assert reading.match.swr_min == pytest.approx(coupling_factor, rel=1e-3)
    console = Console(width=80)
    with console.capture() as page:
        console.print(summary(reading))
    assert ("a smaller or less close coupling loop" in page.get()) is reported
