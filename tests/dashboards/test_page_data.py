"""The figures behind the pages."""

from __future__ import annotations

import polars as pl
import pytest
from invented import WEEK, invented_week, nothing
from scipy.stats import binomtest

from dashboards.page_data import cells, changes, failures_by_cause, stories, success_by_site
from dashboards.seen_by import at_sites, referred_only


def test_causes_share_out_exactly_the_failed_attempts() -> None:
    """The bars of all causes together are the failed attempts, week by week."""
    attempts = invented_week().attempts
    whole = attempts.filter(pl.col("outcome") == "failed").height
    assert failures_by_cause(attempts)["failures"].sum() == pytest.approx(whole)


def test_success_rate_and_interval_agree_with_scipy() -> None:
    """Wilson's interval, checked against scipy.stats.binomtest (other software)."""
    for row in success_by_site(invented_week().attempts).to_dicts():
        peer = binomtest(row["charged"], row["attempts"]).proportion_ci(0.95, method="wilson")
        assert (row["rate_lo"], row["rate_hi"]) == pytest.approx((peer.low, peer.high), abs=1e-6)


def test_success_rate_leaves_out_what_says_nothing_of_equipment() -> None:
    """Declined, abandoned, not requested and unknown attempts change no rate."""
    attempts = invented_week().attempts
    more = attempts.head(4).with_columns(
        outcome=pl.Series(["declined", "abandoned", "not_requested", "unknown"])
    )
    assert success_by_site(pl.concat([attempts.tail(-4), more])).equals(
        success_by_site(attempts.tail(-4))
    )


def test_cells_lose_no_counted_attempt() -> None:
    """Every attempt of a known vehicle that charged or failed is in exactly one cell."""
    attempts = invented_week().attempts
    assert cells(attempts)["attempts"].sum() == attempts.height


def test_changes_name_who_came_and_who_went() -> None:
    """A new referral and one that is gone are changes; a vehicle that stays clear is none."""
    data = invented_week()
    assert data.vehicles_before is not None
    moved = changes(data.vehicles, data.vehicles_before, "vehicle_id")
    assert moved.select("vehicle_id", "call", "call_before").rows() == [
        ("V-0000", "refer", "watch")
    ]
    back = changes(data.vehicles_before, data.vehicles, "vehicle_id")
    assert back.select("vehicle_id", "call", "call_before").rows() == [("V-0000", "watch", "refer")]
    assert changes(data.vehicles, None, "vehicle_id").is_empty()


def test_stories_count_what_happened() -> None:
    """A story's weeks hold all AC attempts of its vehicle; its latest failures are the newest."""
    data = invented_week()
    row = stories(data).filter(pl.col("vehicle_id") == "V-0000").row(0, named=True)
    assert sum(week["AC failed"] for week in row["weeks"]) == 40
    newest = data.attempts.filter(pl.col("vehicle_id") == "V-0000")["plugged_at"].max()
    assert row["failures"][0]["plugged_at"] == f"{newest:%Y-%m-%d %H:%M}"


def test_an_operators_view_holds_own_sites_only() -> None:
    """EVSEs, attempts, caught records and checks of other sites are gone, and no token is left."""
    data = invented_week()
    view = at_sites(data, frozenset({"yard-0"}))
    assert (
        set(view.evses["site_id"])
        == set(view.attempts["site_id"])
        == set(view.equipment["site_id"])
        == {"yard-0"}
    )
    assert view.attempts["id_token"].null_count() == view.attempts.height
    assert "04A1B2C30000" not in view.impossible["detail"].str.join().item()
    assert "04…00" in view.impossible["detail"].str.join().item()
    assert not view.evidence
    assert at_sites(data, frozenset()).attempts.is_empty()


def test_a_workshops_view_holds_referred_vehicles_only() -> None:
    """Vehicles referred, proving or proved; nothing of the others."""
    view = referred_only(invented_week())
    assert set(view.vehicles["call"]) == {"refer", "proving"}
    assert set(view.attempts["vehicle_id"]) == {"V-0000", "V-0003"}
    assert referred_only(nothing()).week == WEEK
