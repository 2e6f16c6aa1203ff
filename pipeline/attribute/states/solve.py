"""Baseline and states in turn, for one supply.

From evidence to state probabilities of every unit and day.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from pipeline.attribute.baseline.fit import Trials, event_rows, fit_chance
from pipeline.attribute.diode_checks import learn_checks, reach_of
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.blame import chance_bit, shares
from pipeline.attribute.states.kinds import KINDS, VEHICLE
from pipeline.attribute.states.model import Floats, StateModel, learnt_prior
from pipeline.attribute.states.search import Given, Search, everywhere, finished, search_units
from pipeline.attribute.states.solution import Solution
from pipeline.attribute.states.successes import Successes
from pipeline.attribute.states.unknown_models import Thought, recognised
from pipeline.attribute.stays import left_weights, stay_weights
from pipeline.attribute.timers import Timers, learn_timers
from pipeline.core.side_by_side import side_by_side
from pipeline.settings.attribute import AttributeSettings, StatePrior


def solve(evidence: Evidence, settings: AttributeSettings) -> Solution:
    """Fit baseline and states in turn."""
    rows, plain = event_rows(evidence), evidence
    evidence = _weighed(plain, None)
    given = Given(evidence, rows, _successes(evidence, settings), settings, Timers())
    assumed = _priors(settings, told=evidence.told)
    priors = assumed
    chance = fit_chance(evidence, rows, None, settings)
    checks = np.full(evidence.models.height, np.nan)
    reach = reach_of(evidence, None, settings)
    for _ in range(settings.rounds):
        search = search_units(given, chance, priors, reach, settings.early_passes)
        beliefs = tuple(everywhere(search, k, search.beliefs.belief[k]) for k in range(len(KINDS)))
        bit = chance_bit(search.kinds, search.events, beliefs)
        models = [kind.model for kind in search.kinds]
        checks = learn_checks(evidence, beliefs[VEHICLE] @ models[VEHICLE].fault_mask, settings)
        reach = reach_of(evidence, checks, settings)
        evidence = _weighed(plain, _no_fault(plain, beliefs, models))
        given = replace(
            given, evidence=evidence, timers=_timers(given, beliefs[VEHICLE], models[VEHICLE])
        )
        chance = fit_chance(
            evidence, rows, Trials(_as_usual(evidence, beliefs, models), bit), settings
        )
        priors = tuple(
            learnt_prior(prior, belief.mean(axis=1).sum(axis=0), met)
            for prior, belief, met in zip(assumed, beliefs, evidence.met, strict=True)
        )
    given = _recognised(given, search, beliefs, reach)
    evidence = given.evidence
    search = search_units(given, chance, priors, reach, settings.passes)
    units = tuple(side_by_side(partial(finished, search), range(len(KINDS))))
    judged = shares(search.kinds, search.events, tuple(u.belief for u in units), evidence, chance)
    return Solution(evidence, rows, chance, units, judged, reach, checks)


def _recognised(given: Given, search: Search, beliefs: tuple[Floats, ...], reach: Floats) -> Given:
    """The same with units of unknown model known by how they behave, where that explains their failures."""
    thought = Thought(search.kinds, search.events, beliefs, reach)
    seen = recognised(given.evidence, thought, given.settings)
    if seen is given.evidence:
        return given
    return replace(given, evidence=seen, successes=_successes(seen, given.settings))


def _weighed(plain: Evidence, no_fault: Floats | None) -> Evidence:
    """Evidence with what silent stays tell, by what is known of the fleet's silences."""
    return plain.with_told(
        stay_weights(plain.stay, plain.silent, ~plain.event, no_fault),
        left_weights(plain.left, plain.silent, no_fault),
    )


def _no_fault(evidence: Evidence, beliefs: tuple[Floats, ...], models: list[StateModel]) -> Floats:
    """Probability that no unit of an attempt was in a fault state that keeps silent that day (attempts,)."""
    free = np.ones(len(evidence.failed))
    for unit, belief, model in zip(evidence.columns, beliefs, models, strict=True):
        quiet = belief @ (model.fault_mask * (model.silent > 0))
        if quiet.any():
            free *= 1.0 - quiet[unit, evidence.day]
    return free


def _priors(settings: AttributeSettings, *, told: bool) -> tuple[StatePrior, ...]:
    """Priors by kind; where repairs of vehicles are told (`told`), a fault seldom goes away untold."""
    vehicle, place = settings.vehicle, settings.place
    if told:
        faults = tuple(
            f.model_copy(update={"days_on": f.days_on / settings.repairs_untold})
            for f in vehicle.faults
        )
        vehicle = vehicle.model_copy(update={"faults": faults})
    return vehicle, settings.evse, settings.pairing, settings.site, place, place


def _as_usual(evidence: Evidence, beliefs: tuple[Floats, ...], models: list[StateModel]) -> Floats:
    """Probability that none of an attempt's units was at fault or had a rate of its own that day
    (attempts,).
    """
    free = np.ones(len(evidence.failed))
    for unit, belief, model in zip(evidence.columns, beliefs, models, strict=True):
        usual = belief @ model.usual
        if (usual < 1.0).any():
            free *= usual[unit, evidence.day]
    return free


def _timers(given: Given, belief: Floats, model: StateModel) -> Timers:
    """How timers show in this fleet, by the vehicles that are found to have the habit."""
    quiet = (1.0 - model.fault_mask) * (model.silent > 0)
    return learn_timers(given.evidence.starts, (belief @ quiet).mean(axis=1), given.timers)


def _successes(evidence: Evidence, settings: AttributeSettings) -> tuple[Successes, ...]:
    """Counts of each kind, once for all rounds."""
    return tuple(
        Successes.of(
            evidence,
            unit,
            size,
            settings.day_likeness,
            placed=any(fault.where != "anywhere" for fault in prior.faults),
        )
        for unit, size, prior in zip(
            evidence.columns, evidence.sizes, _priors(settings, told=False), strict=True
        )
    )
