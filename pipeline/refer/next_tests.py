"""Which plug-in would tell: the test with the most expected information, practical ones first.

Three causes stand against each other for an undecided vehicle: the vehicle (V), the EVSE it failed
at most (E), neither (N). A plug-in fails or charges; its expected information is I(H; Y) = h(sum
p_h f_h) - sum p_h h(f_h) bits, h the binary entropy, f_h the chance to fail under cause h (T.
Cover, J. Thomas, Elements of Information Theory, from memory). Two kinds are proposed: this vehicle
at a healthy EVSE, and a healthy vehicle at the suspect EVSE.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.masks import is_true
from pipeline.refer.inputs import ReferInputs
from pipeline.refer.plug_places import fits, sites
from pipeline.refer.suspects.vehicles import DIODE
from pipeline.registry import conform, empty
from pipeline.settings.next_tests import NextTestSettings
from pipeline.settings.refer import ReferSettings

Floats = NDArray[np.float64]


def information_bits(prior: Floats, fails: Floats) -> Floats:
    """Expected information in bits of a test, shape (tests,).

    `prior` and `fails` have shape (tests, causes).
    """

    def entropy(p: Floats) -> Floats:
        inner = np.clip(p, 1e-15, 1 - 1e-15)
        return np.asarray(-(inner * np.log2(inner) + (1 - inner) * np.log2(1 - inner)))

    return np.asarray(
        np.maximum(entropy((prior * fails).sum(axis=1)) - (prior * entropy(fails)).sum(axis=1), 0.0)
    )


def next_tests(
    inputs: ReferInputs,
    attempts: pl.DataFrame,
    questions: pl.DataFrame,
    called: pl.DataFrame,
    evses: pl.DataFrame,
    settings: ReferSettings,
) -> pl.DataFrame:
    """out_next_tests: at most `tests_per_question` plug-ins for each undecided vehicle, the most
    useful first.

    `questions`: as `open_questions` finds them; `called`: as `call_vehicles` makes it; `evses`: as
    `judge_evses`.
    """
    equipment = _equipment(inputs.equipment, attempts, evses)
    if questions.is_empty() or equipment.is_empty():
        return empty("out_next_tests")
    own = _this_vehicle_elsewhere(inputs, attempts, questions, equipment, settings.next_tests)
    other = _sound_vehicle_there(attempts, questions, called, settings.next_tests)
    # nobody is sent to an EVSE that is to stand still until it has been looked at
    other = other.join(evses.filter(pl.col("call") == "faulty"), on="evse_id", how="anti")
    tests = pl.concat([own, other], how="diagonal").with_row_index("row")
    prior = tests.select("p_v", "p_e", "p_n").to_numpy()
    bits = information_bits(prior, tests.select("f_v", "f_e", "f_n").to_numpy())
    worth = pl.col("expected_bits") * pl.col("tier").replace_strict(
        dict(enumerate(settings.next_tests.nearness)), return_dtype=pl.Float64
    )
    best = (
        tests.with_columns(pl.Series("expected_bits", bits))
        .filter(pl.col("expected_bits") >= settings.next_tests.least_bits)
        .with_columns(worth.alias("worth"))
        .sort(
            ["question", "worth", "vehicle_id", "evse_id"], descending=[False, True, False, False]
        )
        .group_by("question", maintain_order=True)
        .head(settings.tests_per_question)
        .unique(["vehicle_id", "evse_id"], keep="first", maintain_order=True)
    )
    return conform(best, "out_next_tests")


def _equipment(
    equipment: pl.DataFrame, attempts: pl.DataFrame, evses: pl.DataFrame
) -> pl.DataFrame:
    """AC EVSEs with what is believed of each, `p_evse` and `evse_call`, and its diode check as last seen."""
    checks = attempts.group_by("evse_id").agg(pl.col("check").last())
    believed = evses.select("evse_id", "p_evse", pl.col("call").alias("evse_call"))
    return (
        equipment.filter(pl.col("supply") == "AC")
        .join(believed, on="evse_id", how="left")
        .join(checks, on="evse_id", how="left")
        .with_columns(
            pl.coalesce("check", "diode_check").alias("check"), pl.col("p_evse").fill_null(0.0)
        )
    )


def open_questions(
    attempts: pl.DataFrame,
    called: pl.DataFrame,
    evses: pl.DataFrame,
    settings: NextTestSettings,
) -> pl.DataFrame:
    """Undecided vehicles, and those that alone failed at an EVSE which is undecided.

    `question` (their id), suspect, the rival EVSE, prior `p_v, p_e, p_n`, `f_v` at a checking EVSE.
    """
    undecided = called.filter(
        pl.col("call").is_in(["watch", "insufficient_data"]), ~pl.col("dismissed")
    ).select("vehicle_id", "vehicle_model", "suspect", "p_vehicle")
    p_v, p_e = pl.col("p_vehicle"), pl.col("p_evse").fill_null(0.0)
    raw_v, raw_e, raw_n = p_v * (1 - p_e), p_e * (1 - p_v), (1 - p_v) * (1 - p_e)
    total = raw_v + raw_e + raw_n
    named = undecided.join(_rivals(attempts, evses), on="vehicle_id", how="left").select(
        pl.col("vehicle_id").alias("question"),
        "vehicle_model",
        "suspect",
        "rival",
        "p_vehicle",
        "evse_open",
        (raw_v / total).alias("p_v"),
        (raw_e / total).alias("p_e"),
        (raw_n / total).alias("p_n"),
        pl.col("suspect")
        .replace_strict(
            {s: by_check["yes"] for s, by_check in settings.diode_fails.items()},
            default=settings.faulty_vehicle_fails,
            return_dtype=pl.Float64,
        )
        .alias("f_v"),
    )
    # a vehicle whose failures are its EVSE's by now asks nothing more, but of an EVSE that no other vehicle has tried in vain
    open_ = pl.all_horizontal(
        pl.col("p_vehicle", "p_v").is_between(settings.least_p, 1 - settings.least_p)
    )
    return named.filter(open_ | is_true(pl.col("evse_open"))).drop("p_vehicle", "evse_open")


def _rivals(attempts: pl.DataFrame, evses: pl.DataFrame) -> pl.DataFrame:
    """`vehicle_id, rival, p_evse, evse_open`: the EVSE each vehicle failed at most, the likelier at fault of two alike; whether it
    is on watch and failed this vehicle alone.
    """
    failed = attempts.filter(
        pl.col("supply") == "AC", pl.col("outcome") == "failed", pl.col("vehicle_id").is_not_null()
    )
    return (
        failed.group_by("vehicle_id", "evse_id")
        .agg(pl.len().alias("n"))
        .with_columns(alone=pl.len().over("evse_id") == 1)
        .join(evses.select("evse_id", "p_evse", "call"), on="evse_id")
        .sort(["vehicle_id", "n", "p_evse", "evse_id"], descending=[False, True, True, False])
        .group_by("vehicle_id", maintain_order=True)
        .first()
        .select(
            "vehicle_id",
            pl.col("evse_id").alias("rival"),
            "p_evse",
            evse_open=pl.col("alone") & (pl.col("call") == "watch"),
        )
    )


def _this_vehicle_elsewhere(
    inputs: ReferInputs,
    attempts: pl.DataFrame,
    questions: pl.DataFrame,
    equipment: pl.DataFrame,
    settings: NextTestSettings,
) -> pl.DataFrame:
    healthy = equipment.filter(
        pl.col("p_evse") < settings.healthy_below,
        pl.col("evse_call").fill_null("insufficient_data").is_in(["clear", "insufficient_data"]),
    )
    fails = pl.lit(settings.faulty_vehicle_fails)
    for suspect, by_check in settings.diode_fails.items():
        here = pl.col("check").replace_strict(by_check, return_dtype=pl.Float64)
        fails = pl.when(pl.col("suspect") == suspect).then(here).otherwise(fails)
    checks = pl.when(pl.col("suspect").is_in(DIODE) & (pl.col("check") == "yes")).then(
        pl.lit(", which checks the pilot diode")
    )
    where = pl.col("tier").replace_strict(
        {0: "at its usual site", 1: "at a site it uses", 2: "at another site"},
        return_dtype=pl.String,
    )
    return (
        questions.join(fits(inputs, attempts, equipment), on="vehicle_model")
        .join(healthy, on="connector_type")
        .filter(pl.col("evse_id") != pl.col("rival").fill_null(""))
        .join(sites(attempts, questions["question"]), on=["question", "site_id"], how="left")
        .with_columns(pl.col("tier").fill_null(2))
        .select(
            "question", "p_v", "p_e", "p_n", "tier", "evse_id",
            pl.col("question").alias("vehicle_id"),
            fails.alias("f_v"),
            pl.lit(settings.sound_fails).alias("f_e"),
            pl.lit(settings.sound_fails).alias("f_n"),
            pl.format("whether vehicle {} is at fault", "question").alias("decides"),
            pl.format("{} {}, a healthy EVSE{}: a failure there speaks for the vehicle's fault, a charge against it.",
                      "evse_id", where, checks.fill_null("")).alias("reason"),
        )
    )  # fmt: skip


def _sound_vehicle_there(
    attempts: pl.DataFrame,
    questions: pl.DataFrame,
    called: pl.DataFrame,
    settings: NextTestSettings,
) -> pl.DataFrame:
    """A healthy vehicle that has charged at the rival EVSE's site, at that EVSE.

    The one that uses the site most.
    """
    sound = called.filter(pl.col("call") == "clear", pl.col("p_vehicle") < settings.healthy_below)[
        "vehicle_id"
    ]
    place = attempts.group_by("evse_id").agg(pl.col("site_id").last(), pl.col("coupler").last())
    guests = (
        attempts.filter(
            pl.col("vehicle_id").is_in(sound.implode()),
            pl.col("supply") == "AC",
            pl.col("outcome") == "charged",
        )
        .group_by("site_id", "coupler", "vehicle_id")
        .len("n")
        .sort(["site_id", "coupler", "n", "vehicle_id"], descending=[False, False, True, False])
        .group_by("site_id", "coupler", maintain_order=True)
        .first()
    )
    return (
        questions.filter(pl.col("rival").is_not_null())
        .join(place.rename({"evse_id": "rival"}), on="rival")
        .join(guests, on=["site_id", "coupler"])
        .select(
            "question", "p_v", "p_e", "p_n", pl.lit(0, dtype=pl.Int64).alias("tier"),
            pl.col("rival").alias("evse_id"), "vehicle_id",
            pl.lit(settings.sound_fails).alias("f_v"),
            pl.lit(settings.faulty_evse_fails).alias("f_e"),
            pl.lit(settings.sound_fails).alias("f_n"),
            pl.format("whether EVSE {} or vehicle {} is at fault", "rival", "question").alias("decides"),
            pl.format("healthy vehicle {} at {}, where {} failed: a failure speaks for the EVSE's fault, a charge against it.",
                      "vehicle_id", "rival", "question").alias("reason"),
        )
    )  # fmt: skip
