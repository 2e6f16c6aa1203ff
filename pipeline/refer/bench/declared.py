"""Suspects, answers and steps of the bench as declared in `schemas/bench/`, checked when they are read."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, ValidationError, model_validator

from pipeline.core.errors import SchemaError
from pipeline.registry import load_folder

Floats = NDArray[np.float64]
IMPLAUSIBLE = 0.03
"""Share of answers that follow no table: misunderstood, misremembered, ticked wrongly (judgement)."""
READINGS = (
    "pp_pe_v", "pp_pe_ohm", "cp_pe_forward_ohm", "cp_pe_reverse_ohm",
    "cp_high_v", "cp_low_v", "cp_duty_pct", "cp_mean_v",
)  # fmt: skip
"""Kinds of readings with a figure, as bench/readings.csv names them."""


class Strict(BaseModel):
    """Base of the declarations: immutable, no unknown names."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Suspect(Strict):
    """What may be wrong: in words, the finding to enter, its share before anything is known."""

    part: str
    finding: str
    prior: float


class Answer(Strict):
    """A question with its answers; `rows`: a distribution over the answers per suspect."""

    asked: Literal["interview", "step", "both"]
    question: str
    answers: tuple[str, ...]
    words: tuple[str, ...]
    rows: Mapping[str, tuple[float, ...]]
    source: str

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if len(self.words) != len(self.answers):
            raise ValueError("words and answers differ in number")
        for name, row in self.rows.items():
            if len(row) != len(self.answers) or abs(sum(row) - 1) > 1e-6 or min(row) <= 0:
                raise ValueError(f"row {name}: one share above 0 an answer, together 1")
        return self


class Setup(Strict):
    """How the vehicle stands for a step, and the minutes it takes to bring it there."""

    minutes: float
    words: str


class Step(Strict):
    """One thing that can be done next."""

    kind: str
    setup: str
    minutes: float
    risk: int
    tool: str
    leads: str
    when_to_stop: str
    state: str | None = None
    couplers: tuple[str, ...] = ()
    after_drying: bool = False
    only_for: str | None = None


class Declared(Strict):
    """All of `schemas/bench/`."""

    suspects: Mapping[str, Suspect]
    answers: Mapping[str, Answer]
    setups: Mapping[str, Setup]
    risk_minutes: tuple[float, ...]
    steps: Mapping[str, Step]

    @model_validator(mode="after")
    def _known(self) -> Self:
        for name, answer in self.answers.items():
            wrong = set(answer.rows) - {*self.suspects, "else"}
            lacking = set(self.suspects) - set(answer.rows) if "else" not in answer.rows else set()
            if wrong or lacking:
                raise ValueError(f"{name}: rows of {sorted(wrong | lacking)} unknown or lacking")
        for name, step in self.steps.items():
            if step.kind not in READINGS and step.kind not in self.answers:
                raise ValueError(f"{name}: no such reading or answer: {step.kind}")
            if step.setup not in self.setups or not 0 <= step.risk < len(self.risk_minutes):
                raise ValueError(f"{name}: no such setup or risk")
        return self

    @property
    def names(self) -> tuple[str, ...]:
        """The suspects, in order."""
        return tuple(self.suspects)

    def log_row(self, kind: str, answers: tuple[str, ...]) -> Floats:
        """Log probability, under each suspect, of the answers one question got, one or several.

        What is asked has one true answer by the suspect's row; each time it is told, it follows no table by `IMPLAUSIBLE`.
        So an answer given twice says more than once, but never as much as two questions would.
        """
        declared = self.answers[kind]
        rest = declared.rows.get("else")
        rows = [declared.rows.get(name, rest) for name in self.names]
        share = np.array([row for row in rows if row is not None])
        told = np.full(len(declared.answers), 1.0)
        for answer in answers:
            slipped = np.full(told.size, IMPLAUSIBLE / told.size)
            slipped[declared.answers.index(answer)] += 1 - IMPLAUSIBLE
            told = told * slipped
        return np.asarray(np.log(share @ told))


@cache
def bench_declared() -> Declared:
    """The declarations, read once. Raises SchemaError naming what is wrong."""
    found: dict[str, Any] = load_folder("bench")
    top = {key: found.pop(key) for key in ("suspects", "setups", "risk_minutes", "steps")}
    try:
        return Declared.model_validate({**top, "answers": found})
    except ValidationError as error:
        raise SchemaError(f"the bench's declarations: {error}", where="schemas/bench") from error
