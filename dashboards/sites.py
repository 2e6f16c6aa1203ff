"""The site operator's page: which EVSEs are at fault and with what, apart from the vehicles that are."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboards import charts
from dashboards.costs import COSTS, currency, stated, waiting
from dashboards.fleet import number_called
from dashboards.language import Language
from dashboards.matrix import KIND, site_matrix
from dashboards.page_data import CAUSES, PageData, cells, counted, iso_week, success_by_site
from dashboards.reader import Reader
from pipeline.core.wording import percent

CALLS = ("faulty", "watch", "insufficient_data", "clear")
_RANK = {code: rank for rank, code in enumerate(CALLS)}
_BUT_CLEAR = "faulty watch insufficient_data"
_OPEN_SITES = 3
ROWS_SHOWN = 400
_TROUBLE_SHOWN = 60
# A corrected time this uncertain can put an attempt into the wrong plug-in of a busy EVSE; common
# practice, no source.
DOUBTFUL_CLOCK_S = 120.0


def sites_view(data: PageData, reader: Reader) -> dict[str, Any]:
    """What the sites template needs."""
    t = reader.t
    rank = pl.col("call").replace_strict(_RANK, default=len(_RANK), return_dtype=pl.Int64)
    evses = (
        data.evses.join(waiting(data, "evse"), on="evse_id", how="left")
        .with_columns(rank=rank)
        .sort("rank", pl.col("p_evse").neg(), "evse_id", nulls_last=True)
    )
    pairings = data.pairings.with_columns(rank=rank).sort(
        "rank", pl.col("p_pairing").neg(), "vehicle_model", nulls_last=True
    )
    called = pairings.filter(pl.col("call").is_in(["faulty", "watch"]))
    faulty = evses.filter(pl.col("call") == "faulty")
    rates = success_by_site(data.attempts)
    distrusted, trust = _distrusted(data.impossible), _untrusted(data.equipment)
    week_cost, visit_cost = stated(data, "evse")
    return {
        "title": t("menu.sites"),
        "headline": sites_headline(t, evses, called),
        "lead": _lead(t, data, rates, faulty),
        "to_repair": faulty.to_dicts(),
        "pairings": called.to_dicts(),
        "pairings_title": t("sites.pairings", n=number_called(called, "faulty")),
        "sites": _pictures(t, data),
        "rate_title": _rate_title(t, rates),
        "rate_chart": charts.success_rates(t, rates) if rates.height else None,
        "rate_weeks": _by_week(t, data),
        "evses": evses.head(ROWS_SHOWN).to_dicts(),
        "whole": pl.concat([data.evses["evse_id"], data.about_evses["evse_id"]]).n_unique(),
        "calls": CALLS,
        "currency": currency(data),
        "week_cost": week_cost,
        "visit_cost": visit_cost,
        "cost_names": ", ".join((*COSTS["evse"], "pages.currency")),
        "chosen": _BUT_CLEAR if evses.filter(pl.col("call") != "clear").height else "",
        "choices": [(_BUT_CLEAR, t("finder.but_clear")), *((c, t(f"call.{c}")) for c in CALLS)],
        "trust": trust.head(_TROUBLE_SHOWN).to_dicts(),
        "distrusted": distrusted.head(_TROUBLE_SHOWN).to_dicts(),
        "clocks": _doubtful_clocks(data.attempts).to_dicts(),
        "trust_title": t("sites.trusted")
        if distrusted.is_empty()
        else t("sites.careful", n=distrusted["station_id"].n_unique()),
    }


def sites_headline(t: Language, evses: pl.DataFrame, called: pl.DataFrame) -> str:
    """The week's finding on EVSEs and pairings (`called`: those at issue) in a sentence."""
    bad = number_called(called, "faulty")
    return t(
        "sites.headline",
        faulty=t("sites.faulty", n=number_called(evses, "faulty")),
        watch=number_called(evses, "watch"),
        tail=t("sites.tail", n=bad) if bad else "",
    )


def _lead(t: Language, data: PageData, rates: pl.DataFrame, faulty: pl.DataFrame) -> str:
    whole = int(rates["attempts"].sum())
    charged = t.figure(percent(int(rates["charged"].sum()) / whole, 1)) if whole else "–"
    said = t(
        "sites.lead",
        evses=t("sites.evses", n=data.evses.height),
        sites=t("sites.sites", n=data.evses["site_id"].n_unique()),
        rate=charged,
    )
    each, so_far = (float(faulty[name].sum()) for name in ("each_week", "so_far"))
    if not each:
        return said
    costs = {"so_far": t.number(so_far, 0), "each_week": t.number(each, 0)}
    return f"{said} {t('sites.waiting', currency=currency(data), **costs)}"


def _rate_title(t: Language, rates: pl.DataFrame) -> str:
    if rates.is_empty():
        return t("sites.rate_none")
    worst = rates.row(0, named=True)
    return t(
        "sites.rate",
        site=worst["site_id"],
        rate=t.figure(percent(worst["rate"], 1)),
        n=worst["attempts"],
    )


def success_by_week(attempts: pl.DataFrame) -> pl.DataFrame:
    """site_id, week, rate, attempts: share of counted attempts that charged, by site and week."""
    known = counted(attempts).with_columns(iso_week())
    rates = known.group_by("site_id", "week").agg(
        rate=(~pl.col("failed")).mean(), attempts=pl.len().cast(pl.Int64)
    )
    return rates.sort("site_id", "week")


def _by_week(t: Language, data: PageData) -> list[tuple[str, Any]]:
    """A chart a site, the twelve with most attempts."""
    rates = success_by_week(data.attempts)
    if rates["week"].n_unique() < 2:
        return []
    most = rates.group_by("site_id").agg(pl.col("attempts").sum())
    named = most.sort("attempts", "site_id", descending=[True, False])["site_id"].head(12)
    return [
        (site, charts.rate_by_week(t, rates.filter(pl.col("site_id") == site))) for site in named
    ]


def _pictures(t: Language, data: PageData) -> list[dict[str, Any]]:
    """One table per site, sites with something called first."""
    bad_vehicles = frozenset(data.vehicles.filter(pl.col("call") == "refer")["vehicle_id"])
    bad_evses = frozenset(data.evses.filter(pl.col("call") == "faulty")["evse_id"])
    bad_pairings = data.pairings.filter(pl.col("call") == "faulty").select(KIND)
    every, blamed = cells(data.attempts), _blamed(t, data.attempts)
    sums = counted(data.attempts).group_by("site_id").agg(
        attempts=pl.len(), failures=pl.col("failed").sum().cast(pl.Int64), called=pl.col("evse_id").is_in(bad_evses).any()
    )  # fmt: skip
    pictures: list[dict[str, Any]] = []
    for site in sums.sort(~pl.col("called"), pl.col("failures").neg(), "site_id").to_dicts():
        here = every.filter(pl.col("site_id") == site["site_id"])
        if here.is_empty():
            continue
        said = blamed.get(site["site_id"])
        words = t("sites.picture", failed=site["failures"], n=site["attempts"], said=said or "–")
        pictures.append(
            {
                "site_id": site["site_id"],
                "words": words,
                "table": site_matrix(here, bad_vehicles, bad_evses, bad_pairings),
                "open": len(pictures) < _OPEN_SITES,
            }
        )
    return pictures


def _blamed(t: Language, attempts: pl.DataFrame) -> dict[str, str]:
    """Per site, what its failed attempts are attributed to, in words."""
    failed = attempts.filter(pl.col("outcome") == "failed")
    shares = (
        pl.col(f"p_{cause}").fill_null(0.0).sum().round().cast(pl.Int64).alias(cause)
        for cause in CAUSES
    )
    return {
        row["site_id"]: ", ".join(
            f"{row[cause]} {t(f'cause.{cause}')}" for cause in CAUSES if row[cause]
        )
        for row in failed.group_by("site_id").agg(shares).to_dicts()
    }


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
