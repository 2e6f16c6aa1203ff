"""The shape of an evidence pack: `referrals/<vehicle_id>/evidence.json`, the screen page and the A4
sheet hold this.

Everything is plain data: numbers, ISO 8601 UTC times, and sentences already written out. A page or
a sheet lays it out and adds nothing. Order of lists is order of display. Null means not known or
not logged, never zero.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

EVIDENCE_VERSION = 1


class Part(BaseModel):
    """Base of all parts: immutable, no unknown names."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Vehicle(Part):
    """The vehicle, as the fleet office delivered it."""

    vehicle_id: str
    vehicle_model: str | None
    model_year: int | None
    vin: str | None
    inlets: tuple[str, ...] = Field(description="ConnectorEnumType codes")


class Claim(Part):
    """What is said, and how sure."""

    text: str = Field(description="The claim in one or two sentences, probability included")
    call: str = Field(description="refer | watch | clear | insufficient_data | proving | proved")
    suspect: str = Field(description="the contract's words, e.g. pilot_diode_shorted")
    suspect_words: str = Field(description="The suspect in words, e.g. 'shorted pilot diode'")
    p_vehicle: float = Field(ge=0, le=1, description="Probability that the vehicle is at fault")
    p_diode: float = Field(ge=0, le=1, description="Probability that the pilot diode is faulty")
    suspects: tuple[tuple[str, float], ...] = Field(
        description="(suspect, probability) given that the vehicle is at fault, most probable first; sums to 1"
    )
    onset_utc: datetime | None
    onset_lo_utc: datetime | None
    onset_hi_utc: datetime | None


class Tally(Part):
    """Counts in the look-back."""

    ac_attempts: int
    ac_failures: int
    evses_failed_at: int
    early_b_failures: int
    dc_attempts: int
    dc_charged: int


class UnseenVisit(Part):
    """One visit at which no EVSE saw the vehicle; `evse_id` null where only the vehicle told of it."""

    at: datetime
    evse_id: str | None


class Weight(Part):
    """One weight of evidence.

    What was seen, and how much it speaks for `suspect` against the vehicle's other causes.
    """

    signature: str = Field(description="Name in schemas/signatures")
    title: str
    seen: str = Field(description="What was seen, in words and numbers")
    factor: float = Field(
        gt=0,
        description="Bayes factor for the suspect against the other vehicle causes; 1 = neutral",
    )
    log_factor: float = Field(description="Its natural logarithm")
    words: str = Field(description="'speaks strongly for', 'is neutral', ...")
    source: str


class StripAttempt(Part):
    """One attempt of the vehicle in the look-back, for the strip over time."""

    attempt_id: str
    at: datetime
    evse_id: str
    site_id: str
    coupler: str
    supply: str
    outcome: str
    stage: str
    stage_seconds: float | None
    fault: str | None
    p_vehicle: float | None = Field(
        description="Share of the blame for an attempt that failed or was silent; null for all others"
    )
    silent: bool = Field(default=False, description="Never asked, and nothing seen explains it")


class Control(Part):
    """The control group.

    One EVSE at which the vehicle failed or never asked, and everybody else there in the same week.
    """

    evse_id: str
    site_id: str
    evse_model: str | None
    diode_check: str = Field(description="yes | no | unknown")
    week: str = Field(description="ISO week, 2026-W14")
    attempts: int = Field(description="This vehicle's attempts there that charged or failed")
    failures: int
    other_vehicles: int
    other_attempts: int
    other_failures: int
    silent: int = Field(
        0, description="Its plug-ins there at which it never asked, beside `attempts`"
    )
    other_silent: int = 0


class PilotReading(Part):
    """Levels of the pilot in one attempt, where logged."""

    at: datetime
    evse_id: str
    state: Literal["B2", "C2"]
    high_v: float | None
    low_v: float | None
    usual_low_v: float | None = Field(
        description="What this EVSE usually shows with other vehicles"
    )
    usual_from: str = Field(
        description="'same_week' | 'look_back' | 'nominal': where the usual level comes from"
    )


class Band(Part):
    """A tolerance band to draw behind the readings."""

    name: str = Field(description="e.g. 'negative level, healthy diode'")
    state: Literal["B2", "C2"]
    side: Literal["high", "low"]
    lo_v: float
    hi_v: float
    source: str


class Pilot(Part):
    """The pilot levels against tolerance bands. `readings` is empty where no EVSE logged them."""

    text: str
    readings: tuple[PilotReading, ...]
    bands: tuple[Band, ...]
    reverse_path_ohm: float | None
    reverse_path_lo_ohm: float | None
    reverse_path_hi_ohm: float | None


class RuledOut(Part):
    """Another explanation, and how the logs speak about it.

    `strength` is 'ruled_out', 'unlikely' or 'open'.
    """

    explanation: str
    how: str
    strength: Literal["ruled_out", "unlikely", "open"]


class BenchReading(Part):
    """One reading to take, in order."""

    order: int
    what: str
    how: str
    if_suspect: str
    if_sound: str
    note: str
    stands: str = Field(description="How the vehicle stands: asleep and made safe, awake …")
    decides: bool = Field(description="False: by itself it decides nothing, and says so")


class Bench(Part):
    """Readings to expect.

    Show `cautions` before `readings`, always, and `deference` beside them.
    """

    cautions: tuple[str, ...]
    deference: tuple[str, ...]
    readings: tuple[BenchReading, ...]
    meter_table: tuple[tuple[float, float], ...] = Field(
        description="(test current in A, ohm shown with the leads in the diode's forward direction, healthy diode)"
    )


class FormField(Part):
    """One line of the form the workshop fills.

    `column` is the column of findings.csv it goes to.
    """

    label: str
    column: str
    unit: str | None
    choices: tuple[str, ...] = ()


class Evidence(Part):
    """One evidence pack."""

    version: int = EVIDENCE_VERSION
    week: str
    look_back_from_utc: datetime
    look_back_to_utc: datetime
    vehicle: Vehicle
    claim: Claim
    tally: Tally
    unseen: tuple[UnseenVisit, ...] = Field(
        (),
        description="Visits at which no EVSE saw it, oldest first; empty where the claim does not rest on them",
    )
    weights: tuple[Weight, ...]
    strip: tuple[StripAttempt, ...]
    strip_chart: dict[str, Any] = Field(description="Vega-Lite spec (Altair) with its data inline")
    controls: tuple[Control, ...]
    controls_text: str
    pilot: Pilot
    pilot_chart: dict[str, Any] | None = Field(
        description="Vega-Lite spec, null where nothing was logged"
    )
    ruled_out: tuple[RuledOut, ...]
    bench: Bench
    refutes: tuple[str, ...] = Field(description="Findings that would prove the claim wrong")
    doubts: tuple[str, ...] = Field(description="What the logs do not show")
    history: tuple[str, ...] = Field(
        description="Reviews and findings of this vehicle so far, oldest first"
    )
    form: tuple[FormField, ...]
