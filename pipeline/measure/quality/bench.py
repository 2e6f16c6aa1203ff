"""How good the bench is: simulated vehicles led step by step to a finding, and the same vehicles by a fixed list of readings."""

from __future__ import annotations

import polars as pl

from pipeline.measure.quality.simulated_vehicle import Truth, interview, shown, simulate
from pipeline.refer.bench import Case, Reading, assess
from pipeline.refer.bench.case import DRIED, prior_without_logs

MOST_STEPS = 12
"""A case that is not settled by then is handed to the maker's procedure."""
FIXED_LIST = (
    ("pp_pe_v", None), ("cp_pe_forward_ohm", None), ("cp_pe_reverse_ohm", None), ("cp_high_v", "B2"), ("cp_low_v", "B2"),
)  # fmt: skip
"""The readings of the printed sheet before the bench, in its order."""


def led(truth: Truth) -> tuple[Case, int, bool, dict[str, float]]:
    """A vehicle led by the bench: the case at its end, the steps taken, whether it stopped, and the posterior."""
    case = Case(
        prior_without_logs(),
        interview(truth),
        ("cType2",),
    )
    setup, steps, dried = "any", 0, False
    result = assess(case)
    while result.stop is None and result.next and steps < MOST_STEPS:
        step = result.next[0].step
        if step.after_drying and not dried:
            dried = True
            case = Case(case.prior, (*case.readings, Reading(DRIED, answer="yes")), case.couplers)
        reading = shown(truth, step.kind, step.state, dried=dried)
        case = Case(case.prior, (*case.readings, reading), case.couplers)
        setup, steps = (setup if step.setup == "any" else step.setup), steps + 1
        result = assess(case, setup=setup)
    return case, steps, result.stop is not None, result.posterior


def by_fixed_list(truth: Truth) -> dict[str, float]:
    """The posterior after the same interview and the fixed list, whatever it says."""
    readings = list(interview(truth))
    readings += [shown(truth, kind, state, dried=False) for kind, state in FIXED_LIST]
    return assess(Case(prior_without_logs(), tuple(readings), ("cType2",))).posterior


def measure_bench(cases: int, seed: int = 1) -> pl.DataFrame:
    """One row a simulated case: truth, what the bench named with its probability, steps, and the fixed list's answer."""
    rows = []
    for number in range(cases):
        truth = simulate(number, seed)
        case, steps, stopped, posterior = led(truth)
        fixed = by_fixed_list(simulate(number, seed))
        named, listed = max(posterior, key=posterior.__getitem__), max(fixed, key=fixed.__getitem__)
        rows.append(
            {
                "truth": truth.suspect,
                "named": named,
                "p_named": posterior[named],
                "p_truth": posterior[truth.suspect],
                "steps": steps,
                "figures": sum(r.quantity is not None for r in case.readings),
                "stopped": stopped,
                "listed": listed,
                "p_listed": fixed[listed],
            }
        )
    return pl.DataFrame(rows)
