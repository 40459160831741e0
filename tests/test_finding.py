"""Findings rank by weight and keep the contract's keys."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from sweeplab import Finding
from sweeplab.finding import Level, ranked

levels: st.SearchStrategy[Level] = st.sampled_from(["note", "warning", "problem"])


@given(st.lists(levels, max_size=12))
def test_problems_come_first_and_order_is_kept_within_a_level(drawn: list[Level]) -> None:
    findings = [Finding(f"code-{i}", level, "text") for i, level in enumerate(drawn)]
    order = ranked(findings)
    weights = [["problem", "warning", "note"].index(finding.level) for finding in order]
    assert weights == sorted(weights)
    for level in set(drawn):
        kept = [finding for finding in order if finding.level == level]
        assert kept == [finding for finding in findings if finding.level == level]


def test_json_has_the_contracts_keys() -> None:
    finding = Finding("noisy", "warning", "Noise.", {"u_q": 0.2, "where": "top"}, "Repeat.")
    told = json.loads(json.dumps(finding.to_json(), allow_nan=False))
    assert list(told) == ["code", "level", "text", "evidence", "action"]
    assert told["evidence"] == {"u_q": 0.2, "where": "top"}
