"""Settings of the refer stage: costs, caps, weights, proving."""

from __future__ import annotations

from pydantic import Field

from pipeline.settings.base import Frozen
from pipeline.settings.next_tests import NextTestSettings


class ReferSettings(Frozen):
    """What a referral costs, when one is made, and how a repair is proved.

    Costs are decided, in any one currency.
    """

    cost_needless_visit: float = Field(
        250.0,
        gt=0,
        description="Cost of a workshop visit that finds nothing; decided, any currency",
    )
    cost_week_without_ac: float = Field(
        120.0,
        gt=0,
        description="Cost of a week in which a faulty vehicle cannot charge on AC; decided",
    )
    weeks_waiting_at_most: float = Field(
        2.0,
        ge=1,
        description="Most weeks without AC that waiting counts for: a vehicle seldom plugged in, or failing now and then, shows "
        "nothing new for as long; at the costs as they are nothing is referred that is more probably sound; decided",
    )
    cost_watching: float = Field(
        15.0, gt=0, description="Cost of keeping an eye on a unit for a week; decided"
    )
    cost_needless_evse_visit: float = Field(
        200.0, gt=0, description="Cost of a needless visit to an EVSE; decided"
    )
    cost_week_faulty_evse: float = Field(
        180.0, gt=0, description="Cost of a week with a faulty EVSE in use; decided"
    )
    cost_needless_pairing_case: float = Field(
        400.0, gt=0, description="Cost of a case opened with two makers for nothing; decided"
    )
    cost_week_bad_pairing: float = Field(
        200.0, gt=0, description="Cost of a week with a bad pairing in use; decided"
    )
    cap_false_referrals: float = Field(
        2.0,
        gt=0,
        description="Most expected false referrals in a week's list: the sum of 1 - p_vehicle over it; decided",
    )
    cap_false_share: float = Field(
        0.05,
        ge=0,
        lt=1,
        description="Expected share of false referrals a list may hold beyond that cap: a large list is as sure as a small one; decided",
    )
    told_by_levels_odds: float = Field(
        20.0,
        gt=1,
        description="Odds of the pilot's levels from which they tell a vehicle from its EVSEs: others there show another level",
    )
    told_apart_evses: int = Field(
        2,
        ge=2,
        description="EVSEs at which a vehicle must have failed, or been silent, by itself to be told from them: the probability weighs every "
        "rival story of it, but at one EVSE alone only as well as the priors of the two; decided",
    )
    relapsed_events: float = Field(
        0.5,
        gt=0,
        description="Vehicle-caused failures and silences after a repair from which it is judged again before its proof is through: "
        "the probability knows of the repair, so one is enough to ask; judgement",
    )
    not_yet_failures: float = Field(
        0.5,
        gt=0,
        description="Vehicle-caused failures below which a leak counts as one that does not fail yet; decided",
    )
    next_tests: NextTestSettings = NextTestSettings()
    tests_per_question: int = Field(
        2, ge=1, le=10, description="Plug-in tests proposed for one undecided vehicle; decided"
    )

    level_others: int = Field(
        3,
        ge=2,
        description="Other vehicles an EVSE's usual negative level must rest on in a week (or else in the look-back)",
    )
    level_noise_floor_v: float = Field(
        0.03,
        gt=0,
        description="Least noise of a negative level, V: a coarse converter's step; practice",
    )
    level_recent_days: float = Field(
        5.0,
        gt=0,
        description="The CP–PE reverse resistance is judged on the readings of the last days before the last one",
    )
    level_creeping_days: float = Field(
        2.0, gt=0, description="The same for a leak that grows: it can double within a week"
    )
    quiet_prevalence: float = Field(
        0.004,
        gt=0,
        lt=0.5,
        description="Share of vehicles whose diode leaks but does not fail an attempt yet; other "
        "quiet faults are measured against it; assumed",
    )
    plan_days: int = Field(
        28,
        ge=7,
        le=84,
        description="How far ahead a leak is planned for: a workshop visit is booked within weeks",
    )
    drift_false_alarm: float = Field(
        0.01,
        gt=0,
        lt=0.5,
        description="Share of healthy vehicles the drift test may flag in a week's list; half the target of 2 %",
    )
    drift_least_v: float = Field(
        0.06,
        gt=0,
        description="A smaller rise of the negative level is not acted on, however sure: 60 mV is a leak near 200 kohm",
    )

    witnesses_at_most: float = Field(
        4.0,
        ge=1,
        description="One signature counts so many EVSEs at most: they share the vehicle's habits and the table's errors",
    )
    log_weight_cap: float = Field(
        6.9,
        gt=0,
        description="Largest natural log Bayes factor of one signature (a factor of 1000): no single sign convicts",
    )
    checks_known_at: float = Field(
        0.9,
        gt=0.5,
        lt=1,
        description="Learnt probability that an EVSE model checks the diode from which it counts as known",
    )

    returns_after_failures: float = Field(
        2.0,
        gt=0,
        description="Vehicle-caused failures (sum of p_vehicle) after a dismissal that bring a vehicle back",
    )
    returns_after_evses: int = Field(
        2, ge=1, description="Different EVSEs they must have come from; or a new trouble code"
    )

    proving_alpha: float = Field(
        0.05,
        gt=0,
        lt=0.5,
        description="Chance to send a sound repair back to the workshop; stated, Wald's sequential test",
    )
    proving_beta: float = Field(
        0.05, gt=0, lt=0.5, description="Chance to pass a repair that did not hold; as above"
    )
    proving_sound_fails: float = Field(
        0.05,
        gt=0,
        lt=0.5,
        description="Failure probability of a healthy vehicle at a healthy EVSE; above the fleet's 2 to 3 %",
    )
    proving_faulty_fails: float = Field(
        0.5,
        gt=0,
        lt=1,
        description="Failure probability at which a repair counts as not held; a shorted diode fails oftener still",
    )
