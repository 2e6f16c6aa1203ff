"""Does this EVSE model look for the vehicle's pilot diode?  Given by the site's list, or learnt from vehicles that seem to have lost theirs."""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

from pipeline.attribute.evidence import CHECK_UNKNOWN, CHECK_YES, Evidence
from pipeline.attribute.laplace import Floats
from pipeline.settings.attribute import AttributeSettings

TYPICAL_CHANCE = 0.03
"""Chance of failure used when votes are weighed; votes are capped, so only its order of magnitude matters."""


def check_chances(evidence: Evidence, learned: Floats | None, settings: AttributeSettings) -> Floats:
    """Chance that a shorted diode is seen at each attempt (attempts,).

    Before anything is learnt, equipment of unknown habit is read kindly: a success there says nothing against a diode fault.
    """
    known = np.where(evidence.check == CHECK_YES, settings.diode_seen, settings.diode_seen_without)
    if learned is None:
        guess = np.where(evidence.failed > 0, settings.diode_check_prior * settings.diode_seen, 0.0)
    else:
        mean = learned * settings.diode_seen + (1.0 - learned) * settings.diode_seen_without
        guess = mean[evidence.model]
    return np.asarray(np.where(evidence.check == CHECK_UNKNOWN, guess, known))


def learn_checks(evidence: Evidence, vehicle_belief: Floats, settings: AttributeSettings) -> Floats:
    """Probability that each EVSE model and firmware of unknown habit checks (models,); NaN where no EVSE of it is unknown.

    `vehicle_belief` (vehicles, days, states).  Each vehicle votes by its failures and successes while its diode state is believed on.
    """
    models = evidence.models.height
    diode = np.concatenate([[False], settings.vehicle.diode])
    unknown = np.flatnonzero(evidence.check == CHECK_UNKNOWN)
    learned = np.full(models, np.nan)
    if not len(unknown):
        return learned
    on = vehicle_belief[:, :, diode].sum(axis=2)[evidence.vehicle[unknown], evidence.day[unknown]]
    rows = unknown[on > 1e-3]
    bite = settings.vehicle.levels[0] * settings.diode_seen
    yes = np.log((bite + (1.0 - bite) * TYPICAL_CHANCE) / TYPICAL_CHANCE)
    no = np.log((1.0 - bite) * (1.0 - TYPICAL_CHANCE) / (1.0 - TYPICAL_CHANCE))
    vote = on[on > 1e-3] * np.where(evidence.failed[rows] > 0, yes, no) * evidence.weight[rows]
    slot = evidence.vehicle[rows] * models + evidence.model[rows]
    votes = np.bincount(slot, vote, len(vehicle_belief) * models).reshape(-1, models)
    total = np.clip(votes, -settings.diode_vote_cap, settings.diode_vote_cap).sum(axis=0)
    met = np.bincount(evidence.model[unknown], minlength=models) > 0
    learned[met] = expit(logit(settings.diode_check_prior) + total[met])
    return learned
