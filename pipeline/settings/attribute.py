"""Settings of attribution: the priors of the fault states and how they are searched.

Priors are assumptions, stated here once. Those on how often and how long faults occur only start
the estimate: the fleet's own data move them (`prior_units`). No public study splits charging
failures by vehicle and equipment with numbers, so they are labelled 'assumed' unless a source is
named.
"""

from __future__ import annotations

from pydantic import Field, model_validator

from pipeline.settings.base import Frozen


class StatePrior(Frozen):
    """What is assumed of one kind of unit before the data speak.

    `levels` are the failure probabilities an attempt has when the unit's fault state is on;
    several, because faults may be intermittent.
    """

    levels: tuple[float, ...] = Field(
        description="Failure probability of an attempt in each fault state"
    )
    diode: tuple[bool, ...] = Field(
        description="Whether the state bites only where the EVSE tests for the pilot diode"
    )
    shares: tuple[float, ...] = Field(description="Share of new faults of each level")
    prevalence: float = Field(
        gt=0, lt=0.5, description="Share of units in a fault state at a random time"
    )
    days_on: float = Field(gt=1, description="Mean days a fault lasts before repair")
    prior_units: float = Field(
        gt=0,
        description="Weight of the prior on how often faults begin, in units watched for one look-back",
    )
    chronic_rates: tuple[float, ...] = Field(
        (),
        description="Failure rates a unit may have had all along without a fault (its place, its driver); blamed on chance",
    )
    chronic_share: float = Field(
        0.02,
        gt=0,
        lt=0.5,
        description="Share of units with such a chronic rate beyond the baseline's normal spread; assumed",
    )

    @property
    def states(self) -> int:
        """Off, the fault states, the chronic rates, just mended, in this order."""
        return 2 + len(self.levels) + len(self.chronic_rates)

    @property
    def failure_probability(self) -> tuple[tuple[float, bool], ...]:
        """Failure probability of each state after off, and whether it bites only where the diode is
        looked for.
        """
        benign = ((level, False) for level in (*self.chronic_rates, 0.0))
        return (*zip(self.levels, self.diode, strict=True), *benign)

    @model_validator(mode="after")
    def _one_entry_a_level(self) -> StatePrior:
        if not len(self.levels) == len(self.diode) == len(self.shares):
            raise ValueError("levels, diode and shares need one entry for each fault state")
        return self


class AttributeSettings(Frozen):
    """Who is at fault: priors, echoes of a failure, search, and the lines between verdicts."""

    vehicle: StatePrior = Field(
        StatePrior(
            levels=(0.97, 0.6, 0.95, 0.75, 0.5, 0.3),
            diode=(True, True, False, False, False, False),
            shares=(0.4, 0.1, 0.15, 0.15, 0.1, 0.1),
            prevalence=0.01,
            days_on=60.0,
            prior_units=100.0,
            chronic_rates=(0.08, 0.2),
        ),
        description="Assumed: about one vehicle in a hundred, for two months; a shorted pilot diode fails "
        "whenever it is looked for, other faults less",
    )
    evse: StatePrior = Field(
        StatePrior(
            levels=(0.97, 0.85, 0.7, 0.5, 0.3, 0.15),
            diode=(False,) * 6,
            shares=(0.2, 0.2, 0.2, 0.15, 0.15, 0.1),
            prevalence=0.03,
            days_on=21.0,
            prior_units=50.0,
        ),
        description="Assumed: equipment fails more often than cars (a survey found 22.7 % of public DC connectors out of order,"
        " Rempel et al. 2022; a kept depot has far less) and is mended within weeks; one that fails a sixth of "
        "all comers is faulty",
    )
    pairing: StatePrior = Field(
        StatePrior(
            levels=(0.95, 0.7, 0.45, 0.25, 0.15),
            diode=(False,) * 5,
            shares=(0.2, 0.2, 0.2, 0.2, 0.2),
            prevalence=0.005,
            days_on=90.0,
            prior_units=50.0,
        ),
        description="Assumed: rare, begins with a firmware, lasts until the next",
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
    level_change_per_day: float = Field(
        0.02,
        ge=0,
        lt=1,
        description="Chance a fault changes its severity in a day; assumed: weather and wear, some weeks apart",
    )
    dirichlet_units: float = Field(
        10.0, gt=0, description="Weight of the assumed shares of severities, in faults seen"
    )
    repair_units: float = Field(
        10.0, gt=0, description="Weight of the assumed days until repair, in repairs seen"
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
        1e-3,
        gt=0,
        lt=0.1,
        description="A unit whose fault probability cannot reach this even if it is blamed for all its failures is set aside",
    )
    baseline_evaluations: int = Field(
        60, ge=1, description="Most evaluations of the marginal likelihood in the last baseline fit"
    )
    early_evaluations: int = Field(
        5, ge=1, description="The same in the fits before, which only need the rough rates"
    )
    baseline_tolerance: float = Field(
        1e-10, gt=0, description="Newton decrement at which the baseline search stops"
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
        description="The same for EVSEs and pairings: a look at equipment costs less than a vehicle's day in the workshop",
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
    separable_bits: float = Field(
        4.25,
        gt=0,
        description="log2 odds (19 to 1) the data could reach for the unit against its partners if it were at fault",
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
