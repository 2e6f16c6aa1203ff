"""Second and third tries after a failure or a refused card."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_logs.generator.endings import DECLINED, FAILED, Endings
from sample_logs.generator.fleet import Fleet
from sample_logs.generator.spec import WorldSpec
from sample_logs.generator.usage import GAP_S, Menus, Visits, home_key


def retries(
    spec: WorldSpec,
    fleet: Fleet,
    menus: Menus,
    last: Visits,
    ends: Endings,
    booked: Visits,
    number: int,
) -> Visits:
    """Tries again of those who failed or were refused.

    Same EVSE, or a free one at the same site.
    """
    rng = spec.rng(f"retries {number}")
    n = len(last.start_s)
    wants = (ends.outcome == FAILED) | (ends.outcome == DECLINED)
    start = last.start_s + ends.left_s + GAP_S + rng.gamma(2.0, 60.0, n)
    row = np.flatnonzero(wants & (rng.random(n) < spec.rates.retry) & (last.end_s - start > 600))
    tried = Visits(last.vehicle[row], last.evse[row].copy(), start[row], last.end_s[row])
    key = home_key(fleet, tried.vehicle, fleet.site[tried.evse])
    moves = (rng.random(len(row)) < 0.4) & menus.ac.has(key)
    moves &= ~fleet.supply_dc[tried.evse] & (fleet.loyalty[tried.vehicle] < 1.0)
    tried.evse[moves] = menus.ac.draw(rng, key[moves])
    return _free(booked, tried, own=tried.evse == last.evse[row])


def _free(booked: Visits, tried: Visits, own: NDArray[np.bool_]) -> Visits:
    """Retries that find their EVSE free for ten minutes or more; ends cut to the next booking."""
    big = 1e9
    order = np.lexsort((booked.start_s, booked.evse))
    key = booked.evse[order] * big + booked.start_s[order]
    latest = np.maximum.accumulate(booked.evse[order] * big + booked.end_s[order])
    want = tried.evse * big + tried.start_s
    after = np.searchsorted(key, want, side="right")
    following = np.r_[key, np.inf][after] - tried.evse * big
    before = np.r_[-np.inf, latest][after]
    free = own | (before + GAP_S < want)
    end = np.minimum(tried.end_s, following - GAP_S)
    keep = free & (end - tried.start_s >= 600)
    out = Visits(tried.vehicle[keep], tried.evse[keep], tried.start_s[keep], end[keep])
    return _apart(out)


def _apart(tried: Visits) -> Visits:
    """Retries that do not run into an earlier retry at the same EVSE."""
    if not len(tried.start_s):
        return tried
    t = tried.take(np.lexsort((tried.start_s, tried.evse)))
    big = 1e9
    latest = np.maximum.accumulate(t.evse * big + t.end_s)
    clear = np.r_[True, t.evse[1:] * big + t.start_s[1:] > latest[:-1] + GAP_S]
    return t.take(clear)
