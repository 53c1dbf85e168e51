"""Damaged containers by the thousand: a few in the normal run, all of them under `-m fuzz`."""

from __future__ import annotations

import pytest

from benchmarks.mutations import COUNT, SEED, SOURCES, run

OUTCOMES = {"whole", "in part", "refused"}


@pytest.mark.parametrize("count", [2 * len(SOURCES), pytest.param(COUNT, marks=pytest.mark.fuzz)])
def test_a_damaged_file_is_measured_or_refused(count: int) -> None:
    """No damaged file crashes or stalls its reader, or fails in a way that is no refusal."""
    found = [(name, seed, tried) for name, seed, tried in run(list(SOURCES), count, SEED, None)]
    assert len(found) == count
    assert [(name, seed, tried.text) for name, seed, tried in found if tried.outcome not in OUTCOMES] == []
