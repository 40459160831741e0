"""Findings are ranked by level and keep the keys of the JSON output."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from sweeplab import Finding
from sweeplab.finding import Level, ranked

levels: st.SearchStrategy[Level] = st.sampled_from(["note", "warning", "problem"])


@given(st.lists(levels, max_size=12))
def test_problems_come_first_and_order_is_kept_within_a_level(drawn: list[Level]) -> None:
    findings = [
        Finding(code=f"code-{i}", level=level, text="text") for i, level in enumerate(drawn)
    ]
    order = ranked(findings)
    ranks = [["problem", "warning", "note"].index(finding.level) for finding in order]
    assert ranks == sorted(ranks)
    for level in set(drawn):
        of_level = [finding for finding in order if finding.level == level]
        assert of_level == [finding for finding in findings if finding.level == level]


def test_json_has_the_contracts_keys() -> None:
    finding = Finding(
        code="noisy",
        level="warning",
        text="Noise.",
        evidence={"u_q": 0.2, "where": "top"},
        action="Repeat.",
    )
    found = json.loads(json.dumps(finding.to_json(), allow_nan=False))
    assert list(found) == ["code", "level", "text", "evidence", "action"]
    assert found["evidence"] == {"u_q": 0.2, "where": "top"}
    assert Finding.from_json(found) == finding
