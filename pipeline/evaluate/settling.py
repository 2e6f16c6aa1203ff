"""How many attempts it takes to settle an undecided vehicle: by ordinary use, and by following the proposed tests."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.evaluate.frames import inputs_of
from pipeline.refer.next_tests import FAULTY_EVSE_FAILS, SOUND_FAILS, information_bits
from pipeline.refer.referral import refer
from pipeline.settings.refer import ReferSettings
from pipeline.weeks import week_of
from sample_logs.generator.spec import WorldSpec
from sample_logs.generator.world import simulate_world

Floats = NDArray[np.float64]

SURE = 0.95
"""Settled: the vehicle is at fault, or not, with this probability."""
GIVE_UP = 100
VEHICLE, EVSE, NEITHER = range(3)


def settle(
    prior: Floats, usual: Floats, usual_fails: Floats, tests_fail: Floats, rng: np.random.Generator, *, advised: bool
) -> int:
    """Attempts until one undecided vehicle is settled, GIVE_UP at most; the true cause is drawn from the prior.

    `usual` (places,): how often the vehicle goes where; `usual_fails` (places, 3): chance to fail there by cause; `tests_fail`
    (tests, 3): the same for the proposed tests, of which the one with the most expected information is made each time.
    """
    truth = rng.choice(3, p=prior)
    belief = prior.copy()
    for attempt in range(1, GIVE_UP + 1):
        if advised:
            bits = information_bits(np.tile(belief, (len(tests_fail), 1)), tests_fail)
            fails = tests_fail[int(bits.argmax())]
        else:
            fails = usual_fails[rng.choice(len(usual), p=usual)]
        failed = rng.random() < fails[truth]
        belief = belief * (fails if failed else 1 - fails)
        belief = belief / belief.sum()
        if not 1 - SURE < belief[VEHICLE] < SURE:
            return attempt
    return GIVE_UP


def settled(seeds: Iterable[int], vehicles: int, evses: int, per_day: float, times: int = 200) -> pl.DataFrame:
    """One row per question the refer stage left open in the worlds: mean attempts to settle it, both ways.

    Ordinary use is where the vehicle went in the look-back, the suspect EVSE included; its chance to fail elsewhere by its own
    fault is that of the proposed tests.
    """
    rows: list[dict[str, object]] = []
    for seed in seeds:
        world = simulate_world(WorldSpec(vehicles, evses, 12, seed, attempts_per_day=per_day))
        week = week_of(world.spec.end - timedelta(days=1))
        inputs = inputs_of(world, week)
        out = refer(inputs, ReferSettings(), week)
        asked = out.questions.join(
            out.next_tests.select(pl.col("vehicle_id").alias("question")).unique(), on="question", how="semi"
        )
        for question in asked.to_dicts():
            rows.append({"seed": seed} | _both(question, inputs.attempts, np.random.default_rng([seed, len(rows)]), times))
    return pl.DataFrame(rows)


def _both(question: dict[str, object], attempts: pl.DataFrame, rng: np.random.Generator, times: int) -> dict[str, object]:
    went = attempts.filter(
        pl.col("vehicle_id") == question["question"], pl.col("supply") == "AC", pl.col("outcome").is_in(["charged", "failed"])
    )
    places = went.group_by("evse_id").len("n").sort("evse_id")
    at_rival = (places["evse_id"] == str(question["rival"])).fill_null(value=False).to_numpy()
    usual = places["n"].to_numpy() / places["n"].sum()
    prior = np.array([question["p_v"], question["p_e"], question["p_n"]], dtype=np.float64)
    own = float(str(question["f_v"]))
    usual_fails = np.column_stack(
        [np.full(len(usual), own), np.where(at_rival, FAULTY_EVSE_FAILS, SOUND_FAILS), np.full(len(usual), SOUND_FAILS)]
    )
    tests = np.array([[own, SOUND_FAILS, SOUND_FAILS], [SOUND_FAILS, FAULTY_EVSE_FAILS, SOUND_FAILS]])
    needed = {
        name: np.mean([settle(prior, usual, usual_fails, tests, rng, advised=advised) for _ in range(times)])
        for name, advised in (("ordinary", False), ("advised", True))
    }
    return {"vehicle_id": question["question"], "p_v": prior[0], "p_e": prior[1], "places": len(usual)} | needed
