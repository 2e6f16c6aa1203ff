"""Stage events of a plug-in: what each record says of how far it had come and what went wrong.

One row a record: `plug_in, at_utc, level, fault, fault_raw, rank, strength, done, meant, let_go, cut,
tells_state, file_id, line`. level 0 plugged, 1 offered, 2 requested, 3 energised (4 delivering comes from the
meter); null = does not say. strength 2 a fault, 1 a warning or sign, 0 none. done: charging has
ended as meant; meant: a person ended it. let_go: the vehicle itself stopped asking. cut: the EVSE
took back what it offered while the vehicle asked, or within the early window. tells_state: the record
says how the EVSE stands, so that trouble it does not name is over.

What happens as the vehicle is leaving is the driver's: a Type 1 button or the cable's way out makes
it stop asking, and stations tell of that as lost communication. Rows are expected with `to_utc`, when
the plug-in ended (null: not seen).
"""

from __future__ import annotations

import polars as pl

from pipeline.core.masks import is_true
from pipeline.normalise.signals import codes
from pipeline.ocpp import predicates, vocabulary
from pipeline.settings.normalise import NormaliseSettings

STAGES = ("plugged", "offered", "requested", "energised", "delivering")
STAGE_EVENT = [
    "plug_in",
    "at_utc",
    "level",
    "fault",
    "fault_raw",
    "rank",
    "strength",
    "done",
    "meant",
    "let_go",
    "cut",
    "tells_state",
    "file_id",
    "line",
]
COMMUNICATION = "EVCommunicationError"


def leaving(settings: NormaliseSettings) -> pl.Expr:
    """The vehicle is on its way out, or gone."""
    return is_true(pl.col("at_utc") >= pl.col("to_utc") - pl.duration(seconds=settings.leaving_s))


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
    """Stage events of assigned pilot rows.

    Where the contactor is not recorded, C2 that lasts counts as closed.
    """
    before = pl.col("pilot_state").shift(1).over("plug_in")
    after_s = (
        pl.col("at_utc").shift(-1).over("plug_in") - pl.col("at_utc")
    ).dt.total_microseconds()
    rows = pilot.sort("plug_in", "at_utc", "file_id", "line").with_columns(
        letter=pl.col("pilot_state").str.slice(0, 1),
        pwm=pl.col("pilot_state").str.slice(1, 1) == "2",
        before=before,
        next_letter=pl.col("pilot_state").shift(-1).over("plug_in").str.slice(0, 1),
        closed_before=is_true((pl.col("contactor") == "closed").shift(1).over("plug_in")),
        unsaid=pl.col("contactor").is_null().all().over("plug_in"),
        lasts_s=after_s / 1e6,
        since_s=(after_s / 1e6).shift(1).over("plug_in"),
    )
    asks, held = pl.col("letter").is_in(["C", "D"]), pl.col("letter").is_in(["E", "F"])
    lasted = pl.col("unsaid") & (pl.col("since_s") > settings.settle_s)
    opened = asks & (pl.col("contactor") == "open") & pl.col("closed_before")
    refused = (
        pl.col("before").is_in(["C2", "D2"])
        & ~pl.col("closed_before")
        & ~lasted
        & pl.col("pilot_state").is_in(["B1", "C1", "D1", "E", "F"])
    )
    withdrawn = (
        (pl.col("pilot_state") == "B1")
        & (pl.col("before") == "B2")
        & (pl.col("since_s") <= settings.early_window_s)
    )
    closed = asks & (
        (pl.col("contactor") == "closed")
        | (pl.col("unsaid") & pl.col("pwm") & (pl.col("lasts_s") > settings.settle_s))
    )
    out = (pl.col("next_letter") == "A") | (
        pl.col("to_utc") - pl.col("at_utc") <= pl.duration(seconds=settings.bounce_s)
    )
    bounce = held & is_true(out) & (pl.col("lasts_s").fill_null(0.0) < settings.bounce_s)
    in_b = (pl.col("letter") == "B") & ~pl.col("fault_trouble")
    return rows.with_columns(
        level=pl.when(is_true(closed))
        .then(3)
        .when(asks)
        .then(2)
        .when((pl.col("letter") == "B") & pl.col("pwm"))
        .then(1)
        .when(pl.col("letter") == "B")
        .then(0),
        strength=pl.when("fault_trouble").then(2).when(held & ~bounce).then(1).otherwise(0),
        rank=_rank(),
        done=in_b,
        meant=pl.lit(value=False),
        let_go=in_b & pl.col("pwm") & ~leaving(settings),
        cut=is_true(opened | withdrawn | refused),
        tells_state=pl.lit(value=True),
        fault_raw=pl.coalesce(
            "fault_raw", pl.when(held).then(pl.format("state {}", "pilot_state"))
        ),
    ).select(STAGE_EVENT)


def of_signals(signals: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Stage events of assigned messages. An accepted card or a started transaction means that current is
    offered.

    Trouble that is over while the station still says Charging: charging goes on. A fault of the
    whole station (connector 0) is a sign of trouble: what it means for the plug-in is told by what
    became of that. What only serves the authorisation ends nothing once current is offered, unless the
    station calls itself Faulted. An error code beside another status than Faulted is a warning (OCPP 1.6, 4.9), but
    where it names a part and the EVSE gives nothing in that status, it is what stopped the supply.
    """
    status = pl.when(predicates.is_status()).then(pl.col("status"))
    state = predicates.state()
    started = (pl.col("action") == "StartTransaction") & predicates.is_accepted()
    accepted = predicates.shows_token() & (pl.col("id_token_status") == "Accepted")
    ended = predicates.is_stop()
    unplugged = ended & is_true(pl.col("stop_reason") == "EVDisconnected")
    abnormal = predicates.is_abnormal() & ~unplugged
    whole = (pl.col("connector_id") == 0).fill_null(value=False)
    named = pl.col("fault").is_not_null() & ~pl.col("action").is_in(["StatusNotification"])
    parting = leaving(settings) & is_true(pl.col("fault") == COMMUNICATION)
    offers = started | accepted | is_true(state.is_in(["Charging", "SuspendedEV"]))
    offered = is_true(offers.cum_max().over("plug_in"))
    serves = is_true(pl.col("fault").is_in(codes.serving_authorisation()))
    aside = serves & offered & ~is_true(status == "Faulted")
    held_back = (
        is_true(status.is_in(vocabulary.SUPPLY_OFF))
        & ~whole
        & (pl.col("fault").replace_strict(codes.fault_ranks(), default=0).fill_null(0) >= 2)
    )
    hard = abnormal | ((status == "Faulted") & ~whole) | named | held_back
    lost = (
        ended
        & (pl.col("trigger_reason") == "EVCommunicationLost")
        & ~leaving(settings)
        & ~unplugged
    )
    soft = (
        pl.col("fault_raw").is_not_null()
        | lost
        | pl.col("stop_reason").is_in(vocabulary.UNEXPLAINED_STOPS)
    )
    lately = pl.when(ended).then(pl.lit("Ended")).otherwise(state).forward_fill().over("plug_in")
    goes_on = (
        (pl.col("action") == "NotifyEvent")
        & (pl.col("info") == vocabulary.CLEARED)
        & (lately == "Charging")
    )
    return (
        signals.sort("plug_in", "at_utc", "file_id", "line", maintain_order=True)
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
            strength=pl.when(parting | aside)
            .then(0)
            .when(hard.fill_null(value=False))
            .then(2)
            .when(soft.fill_null(value=False))
            .then(1)
            .otherwise(0),
            done=is_true(state.is_in(["SuspendedEV", "Finishing"])) | predicates.is_meant_stop(),
            meant=predicates.is_personal_stop(),
            let_go=(is_true(state == "SuspendedEV") & ~leaving(settings))
            | is_true(pl.col("stop_reason").is_in(vocabulary.VEHICLE_STOPS)),
            cut=pl.lit(value=False),
            tells_state=state.is_not_null() & ~whole,
        )
        .select(STAGE_EVENT)
    )


def beside_pilot(signals: pl.DataFrame, pilot: pl.DataFrame) -> pl.DataFrame:
    """Signals with `seen_by_pilot`.

    There the pilot tells how far it came, messages only of faults and ends.
    """
    known = pilot.select("plug_in", seen_by_pilot=pl.lit(value=True)).unique()
    return signals.join(known, on="plug_in", how="left", maintain_order="left").with_columns(
        pl.col("seen_by_pilot").fill_null(value=False)
    )
