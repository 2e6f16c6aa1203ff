"""Does this EVSE model look for the vehicle's pilot diode?  Given by the site's list, or learnt from vehicles that seem to have lost theirs."""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

from pipeline.attribute.evidence import CHECK_UNKNOWN, CHECK_YES, Evidence
from pipeline.attribute.laplace import Floats, Ints
from pipeline.settings.attribute import AttributeSettings

TYPICAL_CHANCE = 0.03
"""Chance of failure used when votes are weighed; votes are capped, so only its order of magnitude matters."""


def check_chances(evidence: Evidence, learned: Floats | None, settings: AttributeSettings) -> Floats:
    """Chance that a shorted diode is seen at each attempt (attempts,); equipment of unknown habit by what was learnt, or by `_first_guess`."""
    known = np.where(evidence.check == CHECK_YES, settings.diode_seen, settings.diode_seen_without)
    unknown = evidence.check == CHECK_UNKNOWN
    if not unknown.any():
        return np.asarray(known)
    if learned is None:
        known[unknown] = _first_guess(evidence, np.flatnonzero(unknown), settings)
    else:
        mean = learned * settings.diode_seen + (1.0 - learned) * settings.diode_seen_without
        known[unknown] = mean[evidence.model[unknown]]
    return np.asarray(known)


def _first_guess(evidence: Evidence, rows: Ints, settings: AttributeSettings) -> Floats:
    """Before anything is learnt: each vehicle's week at an EVSE model is explained by the better mix of 'checks' and 'does not'.

    Were the diode shorted, the week's ratio to a sound vehicle is d R + (1 - d), with R the ratio if the model checks.  Failures keep what of it
    exceeds 1, successes pay what falls short, so that a week of successes costs at most log(1 - d) and mixed weeks say nothing for a fault.
    """
    models = evidence.models.height
    slot = (evidence.vehicle[rows] * models + evidence.model[rows]) * (evidence.days // 7 + 1) + evidence.day[rows] // 7
    group, where = np.unique(slot, return_inverse=True)
    failed = evidence.failed[rows] > 0
    hit, miss = _votes(settings)
    ratio = np.bincount(where, evidence.weight[rows] * np.where(failed, hit, miss), len(group))
    prior = settings.diode_check_prior
    total = np.logaddexp(np.log(prior) + ratio, np.log1p(-prior))
    successes = np.maximum(np.bincount(where, ~failed * evidence.weight[rows], len(group)), 1.0)
    checks = expit(logit(prior) + ratio)
    worth = np.where(total > 0, checks * settings.diode_seen, 0.0)
    cost = -np.expm1(np.minimum(total, 0.0) / successes) / settings.vehicle.levels[0]
    return np.asarray(np.where(failed, worth[where], np.minimum(cost[where], settings.diode_seen)))


def _votes(settings: AttributeSettings) -> tuple[float, float]:
    """Log ratio of a failure and of a success, diode shorted and looked for, to a sound vehicle."""
    bite = settings.vehicle.levels[0] * settings.diode_seen
    return float(np.log((bite + (1.0 - bite) * TYPICAL_CHANCE) / TYPICAL_CHANCE)), float(np.log(1.0 - bite))


def learn_checks(evidence: Evidence, vehicle_belief: Floats, settings: AttributeSettings) -> Floats:
    """Probability that each EVSE model and firmware of unknown habit checks (models,); NaN where no EVSE of it is unknown.

    `vehicle_belief` (vehicles, days, states).  Each vehicle votes by its failures and successes while its diode state is believed on.
    """
    models = evidence.models.height
    diode = np.array([False, *(looked for _, looked in settings.vehicle.bites)])
    unknown = np.flatnonzero(evidence.check == CHECK_UNKNOWN)
    learned = np.full(models, np.nan)
    if not len(unknown):
        return learned
    on = vehicle_belief[:, :, diode].sum(axis=2)[evidence.vehicle[unknown], evidence.day[unknown]]
    rows = unknown[on > 1e-3]
    yes, no = _votes(settings)
    vote = on[on > 1e-3] * np.where(evidence.failed[rows] > 0, yes, no) * evidence.weight[rows]
    slot = evidence.vehicle[rows] * models + evidence.model[rows]
    votes = np.bincount(slot, vote, len(vehicle_belief) * models).reshape(-1, models)
    total = np.clip(votes, -settings.diode_vote_cap, settings.diode_vote_cap).sum(axis=0)
    met = np.bincount(evidence.model[unknown], minlength=models) > 0
    learned[met] = expit(logit(settings.diode_check_prior) + total[met])
    return learned
