"""What to measure next: the most expected information for its minutes and risk, safe ones first."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.refer.bench.case import DRIED, Case, Reading
from pipeline.refer.bench.declared import Step, bench_declared
from pipeline.refer.bench.outcomes import READING_WORDS, bits, entropy, expected
from pipeline.refer.bench.particles import particles
from pipeline.refer.bench.weigh import Weighed

Floats = NDArray[np.float64]

AS_MUCH = 0.98
"""A step tells as much as another when it promises this share of its bits (decided)."""
LEAST_BITS = 0.02
"""Less than this is not worth a reading (decided)."""

TELLS = ((0.6, "settles most of what is open"), (0.3, "settles about half of what is open"),
         (0.1, "settles some of what is open"), (0.0, "tells a little"))  # fmt: skip
"""A step's worth in words, by the least share of the doubt about the suspect that it is expected to take away (decided)."""


@dataclass(frozen=True)
class Proposal:
    """A step: what it promises (bits about the suspect), what it costs (minutes), and what each suspect left would show.

    `because`: why it comes first whatever it promises; empty where the bits alone put it here.
    """

    name: str
    step: Step
    bits: float
    minutes: float
    stands: str
    weighed: Weighed = field(repr=False, compare=False)
    because: str = ""

    @cached_property
    def expected(self) -> tuple[tuple[str, float, str], ...]:
        """(suspect, its probability, the values to expect), most probable first."""
        return expected(self.step, self.weighed)

    @property
    def tells(self) -> str:
        """How much it is expected to tell, in words."""
        p = self.weighed.suspects[self.weighed.suspects > 0]
        doubt = max(float(-(p * np.log2(p)).sum()), 1e-12)
        return next(words for least, words in TELLS if self.bits >= least * doubt)

    @property
    def question(self) -> str:
        """The step in words."""
        answer = bench_declared().answers.get(self.step.kind)
        if answer is None:
            return READING_WORDS[self.step.kind].format(state=self.step.state or "")
        again = (
            " Once more, by another pair of eyes."
            if self.step.kind in self.weighed.answered
            else ""
        )
        return answer.question + again


def proposals(
    case: Case,
    weighed: Weighed,
    setup: str = "any",
    again: frozenset[tuple[str, str | None]] = frozenset(),
) -> tuple[Proposal, ...]:
    """Steps still open, the best first.

    What must come before a part is named comes first: readings that contradict (`again`: kind and state), the other half of
    the ohm pair, drying. The rest by expected information for minutes and risk; a step is never put before a safer one that
    promises as much. `setup`: how the vehicle stands now.
    """
    steps = bench_declared().steps
    due = _due(case, weighed, setup, again)
    first = {p.name for p in due}
    found = [
        _proposal(n, weighed, setup)
        for n, s in steps.items()
        if n not in first and s.only_for is None and _open(s, case)
    ]
    useful = [p for p in found if p.bits >= LEAST_BITS]
    allowed = [p for p in useful if not any(_safer_and_as_much(q, p) for q in useful)]
    return (*due, *sorted(allowed, key=lambda p: (-_worth(p), p.step.risk, p.name)))


def _proposal(name: str, weighed: Weighed, setup: str, because: str = "") -> Proposal:
    declared = bench_declared()
    step = declared.steps[name]
    change = 0.0 if step.setup in {setup, "any"} else declared.setups[step.setup].minutes
    promised = entropy(_dries_share(weighed)) if step.after_drying else bits(step, weighed)
    stands = declared.setups[step.setup].words
    return Proposal(name, step, promised, step.minutes + change, stands, weighed, because)


def _safer_and_as_much(safer: Proposal, than: Proposal) -> bool:
    return safer.step.risk < than.step.risk and safer.bits >= AS_MUCH * than.bits


def _worth(proposal: Proposal) -> float:
    return proposal.bits / (proposal.minutes + bench_declared().risk_minutes[proposal.step.risk])


ASKED_AT_MOST, REPEATED_UP_TO_RISK = 2, 2
"""What is seen without a figure may be seen wrongly: it is worth a second look where the case hangs on it, but not at high-voltage
parts (decided)."""


def _open(step: Step, case: Case) -> bool:
    """Not done yet, or seen once and worth seeing again; and the vehicle has the coupler for it."""
    if step.couplers and case.couplers and not set(step.couplers) & set(case.couplers):
        return False
    seen = sum(
        r.kind == step.kind and r.state == step.state and not r.known_good for r in case.readings
    )
    by_eye = step.kind in bench_declared().answers and step.risk <= REPEATED_UP_TO_RISK
    return seen < (ASKED_AT_MOST if by_eye else 1)


LEADS = 0.5
"""From here a suspect leads, and what must come before it is named is due (decided)."""
BY_THE_PAIR = ("pilot_diode_shorted", "pilot_diode_leaky", "pilot_leakage")


def _due(
    case: Case, weighed: Weighed, setup: str, again: frozenset[tuple[str, str | None]]
) -> tuple[Proposal, ...]:
    steps, own = bench_declared().steps, [r for r in case.readings if not r.known_good]
    kinds = [r.kind for r in own]
    leader, p = next(iter(weighed.named.items()))
    due: dict[str, str] = {}
    for name, step in steps.items():
        other = _OTHER_HALF.get(step.kind)
        if (step.kind, step.state) in again and not step.after_drying:
            due[name] = "It contradicts the rest: measure it again before it counts."
        elif p >= LEADS and leader in BY_THE_PAIR and other in kinds and step.kind not in kinds:
            due[name] = (
                "The pair decides, not one reading: same leads exchanged, same range, at once."
            )
        elif (
            step.after_drying
            and p >= LEADS
            and leader == step.only_for
            and not _measured_dry(kinds, step)
        ):
            due[name] = "Before a part is condemned: look, clean, dry and measure again."
        elif (
            name == "high_b"
            and p >= LEADS
            and leader == "pilot_resistor"
            and not _which_is_told(weighed, own, step)
        ):
            due[name] = "Tells which: R2, R3 or a contact in series."
    return tuple(_proposal(name, weighed, setup, because) for name, because in due.items())


TOLD = 0.9
"""From here it is told which of the resistors is off (decided)."""


def _which_is_told(weighed: Weighed, own: list[Reading], step: Step) -> bool:
    shares = np.bincount(
        particles("pilot_resistor").drawn["variant"].astype(np.int64),
        weighed.within["pilot_resistor"],
    )
    return bool(shares.max() >= TOLD) or any(
        (r.kind, r.state) == (step.kind, step.state) for r in own
    )


_OTHER_HALF = {"cp_pe_forward_ohm": "cp_pe_reverse_ohm", "cp_pe_reverse_ohm": "cp_pe_forward_ohm"}


def _measured_dry(kinds: list[str], step: Step) -> bool:
    return DRIED in kinds and step.kind in kinds[kinds.index(DRIED) :]


def _dries_share(weighed: Weighed) -> float:
    return float(
        (weighed.within["pilot_leakage"] * particles("pilot_leakage").drawn["dries"]).sum()
    )
