"""Does this EVSE model look for the vehicle's pilot diode?  As listed, or learnt from vehicles that
seem to lack theirs.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

from pipeline.attribute.evidence import CHECK_UNKNOWN, CHECK_YES, Evidence
from pipeline.attribute.states.model import WHERE, Floats
from pipeline.settings.attribute import AttributeSettings

TYPICAL_CHANCE = 0.03
"""Chance of failure used when votes are weighed; votes are capped, so only its order of magnitude matters."""
LEAST_SUSPICION = 0.05
"""Attempts of vehicles less suspect than this have no say."""


def check_chances(
    evidence: Evidence, learned: Floats | None, settings: AttributeSettings
) -> Floats:
    """Chance that a shorted diode is seen at each attempt (attempts,); equipment of unknown habit
    by what was learnt.

    Before anything is learnt it counts as not looking: a diode fault then neither explains failures
    there nor is spoken against by successes, and a vehicle that fails there is first caught by the
    faults that know no such difference.
    """
    known = np.where(evidence.check == CHECK_YES, settings.diode_seen, settings.diode_seen_without)
    unknown = evidence.check == CHECK_UNKNOWN
    if learned is None:
        return np.asarray(np.where(unknown, 0.0, known))
    mean = learned * settings.diode_seen + (1.0 - learned) * settings.diode_seen_without
    return np.asarray(np.where(unknown, mean[evidence.model], known))


def reach_of(evidence: Evidence, learned: Floats | None, settings: AttributeSettings) -> Floats:
    """How far a fault of each circumstance reaches each attempt (attempts, circumstances of `WHERE`).

    Anywhere: always.  Diode: as far as the EVSE looks.  Socket: at socket outlets, where the cable
    is the vehicle's own (couplers in the codes of OCPP's ConnectorEnumType, s for socket).
    """
    sockets = evidence.evses["coupler"].str.starts_with("s").fill_null(value=False).to_numpy()
    reach = np.ones((len(evidence.failed), len(WHERE)))
    reach[:, WHERE.index("diode")] = check_chances(evidence, learned, settings)
    reach[:, WHERE.index("socket")] = sockets[evidence.evse]
    return reach


def learn_checks(evidence: Evidence, on: Floats, settings: AttributeSettings) -> Floats:
    """Probability that each EVSE model and firmware of unknown habit checks (models,); NaN where no
    EVSE of it is unknown.

    `on` (vehicles, days): probability that the vehicle is at fault.  Each suspect votes by its
    failures and successes while on, in proportion to the probability that its pattern over models
    is all or nothing (the diode) rather than the same everywhere.
    """
    models = evidence.models.height
    unknown = evidence.check == CHECK_UNKNOWN
    learned = np.full(models, np.nan)
    if not unknown.any():
        return learned
    weight = on[evidence.vehicle, evidence.day] * evidence.weight
    rows = np.flatnonzero((weight > LEAST_SUSPICION) & ~evidence.silent)
    slot = evidence.vehicle[rows] * models + evidence.model[rows]
    failed = evidence.failed[rows].astype(np.float64)
    missed = np.bincount(slot, weight[rows] * failed, len(on) * models).reshape(-1, models)
    charged = np.bincount(slot, weight[rows] * (1.0 - failed), len(on) * models).reshape(-1, models)
    bite = max(f.loud for f in settings.vehicle.faults if f.where == "diode") * settings.diode_seen
    checks = missed * np.log(
        (bite + (1.0 - bite) * TYPICAL_CHANCE) / TYPICAL_CHANCE
    ) + charged * np.log1p(-bite)
    prior = settings.diode_check_prior
    all_or_nothing = np.logaddexp(np.log(prior) + checks, np.log1p(-prior)).sum(axis=1)
    rate = (missed.sum(axis=1) + 0.5) / ((missed + charged).sum(axis=1) + 1.0)
    alike = missed.sum(axis=1) * np.log(rate / TYPICAL_CHANCE) + charged.sum(axis=1) * np.log(
        (1.0 - rate) / (1.0 - TYPICAL_CHANCE)
    )
    vote = expit(all_or_nothing - alike)[:, None] * np.clip(
        checks, -settings.diode_vote_cap, settings.diode_vote_cap
    )
    met = np.bincount(evidence.model[unknown], minlength=models) > 0
    learned[met] = expit(logit(prior) + vote.sum(axis=0)[met])
    return learned
