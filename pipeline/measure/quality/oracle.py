"""The best that could be done for the vehicles.

The same chains, given the true chance, EVSE and pairing causes of every attempt.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.attribute.diode_checks import reach_of
from pipeline.attribute.evidence import gather
from pipeline.attribute.states.likelihood import attempt_loglik
from pipeline.attribute.states.messages import NEVER
from pipeline.attribute.states.model import WHERE, state_model
from pipeline.attribute.states.smoothing import smooth
from pipeline.settings.attribute import AttributeSettings
from sample_logs.generator.world import World


def oracle_vehicles(
    world: World, attempts: pl.DataFrame, settings: AttributeSettings, week: str
) -> pl.DataFrame:
    """vehicle_id, p_oracle.

    Probability of the AC fault state at the end, knowing everything but the vehicle's own state (of silences: the
    fleet's share).
    """
    evidence = gather(attempts, settings, week, "AC", world.spec.weeks)
    order = evidence.attempt_id.to_frame()
    names = ["true_p_evse", "true_p_pairing", "true_p_chance"]
    known = order.join(
        world.attempts.select("attempt_id", "evse_id", *names),
        on="attempt_id",
        how="left",
        maintain_order="left",
    )
    reach = reach_of(evidence, None, settings)
    reach[:, WHERE.index("diode")] = _looks(world, known["evse_id"], settings)
    rest = np.prod([1.0 - known[name].to_numpy() for name in names], axis=0)
    silent = evidence.silent
    rest[silent] = 1.0 - silent.sum() / max(int((silent | evidence.asked).sum()), 1)
    model = state_model(settings.vehicle, settings, world.spec.rates.chance)
    log_ratio = attempt_loglik(evidence, np.arange(len(silent)), model, reach, rest)
    units, days, states = evidence.sizes[0], evidence.days, model.states
    slot = evidence.vehicle * days + evidence.day
    total = np.stack(
        [np.bincount(slot, log_ratio[:, k], units * days) for k in range(states)], axis=1
    ).reshape(units, days, states)
    total[-1, :, 1:] = NEVER
    belief = smooth(np.asarray(total, dtype=np.float64), model.initial, model.transition).belief
    late = belief[:-1, -settings.report_days :] @ model.fault_mask
    return evidence.vehicles.drop("listed").with_columns(pl.Series("p_oracle", late.max(axis=1)))


def _looks(world: World, evse_id: pl.Series, settings: AttributeSettings) -> np.ndarray:
    moments = pl.DataFrame({"evse_id": world.evses["evse_id"], "looks": world.fleet.moment > 0})
    looks = evse_id.to_frame("evse_id").join(
        moments, on="evse_id", how="left", maintain_order="left"
    )["looks"]
    return np.where(looks.to_numpy(), settings.diode_seen, settings.diode_seen_without)
