"""Which model a vehicle or EVSE that nobody named behaves like.

A model that is not known may be any of the fleet's. Where one of them, met by others, pairs badly with just the
equipment at which the unnamed unit fails, that explains the failures without any fault of the unit. So the stories are
weighed: the unit at fault; a model of its own; each known model, by how many have it. Only where known models carry
the day are its attempts counted to the likeliest one's pairings; who is not suspected keeps its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.blame import mean
from pipeline.attribute.states.kinds import EVSE, PAIRING, SITE, VEHICLE
from pipeline.attribute.states.likelihood import attempt_loglik
from pipeline.attribute.states.messages import Events, Kind, told_of
from pipeline.attribute.states.model import Floats, Ints, StateModel
from pipeline.attribute.states.smoothing import log_evidence
from pipeline.attribute.unit_keys import HIDDEN
from pipeline.settings.attribute import AttributeSettings

Side = tuple[tuple[str, ...], tuple[str, ...]]
"""The half of a pairing that the unit of unknown model leaves open, and the half that is known."""
VEHICLE_SIDE: Side = ("vehicle_model",), ("evse_model", "firmware")
EVSE_SIDE: Side = ("evse_model", "firmware"), ("vehicle_model",)
LEAST = 1e-300
"""Odds of who surely was not at fault: a logarithm needs more than nothing."""


@dataclass(frozen=True)
class Thought:
    """What is thought so far: kinds of units and events, beliefs by kind (units, days, states), and how far circumstances reach
    each attempt.
    """

    kinds: tuple[Kind, ...]
    events: Events
    beliefs: tuple[Floats, ...]
    reach: Floats

    def on(self, kind: int) -> Floats:
        """Highest daily probability of a fault (units,)."""
        return np.asarray((self.beliefs[kind] @ self.kinds[kind].model.fault_mask).max(axis=1))

    def held(self, *kinds: int) -> Floats:
        """Chance at each event that neither chance nor a unit of these kinds bites (events,)."""
        free = 1.0 - self.events.base
        for k in kinds:
            belief, kind = self.beliefs[k], self.kinds[k]
            free = free * mean(belief[kind.unit, self.events.day], kind.escape)
        return np.asarray(free)


def recognised(evidence: Evidence, thought: Thought, settings: AttributeSettings) -> Evidence:
    """The evidence, attempts of suspected units of unknown model counted to the model they behave like."""
    pairing = evidence.pairing.copy()
    index = pl.int_range(pl.len(), dtype=pl.Int64).alias("pairing")
    names = evidence.pairings.with_columns(index)
    listed = names.filter("listed").rename({"pairing": "as"})
    for kind, partner, side in ((VEHICLE, EVSE, VEHICLE_SIDE), (EVSE, VEHICLE, EVSE_SIDE)):
        hidden = _hidden(names, side)
        if hidden.is_empty():
            continue
        rows = _suspected(evidence, thought, kind, hidden, settings)
        if rows.is_empty():
            continue
        at_events = thought.held(partner, SITE)
        held = np.zeros(len(evidence.failed))
        held[thought.events.row] = at_events
        row = rows["row"].to_numpy()
        model = thought.kinds[PAIRING].model
        logs = attempt_loglik(evidence, row, model, thought.reach[row], held[row])
        stories = _stories(evidence, thought, rows, listed, logs, kind, side)
        at_fault = _at_fault(thought, kind, at_events, rows["unit"].unique())
        moved = _moved(stories, at_fault, side, settings)
        pairing[moved["row"].to_numpy()] = moved["as"].to_numpy()
    same = np.array_equal(pairing, evidence.pairing)
    return evidence if same else replace(evidence, pairing=pairing)


def _hidden(names: pl.DataFrame, side: Side) -> pl.DataFrame:
    """`pairing` and the known half of the pairings whose other half alone is not known."""
    (unknown, *_), known = side
    return names.filter(
        pl.col(unknown).str.starts_with(HIDDEN), ~pl.col(known[0]).str.starts_with(HIDDEN)
    ).select("pairing", *known)


def _suspected(
    evidence: Evidence,
    thought: Thought,
    kind: int,
    hidden: pl.DataFrame,
    settings: AttributeSettings,
) -> pl.DataFrame:
    """`row, unit, pairing` and the known half of the pairing: attempts with `hidden` pairings of units that are suspected,
    themselves or their pairings.
    """
    row = np.flatnonzero(np.isin(evidence.pairing, hidden["pairing"].to_numpy()))
    unit, pairing = evidence.columns[kind][row], evidence.pairing[row]
    worst = np.maximum(thought.on(kind)[unit], thought.on(PAIRING)[pairing])
    return (
        pl.DataFrame({"row": row, "unit": unit, "pairing": pairing, "_worst": worst})
        .filter(pl.col("_worst").max().over("unit") >= settings.doubt_at)
        .drop("_worst")
        .join(hidden, on="pairing", maintain_order="left")
    )


def _stories(
    evidence: Evidence,
    thought: Thought,
    rows: pl.DataFrame,
    listed: pl.DataFrame,
    logs: Floats,
    kind: int,
    side: Side,
) -> pl.DataFrame:
    """One row per attempt and known model (of `listed` pairings) whose pairing there was met: `row, unit, as` (that pairing), the model,
    `told` (log of how much likelier all attempts of the unit are with its pairings than with sound ones), `share` of the units
    that have the model, and `own`: `told` of a model of its own. `logs` (rows, states): what each attempt says of its pairing.
    """
    unknown, known = side
    tried = rows.with_columns(at=pl.int_range(pl.len())).join(listed, on=known)
    belief = thought.beliefs[PAIRING][tried["as"].to_numpy(), evidence.day[tried["row"].to_numpy()]]
    told = np.log((belief * np.exp(logs[tried["at"].to_numpy()])).sum(axis=1))
    return (
        tried.with_columns(told=told)
        .with_columns(pl.col("told").sum().over("unit", *unknown))
        .join(_shares(evidence, evidence.columns[kind], listed, unknown), on=unknown)
        .join(_of_its_own(rows, logs, thought.kinds[PAIRING].model), on="unit")
        .select("row", "unit", "as", *unknown, "told", "share", "own")
    )


def _moved(
    stories: pl.DataFrame, at_fault: pl.DataFrame, side: Side, settings: AttributeSettings
) -> pl.DataFrame:
    """`row, as`: attempts whose unit is likelier of a known model than at fault or of a model of its own, and the pairing of that model."""
    unknown, _ = side
    weight, own, fault = pl.col("weight"), pl.col("own"), pl.col("at_fault")
    top = pl.max_horizontal(weight.max().over("unit"), own, fault)
    won = (weight - top).exp().sum().over("unit")
    best = (
        stories.unique(["unit", *unknown])
        .join(at_fault, on="unit")
        .with_columns(
            pl.col("told") + pl.col("share").log() + math.log(1.0 - settings.model_of_its_own),
            own + math.log(settings.model_of_its_own),
        )
        .rename({"told": "weight"})
        .filter(won >= (own - top).exp() + (fault - top).exp())
        .sort("unit", "weight", *unknown, descending=[False, True, *[False] * len(unknown)])
        .unique("unit", keep="first", maintain_order=True)
    )
    return stories.join(best.select("unit", *unknown), on=["unit", *unknown]).select("row", "as")


def _at_fault(thought: Thought, kind: int, held: Floats, units: pl.Series) -> pl.DataFrame:
    """`unit, at_fault`: log odds that a unit was at fault on a day against its failing as the fleet usually does, its pairings sound."""
    one = thought.kinds[kind]
    free = held[:, None] * one.escape
    failed = one.trust[:, None] * (np.log1p(-free) - np.log1p(-free[:, :1]))
    index = units.sort().to_numpy()
    evidence, initial = told_of(one, thought.events, failed, index)
    faulty, off = one.model.fault_mask, np.eye(one.model.states)[0]
    every, never, usual = (
        log_evidence(evidence, initial * paths, one.model.transition * paths)
        for paths in (np.ones(one.model.states), 1.0 - faulty, off)
    )
    fault = every + np.log(np.maximum(-np.expm1(never - every), LEAST))
    return pl.DataFrame({"unit": index, "at_fault": fault - usual})


def _shares(
    evidence: Evidence, unit: Ints, listed: pl.DataFrame, unknown: tuple[str, ...]
) -> pl.DataFrame:
    """Known models with their `share` of the units that have one."""
    met = pl.DataFrame({"of": unit, "as": evidence.pairing}).unique().join(listed, on="as")
    counted = met.group_by(unknown).agg(share=pl.col("of").n_unique().cast(pl.Float64))
    return counted.with_columns(pl.col("share") / pl.col("share").sum())


def _of_its_own(rows: pl.DataFrame, logs: Floats, model: StateModel) -> pl.DataFrame:
    """`unit, own`: log of how much likelier its attempts are with pairings of its own, at fault as often as any, than with sound ones."""
    keys = ["unit", "pairing"]
    group = rows.select(pl.struct(keys).rank("dense").cast(pl.Int64) - 1).to_series().to_numpy()
    pairs = rows.with_columns(group=group).unique("group").sort("group")
    summed = np.zeros((pairs.height, logs.shape[1]))
    np.add.at(summed, group, logs)
    told = np.log(np.exp(summed) @ model.initial)
    return pairs.with_columns(told=told).group_by("unit").agg(own=pl.col("told").sum())
