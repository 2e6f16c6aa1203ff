"""How many attempts it takes to settle an undecided vehicle.

By ordinary use, and by following the proposed tests.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.weeks import week_of
from pipeline.measure.quality.frames import inputs_of
from pipeline.refer.next_tests import information_bits
from pipeline.refer.referral import refer
from pipeline.settings.next_tests import NextTestSettings
from pipeline.settings.refer import ReferSettings
from sample_logs.generator.spec import Rates, WorldSpec
from sample_logs.generator.world import simulate_world

Floats = NDArray[np.float64]

SURE = 0.95
"""Settled: the vehicle is at fault, or not, with this probability."""
GIVE_UP = 100
VEHICLE = 0


class LonelySpec(WorldSpec):
    """A world in which most vehicles keep to one EVSE and faults are five times as frequent.

    Many questions stay open.
    """

    @property
    def rates(self) -> Rates:
        """The standard rates, made lonely and faulty."""
        usual = super().rates
        return replace(
            usual, single_evse=0.7, exclusive_evse=0.3, vehicle_faults=tuple(5 * r for r in usual.vehicle_faults),
            evse_faults=tuple(5 * r for r in usual.evse_faults),
        )  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One undecided vehicle. Chances to fail have a column per cause (vehicle, EVSE, neither).

    `usual` (places,): how often it goes where; `usual_fails` (places, 3); `tests_fail` (tests, 3):
    of the proposed tests; `others`: plug-ins of other vehicles at the suspect EVSE per one of its
    own, which tell of the EVSE meanwhile.
    """

    prior: Floats
    usual: Floats
    usual_fails: Floats
    tests_fail: Floats
    others: float


SETTLED = pl.Schema(
    {
        "seed": pl.Int64(), "vehicle_id": pl.String(), "p_v": pl.Float64(), "p_e": pl.Float64(), "places": pl.Int64(),
        "others": pl.Float64(), "ordinary": pl.Float64(), "advised": pl.Float64(),
    }
)  # fmt: skip
_USUAL = NextTestSettings()
OTHERS_FAIL = np.array([_USUAL.sound_fails, _USUAL.faulty_evse_fails, _USUAL.sound_fails])


def settle(case: Case, rng: np.random.Generator, *, advised: bool) -> int:
    """Attempts until the vehicle is settled, GIVE_UP at most; the true cause is drawn from the
    prior.

    Advised, the proposed test with the most expected information is made each time; what others do
    goes on either way.
    """
    truth = rng.choice(3, p=case.prior)
    belief = case.prior
    for attempt in range(1, GIVE_UP + 1):
        if advised:
            bits = information_bits(np.tile(belief, (len(case.tests_fail), 1)), case.tests_fail)
            fails = case.tests_fail[int(bits.argmax())]
        else:
            fails = case.usual_fails[rng.choice(len(case.usual), p=case.usual)]
        for chances in (fails, *[OTHERS_FAIL] * rng.poisson(case.others)):
            belief = belief * (chances if rng.random() < chances[truth] else 1 - chances)
            belief = belief / belief.sum()
        if not 1 - SURE < belief[VEHICLE] < SURE:
            return attempt
    return GIVE_UP


def settled(
    seeds: Iterable[int], vehicles: int, evses: int, per_day: float, times: int = 200
) -> pl.DataFrame:
    """One row per open question of the worlds with a test proposed for it: mean attempts to settle
    it, both ways.

    Ordinary use is where the vehicle went in the look-back, the suspect EVSE included.
    """
    rows: list[dict[str, object]] = []
    for seed in seeds:
        world = simulate_world(LonelySpec(vehicles, evses, 12, seed, attempts_per_day=per_day))
        week = week_of(world.spec.end - timedelta(days=1))
        inputs = inputs_of(world, week)
        out = refer(inputs, ReferSettings(), week)
        unsure = pl.max_horizontal("p_v", "p_e", "p_n") < SURE
        for question in out.questions.filter(unsure).to_dicts():
            case = case_of(question, inputs.attempts)
            rng = np.random.default_rng([seed, len(rows)])
            rows.append(
                {"seed": seed, "vehicle_id": question["question"], "p_v": case.prior[0], "p_e": case.prior[1],
                 "places": len(case.usual), "others": case.others,
                 "ordinary": float(np.mean([settle(case, rng, advised=False) for _ in range(times)])),
                 "advised": float(np.mean([settle(case, rng, advised=True) for _ in range(times)]))}
            )  # fmt: skip
    return pl.DataFrame(rows, schema=SETTLED)


def case_of(question: Mapping[str, Any], attempts: pl.DataFrame) -> Case:
    """A row of `open_questions` as a case, its usual places counted in the attempts."""
    used = attempts.filter(pl.col("supply") == "AC", pl.col("outcome").is_in(["charged", "failed"]))
    mine = pl.col("vehicle_id") == question["question"]
    places = (
        used.filter(mine)
        .group_by("evse_id")
        .agg(pl.len().alias("n"), pl.col("diode_check").last())
        .sort("evse_id")
    )
    at_rival = pl.Series([e == question["rival"] for e in places["evse_id"]]).to_numpy()
    others = used.filter(~mine, pl.col("evse_id") == str(question["rival"])).height / max(
        int(places["n"].sum()), 1
    )
    diode = str(question["suspect"]).startswith("pilot_diode")
    own = np.where(
        (places["diode_check"] == "no").to_numpy() & diode,
        _USUAL.sound_fails,
        float(question["f_v"]),
    )
    sound = np.full(len(own), _USUAL.sound_fails)
    tests = np.array(
        [[float(question["f_v"]), _USUAL.sound_fails, _USUAL.sound_fails], OTHERS_FAIL]
    )
    return Case(
        np.array([question["p_v"], question["p_e"], question["p_n"]], dtype=np.float64),
        places["n"].to_numpy() / places["n"].sum(),
        np.column_stack(
            [own, np.where(at_rival, _USUAL.faulty_evse_fails, _USUAL.sound_fails), sound]
        ),
        tests,
        others,
    )
