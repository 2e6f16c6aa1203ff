"""Settings of attribution: the priors of the fault states and how they are searched.

Priors are assumptions, stated here once. Those on how often and how long faults occur only start
the estimate: the fleet's own data move them (`prior_units`). No public study splits charging
failures by vehicle and equipment with numbers, so they are labelled 'assumed' unless a source is
named.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from pipeline.settings.base import Frozen

Where = Literal["anywhere", "diode", "socket"]
Character = Literal["steady", "intermittent", "resting", "silent", "half_silent", "chronic"]


class FaultState(Frozen):
    """One way a unit can be at fault: how often an attempt fails (`loud`), or shows nothing (`silent`).

    Of the attempts that are not silent, the share `loud` fails.
    """

    character: Character = Field("steady", description="What the fault is like over time")
    loud: float = Field(0.0, ge=0, description="Share of attempts that fail, or see `relative`")
    silent: float = Field(
        0.0, ge=0, lt=1, description="Share of attempts at which nothing is asked"
    )
    where: Where = Field(
        "anywhere",
        description="Bites anywhere, only where the EVSE looks for the diode, or only at socket outlets",
    )
    relative: bool = Field(
        default=False, description="`loud` is in multiples of the fleet's usual chance of failure"
    )
    share: float = Field(ge=0, le=1, description="Share of the units at fault at a random time")
    days_on: float = Field(gt=1, description="Mean days before it is repaired")
    stretch_days: float | None = Field(
        None,
        gt=1,
        description="Of what comes and goes: mean days it bites, or rests, at a stretch; unset: `bite_days`, `rest_days`",
    )


class UsualState(Frozen):
    """A rate of failing or of silence that a unit has had all along without being at fault."""

    loud: float = Field(0.0, ge=0, lt=1, description="Share of attempts that fail")
    silent: float = Field(
        0.0, ge=0, lt=1, description="Share of attempts at which nothing is asked"
    )
    share: float = Field(gt=0, lt=0.5, description="Share of units that are so; assumed")


class StatePrior(Frozen):
    """What is assumed of one kind of unit before the data speak."""

    faults: tuple[FaultState, ...] = Field((), description="Its fault states")
    usual: tuple[UsualState, ...] = Field(
        (), description="Rates it may have had all along without a fault; blamed on chance"
    )
    prevalence: float = Field(
        gt=0, lt=0.5, description="Share of units in a fault state at a random time"
    )
    prior_units: float = Field(
        gt=0, description="Weight of the prior on how many are at fault, in units watched"
    )
    onset_days: float | None = Field(
        None,
        gt=1,
        description="Days in which as many units fall faulty as are at a random time; absent: what "
        "`days_on` keeps in balance. Shorter where somebody sees to faults that would not go away",
    )
    mends: bool = Field(
        default=True,
        description="Whether what was repaired may fall back before it counts as sound",
    )

    @model_validator(mode="after")
    def _shares_are_shares(self) -> StatePrior:
        if self.faults and abs(sum(fault.share for fault in self.faults) - 1.0) > 1e-6:
            raise ValueError("the shares of the fault states must sum to 1")
        return self


def _steady(loud: float, share: float, days_on: float, where: Where = "anywhere") -> FaultState:
    return FaultState(loud=loud, share=share, days_on=days_on, where=where)


PAIRING_DAYS = 720.0
"""Mean days until a vehicle's software ends the fault of a pairing: an update in two years; assumed."""


class AttributeSettings(Frozen):
    """Who is at fault: priors, echoes of a failure, search, and the lines between verdicts."""

    vehicle: StatePrior = Field(
        StatePrior(
            faults=(
                _steady(0.97, 0.24, 300, "diode"),
                _steady(0.6, 0.06, 300, "diode"),
                _steady(0.8, 0.04, 300, "socket"),
                _steady(0.95, 0.12, 300),
                _steady(0.65, 0.12, 300),
                _steady(0.35, 0.10, 300),
                FaultState(character="half_silent", loud=0.3, silent=0.4, share=0.02, days_on=300),
                FaultState(character="half_silent", loud=0.5, silent=0.8, share=0.02, days_on=300),
                FaultState(character="half_silent", loud=0.6, silent=0.3, share=0.02, days_on=300),
                FaultState(character="half_silent", loud=0.9, silent=0.7, share=0.02, days_on=300),
                FaultState(character="silent", silent=0.9, share=0.06, days_on=300),
                FaultState(character="silent", silent=0.6, share=0.06, days_on=300),
                FaultState(character="intermittent", loud=0.75, share=0.06, days_on=300),
                FaultState(character="resting", loud=0.03, share=0.06, days_on=300),
            ),
            usual=(
                UsualState(loud=0.08, share=0.01),
                UsualState(silent=0.15, share=0.05),
                UsualState(silent=0.4, share=0.05),
            ),
            prevalence=0.02,
            onset_days=60.0,
            prior_units=100.0,
        ),
        description="Assumed: about one vehicle in fifty; a fault does not go away by itself; a shorted pilot "
        "diode fails whenever it is looked for, a carried cable at sockets only; some show as silence, a lock as "
        "often silent as loud, some come and go",
    )
    evse: StatePrior = Field(
        StatePrior(
            faults=(
                _steady(0.97, 0.10, 30),
                _steady(0.8, 0.10, 90),
                _steady(0.55, 0.12, 150),
                _steady(0.3, 0.14, 180),
                FaultState(character="half_silent", loud=0.5, silent=0.5, share=0.04, days_on=90),
                FaultState(character="half_silent", loud=0.2, silent=0.2, share=0.04, days_on=180),
                FaultState(character="chronic", loud=8, relative=True, share=0.12, days_on=180),
                FaultState(character="chronic", loud=4, relative=True, share=0.12, days_on=180),
                FaultState(character="silent", silent=0.8, share=0.05, days_on=30),
                FaultState(character="intermittent", loud=0.7, share=0.05, days_on=120),
                FaultState(character="resting", loud=0.03, share=0.04, days_on=120),
                FaultState(
                    character="intermittent", loud=0.7, share=0.04, days_on=120, stretch_days=6
                ),
                FaultState(character="resting", loud=0.03, share=0.04, days_on=120, stretch_days=6),
            ),
            prevalence=0.06,
            onset_days=40.0,
            prior_units=50.0,
        ),
        description="Assumed: equipment fails more often than cars (a survey found 22.7 % of public"
        " DC connectors out of order, Rempel et al. 2022; a kept depot has far less); what fails all is "
        "mended within weeks, what still charges every second time stays for half a year, since nobody calls it in; what comes and goes "
        "does so by the day (wet contacts) or by the week (warmth, a loose part); a bad cable or a wrong offer fails some attempts and "
        "leaves others unseen or unasked",
    )
    pairing: StatePrior = Field(
        StatePrior(
            faults=(
                _steady(0.95, 0.14, PAIRING_DAYS),
                _steady(0.6, 0.14, PAIRING_DAYS),
                _steady(0.25, 0.14, PAIRING_DAYS),
                FaultState(
                    character="half_silent", loud=0.6, silent=0.5, share=0.14, days_on=PAIRING_DAYS
                ),
                FaultState(
                    character="half_silent", loud=0.3, silent=0.25, share=0.1, days_on=PAIRING_DAYS
                ),
                FaultState(
                    character="half_silent", loud=0.1, silent=0.2, share=0.1, days_on=PAIRING_DAYS
                ),
                FaultState(
                    character="chronic", loud=4, relative=True, share=0.12, days_on=PAIRING_DAYS
                ),
                FaultState(character="silent", silent=0.6, share=0.06, days_on=PAIRING_DAYS),
                FaultState(character="silent", silent=0.25, share=0.06, days_on=PAIRING_DAYS),
            ),
            prevalence=0.01,
            prior_units=50.0,
        ),
        description="Assumed: rare; begins with a firmware and lasts until the next, which makes it another pairing, "
        "so that only the vehicle's own software could end it; where the two do not come to terms, some plug-ins "
        "end with a fault and others show nothing",
    )
    site: StatePrior = Field(
        StatePrior(
            faults=(
                FaultState(loud=0.95, silent=0.3, share=0.35, days_on=1.2),
                FaultState(loud=0.45, silent=0.1, share=0.35, days_on=1.5),
                FaultState(loud=0.15, share=0.30, days_on=2.0),
            ),
            prevalence=0.01,
            prior_units=50.0,
            mends=False,
        ),
        description="A passing event of a whole site (outage, supply, weather): one day in a "
        "hundred, over within two; assumed. It is nobody's fault and counts as chance",
    )
    place: StatePrior = Field(
        StatePrior(
            usual=(UsualState(silent=0.5, share=0.03), UsualState(silent=0.92, share=0.03)),
            prevalence=0.01,
            prior_units=50.0,
            mends=False,
        ),
        description="A driver's habit of not charging at one place, or at one time of day (a timer,"
        " a battery always full there); assumed, moved by the fleet. It counts as chance",
    )
    day_likeness: float = Field(
        0.05,
        ge=0,
        lt=1,
        description="Correlation of the outcomes of one unit's attempts on one day, beyond its state (weather, driver); assumed",
    )
    relapse_per_day: float = Field(
        0.01,
        ge=0,
        lt=1,
        description="Chance a day that what was just mended falls faulty again; with `settle_per_day`, one "
        "repair in six does not hold (assumed)",
    )
    settle_per_day: float = Field(
        0.05,
        gt=0,
        lt=1,
        description="Chance a day that a repair has proved itself and counts as sound",
    )
    repairs_in_vain: float = Field(
        0.1,
        gt=0,
        lt=0.5,
        description="Share of told repairs of vehicles after which the fault is there as before; assumed",
    )
    repairs_untold: float = Field(
        0.2,
        gt=0,
        le=1,
        description="Where repairs of vehicles are told, share of them that are not: what went away untold more "
        "likely rests; assumed",
    )
    level_change_per_day: float = Field(
        0.02,
        ge=0,
        lt=1,
        description="Chance a fault changes its severity in a day; assumed: weather and wear, some weeks apart",
    )
    bite_days: float = Field(
        2.5, gt=1, description="Mean days a fault that comes and goes bites at a stretch; assumed"
    )
    rest_days: float = Field(
        8.0, gt=1, description="Mean days it rests between two bites (dry weather); assumed"
    )
    diode_seen: float = Field(
        0.98,
        gt=0.5,
        lt=1,
        description="Share of plug-ins at which checking equipment sees a shorted diode; IEC 61851-1 asks for "
        "one look before closing",
    )
    diode_seen_without: float = Field(
        0.01,
        gt=0,
        lt=0.5,
        description="The same where the list says it does not check: the list may be wrong",
    )
    diode_check_prior: float = Field(
        0.7,
        gt=0,
        lt=1,
        description="Probability that equipment of unknown habit checks; assumed: the standard asks for it, practice differs",
    )
    diode_vote_cap: float = Field(
        3.0,
        gt=0,
        description="Nats one vehicle may add to the question whether an EVSE model checks: no single car decides it",
    )

    echo_minutes: float = Field(
        30.0,
        gt=0,
        description="A plug-in this soon after a failure of the same vehicle is a retry; common practice for a 'visit'",
    )
    outage_minutes: float = Field(
        120.0, gt=0, description="A passing outage of one EVSE is assumed over after two hours"
    )
    echo_same: float = Field(
        0.5,
        ge=0,
        lt=1,
        description="Chance that a retry at the same EVSE meets the passing cause again (driver, grid); start value, estimated",
    )
    echo_vehicle: float = Field(
        0.2, ge=0, lt=1, description="The same at another EVSE; start value, estimated"
    )
    echo_evse: float = Field(
        0.15,
        ge=0,
        lt=1,
        description="The same for another vehicle at that EVSE within the outage time; start value, estimated",
    )
    echo_units: float = Field(
        20.0, gt=0, description="Weight of these start values, in retries seen"
    )

    rounds: int = Field(
        2,
        ge=1,
        le=10,
        description="Times baseline and fault states are fitted in turn; more changed probabilities by less than 0.01 in trials",
    )
    passes: int = Field(
        100,
        ge=4,
        le=1000,
        description="Most message passes between units within a round; it ends sooner when messages rest",
    )
    early_passes: int = Field(
        24,
        ge=1,
        le=1000,
        description="The same in all but the last round, where messages need not rest",
    )
    damping: float = Field(
        0.4,
        ge=0,
        lt=1,
        description="Share of the old message kept in a pass; stops see-sawing between two explanations",
    )
    suspect_floor: float = Field(
        5e-3,
        gt=0,
        lt=0.1,
        description="A unit whose fault probability cannot reach this even if it is blamed for all its failures is set aside",
    )
    usual_spread: float = Field(
        0.35,
        gt=0.05,
        lt=2,
        description="Likely spread of the normal rates of sound units, as standard deviation of the "
        "log rate (95 % within a factor of two); assumed, moved by the many healthy units",
    )
    excess_share: float = Field(
        0.05,
        gt=0,
        lt=0.5,
        description="Share of units whose rate may lie far above that spread; they do not widen it",
    )

    fault_at: float = Field(
        0.9,
        gt=0.5,
        lt=1,
        description="Probability from which a verdict may be 'fault'; keeps expected false verdicts under one "
        "in ten, far fewer on average",
    )
    equipment_fault_at: float = Field(
        0.7,
        gt=0.5,
        lt=1,
        description="The same for EVSEs and pairings: a look at equipment costs less than a vehicle's day in the "
        "workshop; above the line at which a visit pays (`cost_needless_evse_visit`)",
    )
    model_of_its_own: float = Field(
        0.1,
        gt=0,
        lt=1,
        description="Chance that a vehicle or EVSE of unknown model is of none of the fleet's known models; judgement, no source",
    )
    equipment_still_at: float = Field(
        0.5,
        ge=0.5,
        lt=1,
        description="The same for equipment that was at fault beyond doubt (`fault_at`) on a day: left is only whether it still is, "
        "and nobody told of a repair; decided",
    )
    report_days: int = Field(
        3,
        ge=1,
        le=7,
        description="Last days of the report week whose highest probability stands for it: one quiet or lucky day is no repair",
    )
    doubt_at: float = Field(
        0.1, gt=0, lt=0.5, description="Probability from which a unit is no longer 'clear'"
    )
    evse_open_at: float = Field(
        0.02,
        gt=0,
        lt=0.5,
        description="Probability from which it is worked out since when an EVSE fails and who else could explain it: how its failures "
        "look, weighed afterwards, may raise its odds a hundredfold",
    )
    separable_bits: float = Field(
        4.25,
        gt=0,
        description="log2 odds (19 to 1) the data could reach for the unit against its partners if it were at fault",
    )
    equipment_separable_bits: float = Field(
        1.25,
        gt=0,
        description="The same for EVSEs and pairings, 7 to 3, for the same reason",
    )
    partners_at_least: int = Field(
        2,
        ge=2,
        description="Partners a unit must have failed with before counts alone may call it faulty",
    )
    thin_failures_power: float = Field(
        0.9,
        gt=0.5,
        lt=1,
        description="'clear' needs this chance that a state failing half the time would have shown itself",
    )
    interval: float = Field(0.9, gt=0.5, lt=1, description="Mass of the reported onset interval")
