"""Moments of a plug-in: what each record says of how far it had come and what went wrong.

One row a record: `plug_in, at_utc, level, fault, fault_raw, rank, strength, done, eased, cut,
file_id, line`. level 0 plugged, 1 offered, 2 requested, 3 energised (4 delivering comes from the
meter); null = does not say. strength 2 a fault, 1 a warning or sign, 0 none. done: charging has
ended as meant. eased: the vehicle itself stopped asking. cut: the EVSE took back what it offered
while the vehicle asked, or within the early window.
"""

from __future__ import annotations

import polars as pl

from pipeline.normalise.signals import codes
from pipeline.ocpp import predicates, vocabulary
from pipeline.settings.normalise import NormaliseSettings

STAGES = ("plugged", "offered", "requested", "energised", "delivering")
MOMENT = [
    "plug_in",
    "at_utc",
    "level",
    "fault",
    "fault_raw",
    "rank",
    "strength",
    "done",
    "eased",
    "cut",
    "file_id",
    "line",
]

def _rank() -> pl.Expr:
    """How exactly a fault is named.

    Of two alike the one the source wrote itself goes before the one a phrase stands for.
    """
    exact = (
        pl.col("fault")
        .replace_strict(codes.fault_ranks(), default=-1, return_dtype=pl.Int64)
        .fill_null(-1)
    )
    return exact * 2 + (pl.col("fault") == pl.col("fault_raw")).fill_null(value=False).cast(
        pl.Int64
    )


def of_pilot(pilot: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Moments of assigned pilot rows.

    Where the contactor is not recorded, C2 that lasts counts as closed.
    """
    letter, pwm = (
        pl.col("pilot_state").str.slice(0, 1),
        pl.col("pilot_state").str.slice(1, 1) == "2",
    )
    asks = letter.is_in(["C", "D"])
    lasts_s = (
        pl.col("at_utc").shift(-1).over("plug_in") - pl.col("at_utc")
    ).dt.total_microseconds() / 1e6
    unsaid = pl.col("contactor").is_null().all().over("plug_in")
    state, closed_before = (
        pl.col("pilot_state").shift(1).over("plug_in"),
        (pl.col("contactor") == "closed").shift(1).over("plug_in"),
    )
    offered_s = (
        pl.col("at_utc") - pl.col("at_utc").shift(1).over("plug_in")
    ).dt.total_microseconds() / 1e6
    opened = asks & (pl.col("contactor") == "open") & closed_before
    withdrawn = (
        (pl.col("pilot_state") == "B1") & (state == "B2") & (offered_s <= settings.early_window_s)
    )
    closed = asks & (
        (pl.col("contactor") == "closed") | (unsaid & pwm & (lasts_s > settings.settle_s))
    )
    return (
        pilot.sort("plug_in", "at_utc", "file_id", "line")
        .with_columns(
            level=pl.when(closed.fill_null(value=False))
            .then(3)
            .when(asks)
            .then(2)
            .when((letter == "B") & pwm)
            .then(1)
            .when(letter == "B")
            .then(0),
            strength=pl.when("fault_trouble")
            .then(2)
            .when(letter.is_in(["E", "F"]))
            .then(1)
            .otherwise(0),
            rank=_rank(),
            done=(letter == "B") & ~pl.col("fault_trouble"),
            eased=(letter == "B") & pwm & ~pl.col("fault_trouble"),
            cut=(opened | withdrawn).fill_null(value=False),
            fault_raw=pl.coalesce(
                "fault_raw",
                pl.when(letter.is_in(["E", "F"])).then(pl.format("state {}", "pilot_state")),
            ),
        )
        .select(MOMENT)
    )


def of_signals(signals: pl.DataFrame) -> pl.DataFrame:
    """Moments of assigned messages. An accepted card or a started transaction means that current is
    offered.

    Trouble that is over while the station still says Charging: charging goes on. A fault of the
    whole station (connector 0) is a sign of trouble: what it means for the plug-in is told by what
    became of that.
    """
    status = pl.when(predicates.is_status()).then(pl.col("status"))
    state = predicates.state()
    started = (pl.col("action") == "StartTransaction") & predicates.is_accepted()
    accepted = predicates.shows_token() & (pl.col("id_token_status") == "Accepted")
    ended, abnormal = predicates.is_stop(), predicates.is_abnormal()
    whole = (pl.col("connector_id") == 0).fill_null(value=False)
    named = pl.col("fault").is_not_null() & ~pl.col("action").is_in(["StatusNotification"])
    hard = abnormal | ((status == "Faulted") & ~whole) | named
    soft = (
        pl.col("fault_raw").is_not_null()
        | (pl.col("trigger_reason") == "EVCommunicationLost")
        | pl.col("stop_reason").is_in(vocabulary.UNEXPLAINED_STOPS)
    )
    meant = predicates.is_meant_stop()
    lately = (
        pl.when(ended)
        .then(pl.lit("Ended"))
        .otherwise(state)
        .forward_fill()
        .over("plug_in")
    )
    goes_on = (
        (pl.col("action") == "NotifyEvent") & (pl.col("info") == vocabulary.CLEARED) & (lately == "Charging")
    )
    return (
        signals.sort("plug_in", "at_utc", "file_id", "line")
        .with_columns(
            level=pl.when(goes_on.fill_null(value=False))
            .then(3)
            .when("seen_by_pilot")
            .then(None)
            .when(state == "Charging")
            .then(3)
            .when((state == "SuspendedEV") | started | accepted)
            .then(1)
            .when(state.is_in(["Preparing", "EVConnected", "Occupied", "SuspendedEVSE"]))
            .then(0),
            rank=_rank(),
            strength=pl.when(hard.fill_null(value=False))
            .then(2)
            .when(soft.fill_null(value=False))
            .then(1)
            .otherwise(0),
            done=(state.is_in(["SuspendedEV", "Finishing"]) | meant).fill_null(value=False),
            eased=((state == "SuspendedEV") | pl.col("stop_reason").is_in(vocabulary.VEHICLE_STOPS)).fill_null(
                value=False
            ),
            cut=pl.lit(value=False),
        )
        .select(MOMENT)
    )


def beside_pilot(signals: pl.DataFrame, pilot: pl.DataFrame) -> pl.DataFrame:
    """Signals with `seen_by_pilot`.

    There the pilot tells how far it came, messages only of faults and ends.
    """
    known = pilot.select("plug_in", seen_by_pilot=pl.lit(value=True)).unique()
    return signals.join(known, on="plug_in", how="left", maintain_order="left").with_columns(
        pl.col("seen_by_pilot").fill_null(value=False)
    )


def levels(pilot: pl.DataFrame) -> pl.DataFrame:
    """Per plug-in: medians of the pilot's halves in B2 and C2, samples with a low side, current
    offered, time asked in vain.

    The current is the duty cycle's (IEC 61851-1 Table A.8, as given by a secondary source); 5 %
    offers none by itself.
    """
    in_b, in_c = pl.col("pilot_state") == "B2", pl.col("pilot_state") == "C2"
    d = pl.col("duty_pct")
    offered_a = (
        pl.when(d.is_between(8, 10, closed="left"))
        .then(6.0)
        .when(d.is_between(10, 85))
        .then(0.6 * d)
        .when(d.is_between(85, 96))
        .then(2.5 * (d - 64.0))
        .when(d.is_between(96, 97))
        .then(80.0)
    )
    pwm = pl.col("pilot_state").str.ends_with("2")
    next_s = (
        pl.col("at_utc").shift(-1).over("plug_in") - pl.col("at_utc")
    ).dt.total_microseconds() / 1e6
    vain = pl.col("pilot_state").is_in(["C2", "D2"]) & (pl.col("contactor") == "open")
    ordered = pilot.sort("plug_in", "at_utc", "file_id", "line").with_columns(_next_s=next_s)
    return ordered.group_by("plug_in", maintain_order=True).agg(
        offered_a=offered_a.filter(pwm).max(),
        pilot_high_b_v=pl.col("high_v").filter(in_b).median(),
        pilot_low_b_v=pl.col("low_v").filter(in_b).median(),
        pilot_high_c_v=pl.col("high_v").filter(in_c).median(),
        pilot_low_c_v=pl.col("low_v").filter(in_c).median(),
        pilot_low_samples=(pl.col("low_v").is_not_null() & (in_b | in_c)).sum().cast(pl.Int64),
        requested_s=pl.col("_next_s").filter(vain).sum(),
    )
