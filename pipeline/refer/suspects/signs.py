"""From attempts to signs: what each vehicle's and each EVSE's failures look like, in the categories
of schemas/signatures.

Signs of a vehicle are counted once per EVSE and signs of an EVSE once per vehicle: partners are the
independent witnesses. A failed attempt counts by the blame attribution gave the unit: a failure
that was the EVSE's own is no sign about the vehicle.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.weeks import LookBack
from pipeline.refer.inputs import stored_code
from pipeline.refer.suspects.recorded import logged
from pipeline.refer.suspects.signatures import word_groups
from pipeline.refer.suspects.unseen import card_only

NAMED = ("diode", "pilot")
GENERIC_WORDS = "generic"
SOCKET = "s"
"""ConnectorEnumType codes that begin so are socket outlets: the cable is the vehicle's."""
CCS = ("cCCS1", "cCCS2")
OWN_SIGNALS = ("cG105", "cGBT", "cChaoJi")
"""DC couplers without a pilot contact: CHAdeMO, GB/T and its successor (the last two from memory, not in ConnectorEnumType)."""


def stopped_at() -> pl.Expr:
    """Category of `stopped_at` for a failed AC attempt."""
    return (
        pl.when(~logged()).then(None)
        .when(pl.col("stage") == "plugged").then(pl.lit("before_pwm"))
        .when(pl.col("early_b")).then(pl.lit("early_b"))
        .when(pl.col("stage").is_in(["offered", "requested"])).then(pl.lit("late_b"))
        .when(pl.col("stage") == "energised").then(pl.lit("closed"))
        .otherwise(pl.lit("delivering"))
    )  # fmt: skip


def loudness() -> pl.Expr:
    """Category of `silence` for an AC attempt that went wrong; none where no EVSE saw the vehicle (`unseen` weighs it)."""
    return (
        pl.when(card_only())
        .then(None)
        .when("silent")
        .then(pl.lit("silent"))
        .otherwise(pl.lit("loud"))
    )


def evse_stopped_at() -> pl.Expr:
    """Category of `evse_stopped_at` for a failed attempt."""
    told = pl.col("stage").replace({"plugged": "before_pwm", "energised": "closed"})
    unseen_request = pl.col("stage").is_in(["offered", "requested"]) & ~sees_pilot()
    return (
        pl.when(~logged()).then(None)
        .when(unseen_request).then(pl.lit("offered|requested"))
        .otherwise(told)
    )  # fmt: skip


def sees_pilot() -> pl.Expr:
    """True where the pilot was recorded: messages alone do not tell a vehicle that asks in vain from one that does not ask."""
    return pl.col("source").str.contains("pilot")


def failure_looks() -> dict[str, pl.Expr]:
    """What a failed AC attempt itself looks like, by signature; `fault_word` is a column that `with_words` adds."""
    says = (
        pl.when("vehicle_fault")
        .then(pl.lit("charge_fault"))
        .when(~pl.col("vehicle_fault"))
        .then(pl.lit("nothing"))
    )
    return {"stopped_at": stopped_at(), "fault_word": pl.col("fault_word"), "vehicle_says": says}


def with_words(failed: pl.DataFrame) -> pl.DataFrame:
    """Failed attempts with `fault_word`: the group of the fault code, as this EVSE model uses it.

    A word that says nothing counts as `generic_though_named` where the same model has named a diode
    or pilot fault at another vehicle or EVSE: such equipment would have said so.
    """
    groups = word_groups()
    group = pl.col("fault").replace_strict(
        dict(groups), default=GENERIC_WORDS, return_dtype=pl.String
    )
    rows = failed.with_columns(
        pl.when(pl.col("fault").is_null())
        .then(pl.lit("no_word"))
        .otherwise(group)
        .alias("fault_word")
    )
    namers = (
        rows.filter(pl.col("fault_word").is_in(NAMED))
        .group_by("evse_model")
        .agg(
            pl.col("vehicle_id").n_unique().alias("named_at"),
            pl.col("vehicle_id").first().alias("named_first"),
        )
    )
    elsewhere = (pl.col("named_at") > 1) | (pl.col("named_first") != pl.col("vehicle_id"))
    says_nothing = pl.col("fault_word").is_in(["no_word", GENERIC_WORDS])
    return (
        rows.join(namers, on="evse_model", how="left", maintain_order="left")
        .with_columns(
            pl.when(says_nothing & elsewhere.fill_null(value=False))
            .then(pl.lit("generic_though_named"))
            .otherwise("fault_word")
            .alias("fault_word")
        )
        .drop("named_at", "named_first")
    )


def witnessed(
    rows: pl.DataFrame, unit: str, partner: str, signature: str, category: pl.Expr, weight: pl.Expr
) -> pl.DataFrame:
    """Signs of one signature: share of each category at each partner, times how surely the partner
    is a witness at all.

    Returns `unit, signature, category, amount`; a partner counts 1 at most.
    """
    weighed = (
        rows.select(
            pl.col(unit).alias("unit"),
            pl.col(partner).alias("partner"),
            category.alias("category"),
            weight.alias("w"),
        )
        .filter(pl.col("w") > 0, pl.col("unit").is_not_null(), pl.col("category").is_not_null())
        .group_by("unit", "partner", "category", maintain_order=True)
        .agg(pl.col("w").sum())
        .sort("unit", "partner", "category")
    )
    total = pl.col("w").sum().over("unit", "partner")
    return (
        weighed.with_columns(pl.col("w") / pl.max_horizontal(total, pl.lit(1.0)))
        .group_by("unit", "category", maintain_order=True)
        .agg(pl.col("w").sum().alias("amount"))
        .select("unit", pl.lit(signature).alias("signature"), "category", "amount")
    )


def trouble_codes(dtcs: pl.DataFrame, since_utc: pl.DataFrame, look_back: LookBack) -> pl.DataFrame:
    """`unit, category` of `trouble_code` from read-outs since the trouble began.

    Confirmed and pending codes count.
    """
    read = (
        dtcs.filter(pl.col("at_utc") < look_back.to_utc)
        .join(since_utc, on="vehicle_id", how="inner")
        .filter(pl.col("at_utc") >= pl.col("since_utc").fill_null(look_back.from_utc))
    )
    return (
        read.group_by(pl.col("vehicle_id").alias("unit"))
        .agg(stored_code().any().alias("stored"))
        .select(
            "unit",
            pl.when("stored")
            .then(pl.lit("stored"))
            .otherwise(pl.lit("none_stored"))
            .alias("category"),
        )
    )


def once(frame: pl.DataFrame, signature: str) -> pl.DataFrame:
    """Signs a unit shows or does not: frame of `unit, category`, each counted as one witness."""
    return frame.select(
        "unit", pl.lit(signature).alias("signature"), "category", pl.lit(1.0).alias("amount")
    )


_OF_A_SIGN = (
    "vehicle_id", "evse_id", "evse_model", "supply", "coupler", "outcome", "stage", "early_b", "source", "fault",
    "vehicle_fault", "silent", "plugged_at_utc", "unplugged_at_utc", "check", "weight", "p_vehicle",
)  # fmt: skip


def vehicle_signs(attempts: pl.DataFrame) -> pl.DataFrame:
    """Signs of vehicles from attempts since their trouble began.

    `attempts`: core_attempt rows (charged, failed or silent, weight above 0) with blame, `silent`
    and `check` (yes, no, unknown: whether the EVSE checks the diode, given or learnt).
    """
    attempts = attempts.select(_OF_A_SIGN)  # every selection below is a copy
    blamed = attempts.filter(pl.col("supply") == "AC", pl.col("p_vehicle").is_not_null())
    attempts = attempts.filter(pl.col("outcome").is_in(["charged", "failed"]))
    ac = attempts.filter(pl.col("supply") == "AC")
    failed = with_words(ac.filter(pl.col("outcome") == "failed"))
    blame = pl.col("p_vehicle").fill_null(0.0) * pl.col("weight")
    ended = pl.when(pl.col("outcome") == "failed").then(blame).otherwise("weight")
    looks = failure_looks().items()
    parts = [
        *(witnessed(failed, "vehicle_id", "evse_id", name, look, blame) for name, look in looks),
        witnessed(blamed, "vehicle_id", "evse_id", "silence", loudness(), blame),
    ]
    ccs = attempts.filter(pl.col("supply") == "DC", pl.col("coupler").is_in(CCS))
    own = attempts.filter(pl.col("supply") == "DC", pl.col("coupler").is_in(OWN_SIGNALS))
    check, at_socket = pl.col("check"), pl.col("coupler").str.starts_with(SOCKET)
    split = [
        (ac, check == "yes", "at_checking"), (ac, check == "no", "at_not_checking"),
        (ccs, check == "yes", "ccs_checking"), (ccs, check == "no", "ccs_not_checking"), (ccs, check == "unknown", "ccs_unknown"),
        (ac, at_socket, "at_socket"), (ac, ~at_socket, "at_tethered"), (own, pl.lit(value=True), "dc_own_signals"),
    ]  # fmt: skip
    for rows, which, name in split:
        parts.append(
            witnessed(rows.filter(which), "vehicle_id", "evse_id", name, pl.col("outcome"), ended)
        )
    return pl.concat(parts)


def evse_looks() -> dict[str, pl.Expr]:
    """What a failed attempt looks like at its EVSE, by signature; `fault_word` is a column that `with_words` adds."""
    return {"evse_stopped_at": evse_stopped_at(), "evse_fault_word": pl.col("fault_word")}


def at_evses(attempts: pl.DataFrame) -> pl.DataFrame:
    """Failed attempts `with_words`, and the partner of their EVSE: the vehicle, or the attempt itself where nobody knows whose it was."""
    failed = with_words(attempts.filter(pl.col("outcome") == "failed"))
    return failed.with_columns(pl.coalesce("vehicle_id", "attempt_id").alias("partner_id"))


def evse_signs(failed: pl.DataFrame) -> pl.DataFrame:
    """Signs of EVSEs from failures since their trouble began; rows as `at_evses` gives them, with `p_evse`, the share it bears."""
    blame = pl.col("p_evse").fill_null(0.0) * pl.col("weight")
    looks = evse_looks().items()
    return pl.concat(
        [witnessed(failed, "evse_id", "partner_id", name, look, blame) for name, look in looks]
    )
