"""The site operator's page.

Which EVSEs are at fault and with what, apart from the cars that are.
"""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboards import charts
from dashboards.fleet import number_called, refer_settings
from dashboards.matrix import site_matrix
from dashboards.page_data import PageData, cells, counted, success_by_site
from dashboards.words import CAUSES, EVSE_CALLS, count, sentence
from pipeline.core.wording import percent

_RANK = {code: rank for rank, code in enumerate(EVSE_CALLS)}
_OPEN_SITES = 3
_TROUBLE_SHOWN = 60
# A corrected time this uncertain can put an attempt into the wrong plug-in of a busy EVSE; common
# practice, no source.
DOUBTFUL_CLOCK_S = 120.0


def sites_view(data: PageData) -> dict[str, Any]:
    """What the sites template needs."""
    rank = pl.col("call").replace_strict(_RANK, default=len(_RANK), return_dtype=pl.Int64)
    evses = data.evses.with_columns(rank=rank).sort(
        "rank", pl.col("p_evse").neg(), "evse_id", nulls_last=True
    )
    pairings = data.pairings.with_columns(rank=rank).sort(
        "rank", pl.col("p_pairing").neg(), "vehicle_model", nulls_last=True
    )
    called = pairings.filter(pl.col("call").is_in(["faulty", "watch"]))
    rates = success_by_site(data.attempts)
    distrusted = _distrusted(data.impossible)
    trust = _untrusted(data.equipment)
    return {
        "title": "Sites",
        "headline": _headline(evses, called),
        "lead": _lead(data, rates, evses.filter(pl.col("call") == "faulty")),
        "to_mend": evses.filter(pl.col("call") == "faulty").to_dicts(),
        "pairings": called.to_dicts(),
        "pairings_title": sentence(
            f"{count(called.height, 'pairing')} of vehicle model, EVSE model and firmware in doubt"
        ),
        "sites": _pictures(data, evses),
        "rate_title": _rate_title(rates),
        "rate_chart": charts.success_rates(rates) if rates.height else None,
        "evses": evses.to_dicts(),
        "chosen": "faulty watch insufficient_data"
        if evses.filter(pl.col("call") != "clear").height
        else "",
        "choices": [
            ("faulty watch insufficient_data", "all but the clear ones"),
            *EVSE_CALLS.items(),
        ],
        "trust": trust.head(_TROUBLE_SHOWN).to_dicts(),
        "distrusted": distrusted.head(_TROUBLE_SHOWN).to_dicts(),
        "clocks": _doubtful_clocks(data.attempts).to_dicts(),
        "trust_title": "Every station's log can be trusted"
        if distrusted.is_empty()
        else f"Logs to be read with care: {count(distrusted['station_id'].n_unique(), 'station')}",
    }


def _headline(evses: pl.DataFrame, called: pl.DataFrame) -> str:
    faulty, watch = number_called(evses, "faulty"), number_called(evses, "watch")
    verb = "fails" if faulty == 1 else "fail"
    first = f"{count(faulty, 'EVSE')} {verb} whichever vehicle plugs in, {watch} to watch"
    bad = number_called(called, "faulty")
    return sentence(
        first
        + (f"; {count(bad, 'pairing')} {'does' if bad == 1 else 'do'} not get on" if bad else "")
    )


def _lead(data: PageData, rates: pl.DataFrame, faulty: pl.DataFrame) -> str:
    said = [
        f"{count(data.evses.height, 'EVSE')} at {count(data.evses['site_id'].n_unique(), 'site')}."
    ]
    whole = int(rates["attempts"].sum())
    if whole:
        said.append(f"{percent(int(rates['charged'].sum()) / whole, 1)} of attempts charged.")
    cost = refer_settings(data).get("cost_week_faulty_evse")
    if cost and faulty.height:
        waiting = float(faulty["p_evse"].sum()) * cost
        said.append(
            f"Leaving the faulty ones for another week is expected to cost about {waiting:,.0f} in your currency."
        )
    return " ".join(said)


def _rate_title(rates: pl.DataFrame) -> str:
    if rates.is_empty():
        return "No attempt that counts toward a success rate"
    worst = rates.row(0, named=True)
    return f"Lowest success rate: {worst['site_id']}, {percent(worst['rate'], 1)} of {count(worst['attempts'], 'attempt')}"


def _pictures(data: PageData, evses: pl.DataFrame) -> list[dict[str, Any]]:
    """One picture per site, sites with something called first."""
    bad_vehicles = frozenset(data.vehicles.filter(pl.col("call") == "refer")["vehicle_id"])
    bad_evses = frozenset(evses.filter(pl.col("call") == "faulty")["evse_id"])
    bad_pairings = data.pairings.filter(pl.col("call") == "faulty").select(
        "vehicle_model", "evse_model", "firmware"
    )
    every = cells(data.attempts)
    blamed = _blamed(data.attempts)
    sums = counted(data.attempts).group_by("site_id").agg(
        attempts=pl.len(), failures=pl.col("failed").sum().cast(pl.Int64), called=pl.col("evse_id").is_in(bad_evses).any()
    )  # fmt: skip
    pictures: list[dict[str, Any]] = []
    for site in sums.sort(~pl.col("called"), pl.col("failures").neg(), "site_id").to_dicts():
        here = every.filter(pl.col("site_id") == site["site_id"])
        if here.is_empty():
            continue
        words = f"{site['failures']} of {count(site['attempts'], 'attempt')} failed{blamed.get(site['site_id'], '')}"
        pictures.append(
            {
                "site_id": site["site_id"],
                "words": words,
                "title": _picture_title(
                    site["site_id"], here, bad_vehicles, bad_evses, bad_pairings
                ),
                "chart": site_matrix(here, bad_vehicles, bad_evses, bad_pairings),
                "open": len(pictures) < _OPEN_SITES,
            }
        )
    return pictures


def _blamed(attempts: pl.DataFrame) -> dict[str, str]:
    """Per site, what its failed attempts are put down to, in words."""
    failed = attempts.filter(pl.col("outcome") == "failed")
    sums = failed.group_by("site_id").agg(
        pl.col(f"p_{cause}").fill_null(0.0).sum().round().cast(pl.Int64) for cause in CAUSES
    )
    return {
        row["site_id"]: ", put down to: "
        + ", ".join(f"{row[f'p_{c}']} {name}" for c, name in CAUSES.items() if row[f"p_{c}"])
        for row in sums.to_dicts()
    }


def _picture_title(
    site: str,
    here: pl.DataFrame,
    vehicles: frozenset[str],
    evses: frozenset[str],
    pairings: pl.DataFrame,
) -> str:
    rows = here.filter(pl.col("vehicle_id").is_in(vehicles))["vehicle_id"].n_unique()
    columns = here.filter(pl.col("evse_id").is_in(evses))["evse_id"].n_unique()
    kinds = ["vehicle_model", "evse_model", "firmware"]
    blocks = here.join(pairings, on=kinds, how="semi", nulls_equal=True).select(kinds).n_unique()
    found = [
        count(number, f"bad {shape} ({cause})", f"bad {shape}s ({cause}s)")
        for number, shape, cause in (
            (rows, "row", "vehicle"),
            (columns, "column", "EVSE"),
            (blocks, "block", "pairing"),
        )
        if number
    ]
    return f"{site}: {', '.join(found) or 'nothing stands out'}"


def _distrusted(impossible: pl.DataFrame) -> pl.DataFrame:
    known = impossible.filter(
        pl.col("station_id").is_not_null() & pl.col("severity").is_in(["reject", "distrust"])
    )
    grouped = known.group_by("station_id", "rule", "severity").agg(
        records=pl.len(), detail=pl.col("detail").first()
    )
    return grouped.sort("records", "station_id", "rule", descending=[True, False, False])


def _untrusted(equipment: pl.DataFrame) -> pl.DataFrame:
    """Stations of which attempts were not used or used with less weight, the least trusted first."""
    if equipment.is_empty():
        return equipment
    doubted = equipment.filter(pl.col("share_not_trusted") > 0)
    return doubted.sort("share_not_trusted", "station_id", descending=[True, False])


def _doubtful_clocks(attempts: pl.DataFrame) -> pl.DataFrame:
    worst = attempts.group_by("evse_id").agg(pl.col("clock_error_s").median())
    return (
        worst.filter(pl.col("clock_error_s") > DOUBTFUL_CLOCK_S)
        .sort("clock_error_s", "evse_id", descending=[True, False])
        .head(20)
    )
