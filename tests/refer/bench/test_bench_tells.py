"""How much a step of the bench tells, in words a mechanic can use."""

from __future__ import annotations

from pipeline.refer.bench import Case, assess
from pipeline.refer.bench.case import prior_without_logs
from pipeline.refer.bench.next_reading import TELLS


def test_a_step_s_worth_is_its_share_of_the_doubt() -> None:
    """Worth in bits falls from step to step as its words do; no step settles more than all, and each says one of four things."""
    found = assess(Case(prior_without_logs(), (), ("cType2",), "v", "")).next
    assert len(found) >= 4
    words = [text for _, text in TELLS]
    by_worth = sorted(found, key=lambda p: -p.bits)
    said = [words.index(p.tells) for p in by_worth]
    assert said == sorted(said)
    assert len(set(said)) > 1
    assert [least for least, _ in TELLS] == sorted((least for least, _ in TELLS), reverse=True)
    assert TELLS[-1][0] == 0
