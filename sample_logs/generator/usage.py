"""Who plugs in where and when: visits before anything is known of how they end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_logs.generator.faults import Faults
from sample_logs.generator.fleet import Fleet, accepts
from sample_logs.generator.models import EVSE_MODELS, VEHICLE_MODELS
from sample_logs.generator.spec import DAY_S, WorldSpec

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MIN_SLOT_S = 16 * 60.0
"""No two visits start closer together than this, at one EVSE or of one vehicle."""
HURRY_S = 100.0
"""Nobody plugs in on the minute: starts are late by up to this."""
GAP_S = 45.0
"""Between one vehicle's leaving and the next one's plugging in."""
CROWDING = 1.42
"""Visits wished for each that comes about: some find their vehicle still busy or the queue too long."""
WEEKDAYS = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 0.55, 0.35])
# local hour (mean, sd), mean dwell in hours, share: evening return, lunch, between tours, morning
PATTERN = (
    (17.6, 1.5, 7.0, 0.36),
    (12.4, 0.9, 0.8, 0.22),
    (15.0, 2.6, 0.7, 0.27),
    (6.8, 1.2, 1.0, 0.15),
)
UTC_OFFSET_H = 1.0


@dataclass(frozen=True)
class Visits:
    """One row a visit: row numbers of vehicle and EVSE, start and latest end in s since start."""

    vehicle: Ints
    evse: Ints
    start_s: Floats
    end_s: Floats

    def take(self, rows: Ints | Bools) -> Visits:
        """Rows picked by number or mask."""
        return Visits(self.vehicle[rows], self.evse[rows], self.start_s[rows], self.end_s[rows])


def joined(parts: list[Visits]) -> Visits:
    """Visits put together."""
    return Visits(
        np.concatenate([p.vehicle for p in parts]),
        np.concatenate([p.evse for p in parts]),
        np.concatenate([p.start_s for p in parts]),
        np.concatenate([p.end_s for p in parts]),
    )


class Menu:
    """Lists of EVSEs by key, from which one is drawn by weight."""

    def __init__(self, key: Ints, evse: Ints, weight: Floats, keys: int) -> None:
        """Sort the pairs of key and EVSE so that a draw is one binary search."""
        order = np.argsort(key, kind="stable")
        self.evse = evse[order]
        self.upto = np.cumsum(weight[order])
        self.edge = np.searchsorted(key[order], np.arange(keys + 1))

    def has(self, key: Ints) -> Bools:
        """Whether there is anything to choose from."""
        return np.asarray(self.edge[key + 1] > self.edge[key])

    def draw(self, rng: np.random.Generator, key: Ints) -> Ints:
        """One EVSE for each key (every key must have one)."""
        base = np.r_[0.0, self.upto][self.edge[key]]
        total = self.upto[self.edge[key + 1] - 1] - base
        hit = np.searchsorted(self.upto, base + rng.random(len(key)) * total, side="right")
        return np.asarray(
            self.evse[np.clip(hit, self.edge[key], self.edge[key + 1] - 1)], dtype=np.int64
        )


@dataclass(frozen=True)
class Menus:
    """AC by site and class (site * 4 + class), public AC by class, DC by site and coupler, all DC."""

    ac: Menu
    public: Menu
    dc_site: Menu
    dc: Menu


COUPLERS = ("cCCS2", "cG105", "cCCS1")


def build_menus(spec: WorldSpec, fleet: Fleet) -> Menus:
    """Lists of usable EVSEs; a few home EVSEs are kept for the vehicle whose favourite they are."""
    rng = spec.rng("menus")
    n = spec.evses
    weight = rng.gamma(2.0, 1.0, n) + 0.2
    exclusive = fleet.exclusive
    connector = np.array([EVSE_MODELS[m][2] for m in fleet.evse_model])
    public = (fleet.sites["kind"] == "public").to_numpy()[fleet.site]
    shared = np.where(exclusive, 0.0, weight)
    keys, rows = [], []
    for kind in (1, 2):
        usable = np.array([bool(accepts(kind, c)) for c in connector]) & ~exclusive
        rows.append(np.flatnonzero(usable))
        keys.append(fleet.site[usable] * 4 + kind)
    row, key = np.concatenate(rows), np.concatenate(keys)
    sites = len(fleet.sites)
    ac = Menu(key, row, shared[row], sites * 4)
    pub = public[row]
    dc_rows = np.flatnonzero(np.isin(connector, COUPLERS))
    coupler = np.array([COUPLERS.index(c) for c in connector[dc_rows]], dtype=np.int64)
    return Menus(
        ac=ac,
        public=Menu(key[pub] % 4, row[pub], shared[row[pub]], 4),
        dc_site=Menu(fleet.site[dc_rows] * 4 + coupler, dc_rows, weight[dc_rows], sites * 4),
        dc=Menu(coupler, dc_rows, weight[dc_rows], 4),
    )


def _times(spec: WorldSpec, rng: np.random.Generator, n: int) -> tuple[Floats, Floats]:
    """Start and wished dwell in s: evening returns, lunch, stops between tours, mornings."""
    first = spec.start.weekday()
    day_weight = WEEKDAYS[(first + np.arange(spec.days)) % 7]
    day = rng.choice(spec.days, n, p=day_weight / day_weight.sum())
    mean, sd, dwell, share = (np.array(c) for c in zip(*PATTERN, strict=True))
    kind = rng.choice(len(PATTERN), n, p=share / share.sum())
    hour = rng.normal(mean[kind], sd[kind])
    odd = (hour < 4.5) | (hour > 23.0)
    hour = np.where(odd, rng.uniform(5.5, 22.0, n), hour) - UTC_OFFSET_H
    length = dwell[kind] * 3600 * rng.gamma(4.0, 0.25, n)
    return day * DAY_S + hour * 3600, np.maximum(length, MIN_SLOT_S)


def _places(fleet: Fleet, menus: Menus, rng: np.random.Generator, vehicle: Ints) -> Ints:
    """EVSE wished for each visit: about 80 % at the home depot, the usual one by loyalty."""
    model = fleet.vehicle_model[vehicle]
    ac_class = np.array([m[4] for m in VEHICLE_MODELS])[model]
    names = [m[5] for m in VEHICLE_MODELS]
    coupler = np.array([COUPLERS.index(c) if c else 3 for c in names])[model]
    n = len(vehicle)
    u_dc, u_home, u_usual = rng.random(n), rng.random(n), rng.random(n)
    loyal = fleet.loyalty[vehicle]
    evse = fleet.favourite[vehicle].copy()
    at_home = fleet.home[vehicle] * 4 + ac_class
    other = (u_usual >= loyal) & menus.ac.has(at_home)
    evse[other] = menus.ac.draw(rng, at_home[other])
    away = (u_home < 0.2) & (loyal < 1.0) & menus.public.has(ac_class)
    evse[away] = menus.public.draw(rng, ac_class[away])
    dc = (u_dc < 0.12) & (loyal < 1.0) & (coupler < 3)
    dc &= menus.dc.has(np.minimum(coupler, 3))
    near_key = fleet.home[vehicle] * 4 + coupler
    near = dc & menus.dc_site.has(near_key)
    evse[near] = menus.dc_site.draw(rng, near_key[near])
    far = dc & ~near
    evse[far] = menus.dc.draw(rng, coupler[far])
    return evse


def queued(group: Ints, wish_s: Floats, service_s: float) -> Floats:
    """Starts after queueing: within a group each at least `service_s` after the one before.

    The Lindley recursion, in one pass: with k the place in the group,
    start_k = k*s + max over j<=k of (wish_j - j*s).
    """
    order = np.lexsort((wish_s, group))
    g, wish = group[order], wish_s[order]
    place = np.arange(len(g)) - np.searchsorted(g, g)
    shift = g * 1e9
    start = np.maximum.accumulate(wish - place * service_s + shift) - shift + place * service_s
    out = np.empty_like(start)
    out[order] = start
    return np.asarray(out, dtype=np.float64)


def next_start(group: Ints, start_s: Floats) -> Floats:
    """Start of the next visit in the same group (inf for the last)."""
    order = np.lexsort((start_s, group))
    g, s = group[order], start_s[order]
    follows = np.r_[np.where(g[1:] == g[:-1], s[1:], np.inf), np.inf] if len(g) else s
    out = np.empty_like(s)
    out[order] = follows
    return out


def draw_visits(spec: WorldSpec, fleet: Fleet, menus: Menus, faults: Faults) -> Visits:
    """Visits that fit: one vehicle at an EVSE at a time, one EVSE for a vehicle at a time."""
    rng = spec.rng("usage")
    busy = rng.gamma(6.0, 1 / 6.0, spec.vehicles)
    expected = spec.rates.attempts_per_day * spec.days * busy
    vehicle = np.repeat(np.arange(spec.vehicles), rng.poisson(expected * CROWDING))
    wish, dwell = _times(spec, rng, len(vehicle))
    evse = _places(fleet, menus, rng, vehicle)
    evse = _yielded(spec, fleet, menus, rng, vehicle, evse)
    if spec.rates.misspecified:
        evse = _avoiding(fleet, faults, menus, rng, Visits(vehicle, evse, wish, wish + dwell))
    return settle(spec, Visits(vehicle, evse, wish, wish + dwell))


def home_key(fleet: Fleet, vehicle: Ints, site: Ints) -> Ints:
    """Key of the AC menu a vehicle chooses from at a site."""
    ac_class = np.array([m[4] for m in VEHICLE_MODELS])[fleet.vehicle_model[vehicle]]
    return np.asarray(site * 4 + ac_class, dtype=np.int64)


def _yielded(
    spec: WorldSpec, fleet: Fleet, menus: Menus, rng: np.random.Generator, vehicle: Ints, evse: Ints
) -> Ints:
    """EVSEs after those kept for one vehicle are left to it."""
    owner = np.full(spec.evses, -1)
    owner[fleet.favourite[::-1]] = np.arange(spec.vehicles)[::-1]
    taken = fleet.exclusive[evse] & (owner[evse] != vehicle) & ~fleet.supply_dc[evse]
    key = home_key(fleet, vehicle, fleet.site[evse])
    move = taken & menus.ac.has(key)
    out = evse.copy()
    out[move] = menus.ac.draw(rng, key[move])
    return out


def _avoiding(
    fleet: Fleet, faults: Faults, menus: Menus, rng: np.random.Generator, wish: Visits
) -> Ints:
    """EVSEs when drivers learn: half the visits to a faulty EVSE go to another at the same site."""
    bad = faults.evses.active(wish.evse, wish.start_s) & ~fleet.supply_dc[wish.evse]
    key = home_key(fleet, wish.vehicle, fleet.site[wish.evse])
    move = bad & (rng.random(len(bad)) < 0.5) & menus.ac.has(key)
    move &= fleet.loyalty[wish.vehicle] < 1.0
    out = wish.evse.copy()
    out[move] = menus.ac.draw(rng, key[move])
    return out


def settle(spec: WorldSpec, wished: Visits) -> Visits:
    """Queue at the EVSEs, give up what a busy vehicle cannot make, end before the next one starts."""
    start = queued(wished.evse, wished.start_s, MIN_SLOT_S)
    start += spec.rng("hurry").uniform(0.0, HURRY_S, len(start))
    late = start - wished.start_s
    visits = Visits(wished.vehicle, wished.evse, start, wished.end_s + late)
    fits = (start < spec.days * DAY_S - MIN_SLOT_S) & (late < 4 * 3600)
    fits &= next_start(visits.vehicle, start) - start >= MIN_SLOT_S - HURRY_S
    visits = visits.take(fits)
    limit = np.minimum(
        next_start(visits.evse, visits.start_s), next_start(visits.vehicle, visits.start_s)
    )
    end = np.minimum(visits.end_s, np.minimum(limit - GAP_S, spec.days * DAY_S - 1.0))
    return Visits(visits.vehicle, visits.evse, visits.start_s, end)
