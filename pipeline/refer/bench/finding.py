"""A finding checked against the readings: what a person chose and what was measured should agree."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.core.quantities import Quantity
from pipeline.refer.bench.assess import written
from pipeline.refer.bench.case import Case, Reading
from pipeline.refer.bench.contradictions import contradictions
from pipeline.refer.bench.declared import bench_declared
from pipeline.refer.bench.weigh import placed, weigh

SURE_OTHERWISE = 0.05
"""A finding whose suspects keep less than this of the probability by its own readings is asked back (decided)."""
FOUND_WORDS = {
    "diode_shorted": "a shorted diode", "diode_leaky": "a leaking diode", "diode_open": "an open diode",
    "charger_other": "another fault of the charger", "inlet_or_wiring": "inlet or wiring", "no_fault_found": "no fault",
}  # fmt: skip


def finding_doubts(
    finding: str, measured: Mapping[str, Quantity], more: tuple[Reading, ...] = ()
) -> tuple[str, ...]:
    """Sentences to answer before a finding is kept; none where it agrees with what was measured.

    `measured`: pp_pe_v, cp_pe_forward_ohm, cp_pe_reverse_ohm as entered with the finding; `more`: what was read at the bench.
    """
    own = tuple(Reading(kind, quantity) for kind, quantity in measured.items())
    readings = (*own, *(r for r in more if r.answer is None and r.kind not in measured))
    if not readings:
        return ()
    declared = bench_declared()
    even = {name: 1 / len(declared.names) for name in declared.names}
    case = Case(even, readings)
    around = placed(case)
    weighed = weigh(even, around)
    said = tuple(one.text for one in contradictions(case, around, weighed))
    shares = _by_finding(weighed.named)
    chosen, best = shares.get(finding, 0.0), max(shares, key=shares.__getitem__)
    if chosen < SURE_OTHERWISE * shares[best]:
        values = "; ".join(_short(r) for r in readings)
        said = (
            f"{values}: that is {FOUND_WORDS[best]}, and you chose {FOUND_WORDS[finding]}. Sure?",
            *said,
        )
    return said


def _by_finding(named: Mapping[str, float]) -> dict[str, float]:
    """The best suspect of each finding, so that a finding with many suspects has no head start."""
    shares: dict[str, float] = {}
    for name, p in named.items():
        finding = bench_declared().suspects[name].finding
        shares[finding] = max(shares.get(finding, 0.0), p)
    return shares


def _short(reading: Reading) -> str:
    names = {"cp_pe_forward_ohm": "forward", "cp_pe_reverse_ohm": "reverse"}
    if reading.kind not in names:
        return written(reading)
    return f"{names[reading.kind]} {written(reading).rpartition(': ')[2]}"
