"""The answer's rows.

Verdicts at their lines, weeks, words for when it began, sentences, and the digits that are said.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.attribute.attribution import Attribution, _said, attribute
from pipeline.attribute.report.frames import week_frame
from pipeline.attribute.report.unit_counts import _distinct
from pipeline.attribute.report.unit_frames import onset_columns
from pipeline.attribute.report.verdict import since_words, with_verdict
from pipeline.attribute.report.wording import grounds, reasons
from pipeline.attribute.states.kinds import EVSE, PAIRING, VEHICLE
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import END, WEEK, Plan, plant
from tests.attribute.test_evidence import evidence, minutes, tried

SETTINGS = AttributeSettings()
SURE: dict[str, Any] = {
    "p": 0.9, "separable_bits": 4.25, "partners": 2, "partners_failed_lately": 2, "can_clear": True,
    "p_height": 0.5,
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        ({}, "fault"),
        ({"p": 0.8999}, "doubt"),
        ({"separable_bits": 4.2499}, "doubt"),
        ({"partners": 1}, "doubt"),
        ({"partners_failed_lately": 1}, "doubt"),
        ({"p": 0.1}, "doubt"),
        ({"p": 0.1, "can_clear": False}, "doubt"),
        ({"p": 0.0999}, "clear"),
        ({"p": 0.0999, "can_clear": False}, "insufficient_data"),
        ({"p": 0.0, "separable_bits": -9.0, "partners": 1}, "clear"),
    ],
)
def test_a_verdict_holds_from_its_line_on(change: dict[str, Any], verdict: str) -> None:
    """Settings: fault from 0.9 with two partners and 19 to 1 in reach; doubt from 0.1.

    Clear needs enough attempts.
    """
    row = with_verdict(pl.DataFrame([SURE | change]), SETTINGS, equipment=False).row(0, named=True)
    assert row["verdict"] == verdict
    assert row["separable"] == (row["separable_bits"] >= 4.25)
    alone = min(row["partners"], row["partners_failed_lately"]) < 2
    assert row["provable"] == (row["separable"] and not alone)


def test_the_line_of_a_fault_is_the_one_given() -> None:
    """Equipment is called from its own, lower line."""
    assert (
        with_verdict(pl.DataFrame([SURE | {"p": 0.7}]), SETTINGS, equipment=True)["verdict"].item()
        == "fault"
    )


@pytest.mark.parametrize(
    ("p", "height", "verdict"),
    [(0.5, 0.9, "fault"), (0.5, 0.8999, "doubt"), (0.4999, 0.99, "doubt"), (0.6999, 0.8, "doubt")],
)
def test_equipment_once_beyond_doubt_stays_called_while_it_is_likelier_there_than_not(
    p: float, height: float, verdict: str
) -> None:
    """Decided: what is left of the question is only whether it ended, and nobody told of a repair; of a vehicle no such line."""
    row = SURE | {"p": p, "p_height": height}
    assert with_verdict(pl.DataFrame([row]), SETTINGS, equipment=True)["verdict"].item() == verdict
    assert with_verdict(pl.DataFrame([row]), SETTINGS, equipment=False)["verdict"].item() == "doubt"
    line = with_verdict(pl.DataFrame([row]), SETTINGS, equipment=True)["fault_from"].item()
    assert line == (0.5 if height >= 0.9 else 0.7)


COUNTS = "5 of 9 attempts failed, at 2 of 3 EVSEs"
FIGURES: dict[str, Any] = {
    "verdict": "fault", "p": 0.95, "separable": True, "failures": 5, "attempts": 9, "partners": 3, "partners_failed": 2,
    "partners_failed_lately": 2, "attempts_lately": 2.6, "p_chronic": 0.0, "since": "about 2026-03-01",
    "silent": 0, "p_silent": 0.0, "fault_kind": "steady", "fleet_rate": 0.025, "rival": "evse", "p_height": 0.8,
}  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "change", "said"),
    [
        ("vehicle", {}, COUNTS + ": it has failed since about 2026-03-01."),
        (
            "EVSE", {},
            "5 of 9 attempts failed, with 2 of 3 vehicles: it has failed since about 2026-03-01.",
        ),
        (
            "EVSE", {"fault_kind": "chronic"},
            ("5 of 9 attempts failed, with 2 of 3 vehicles: 1 in 2 all along, where the usual is "
            "1 in 40."),
        ),
        (
            "vehicle", {"fault_kind": "intermittent"},
            COUNTS + ": it comes and goes, since about 2026-03-01.",
        ),
        (
            "vehicle", {"silent": 6, "p_silent": 0.9, "fault_kind": "silent"},
            COUNTS + "; no charge was asked for at 6 plug-ins of 15: so since about 2026-03-01.",
        ),
        (
            "vehicle", {"verdict": "doubt", "partners_failed_lately": 1},
            (COUNTS + "; since about 2026-03-01 with one known EVSE only, so the attempts "
             "hardly tell the two apart."),
        ),
        (
            "vehicle", {"verdict": "doubt", "separable": False},
            COUNTS + "; its EVSEs could explain it about as well.",
        ),
        (
            "vehicle", {"verdict": "doubt", "partners": 1, "p": 0.8999},
            "5 of 9 attempts failed, at 2 of 1 EVSEs; neither enough to blame nor to clear it.",
        ),
        (
            "EVSE", {"verdict": "doubt", "p": 0.8999, "p_height": 0.9},
            ("5 of 9 attempts failed, with 2 of 3 vehicles; it failed as at a fault, and its last attempts leave open whether "
             "that goes on."),
        ),
        (
            "pairing", {"verdict": "clear", "past": True},
            "5 of 9 attempts failed, with 2 of 3 vehicles; it was at fault, and that is over.",
        ),
        ("vehicle", {"verdict": "clear", "failures": 0}, "none of 9 attempts failed."),
        (
            "vehicle", {"verdict": "clear", "p_chronic": 0.51},
            COUNTS + "; about as often all along, which is taken for its place or driver.",
        ),
        (
            "vehicle", {"verdict": "clear", "p_chronic": 0.5},
            COUNTS + "; others, chance or a trouble that has ended explain it.",
        ),
        ("vehicle", {"verdict": "insufficient_data"}, COUNTS + "; only 3 lately, too few to say."),
    ],
)  # fmt: skip
def test_the_ground_of_a_verdict_in_one_sentence(
    kind: str, change: dict[str, Any], said: str
) -> None:
    """Each verdict has its own ground, with the row's own figures and the kind's own words."""
    assert reasons(pl.DataFrame([FIGURES | change]), kind, SETTINGS)["reason"].item() == said


def test_each_verdict_s_ground_is_at_hand() -> None:
    """Who weighs more before a verdict is given takes the sentence of that verdict, whatever attribution's own was."""
    frame = pl.DataFrame([FIGURES | {"verdict": "doubt", "p": 0.5}])
    row = grounds(frame, "EVSE", SETTINGS).row(0, named=True)
    counts = "5 of 9 attempts failed, with 2 of 3 vehicles"
    assert row["ground_fault"] == f"{counts}: it has failed since about 2026-03-01."
    assert row["ground_doubt"] == f"{counts}; neither enough to blame nor to clear it."
    assert (
        row["ground_clear"] == f"{counts}; others, chance or a trouble that has ended explain it."
    )
    assert row["verdict"] == "doubt"


def test_partners_are_counted_once() -> None:
    """Distinct others among the attempts kept; a unit without any has none."""
    unit, other = np.array([0, 0, 0, 2, 2]), np.array([1, 1, 0, 2, 1])
    keep = np.array([True, True, True, True, False])
    assert _distinct(unit, other, keep, 3, 3).tolist() == [2, 0, 1]


def test_the_beginning_is_told_as_far_as_it_is_known() -> None:
    """Failing from the first day of all is 'before the look-back'.

    From a late first attempt, that day; else the date.
    """
    at = [minutes(60 * 24 * d) for d in (-79, -40, -79)]
    rows = [tried("a", "e", at[0]), tried("b", "e", at[1]), tried("c", "e", at[2])]
    seen = evidence(rows)
    assert seen.day.min() == 0
    begin = seen.begin_utc
    onset = pl.Series(
        "onset_utc", [begin, begin, begin + timedelta(days=1)], dtype=pl.Datetime("us", "UTC")
    )
    told = since_words(seen, seen.vehicle, 3, onset).to_list()
    first = (begin + timedelta(days=int(seen.day[2]))).strftime("%Y-%m-%d")
    assert told == [
        "before the look-back",
        f"its first attempt, {first}",
        f"about {begin + timedelta(days=1):%Y-%m-%d}",
    ]
    cut = since_words(replace(seen, cut=True), seen.vehicle, 3, onset).to_list()
    assert cut[0] == "before the logs begin"
    late = since_words(
        replace(seen, day=seen.day + 2), seen.vehicle, 3, onset + timedelta(days=2)
    ).to_list()
    assert late[0] == "before the logs begin"


@pytest.fixture(scope="module")
def answer() -> Attribution:
    """A small fleet, AC and DC, a faulty vehicle, an EVSE that failed and was mended, early-B
    failures.
    """
    ac = attempts_of("AC")
    dc = attempts_of("DC")
    dc = dc.with_columns(
        pl.col("attempt_id") + "d", pl.col("evse_id") + "d", early_b=pl.lit(value=True)
    )
    return attribute(pl.concat([ac, dc]), SETTINGS, WEEK)


def attempts_of(supply: str) -> pl.DataFrame:
    """The fleet's attempts again."""
    if supply == "DC":
        return plant(Plan(vehicles=14, evses=4, days=77, per_day=0.4, supply="DC"), 2)
    plan = Plan(
        vehicles=12,
        evses=6,
        vehicle_faults={4: (60, 84, 0.95)},
        evse_faults={5: (20, 50, 0.7)},
        days=77,
    )
    unsaid = pl.col("evse_id") == "e005"
    return plant(plan).with_columns(early_b=pl.when(~unsaid).then("early_b"))


def test_counts_of_a_vehicle_are_those_of_its_attempts(answer: Attribution) -> None:
    """Attempts, failures, EVSEs and EVSEs failed at, on AC; attempts and charges on DC.

    Early failures on AC only.
    """
    failed = pl.col("outcome") == "failed"
    want = (
        attempts_of("AC")
        .group_by("vehicle_id")
        .agg(
            ac_attempts=pl.len(),
            ac_failures=failed.sum(),
            evses=pl.col("evse_id").n_unique(),
            evses_failed_at=pl.col("evse_id").filter(failed).n_unique(),
            early_b_failures=pl.col("early_b").sum(),
        )
    )
    direct = (
        attempts_of("DC")
        .group_by("vehicle_id")
        .agg(dc_attempts=pl.len(), dc_charged=(~failed).sum())
    )
    want = (
        want.join(direct, on="vehicle_id", how="full", coalesce=True)
        .fill_null(0)
        .sort("vehicle_id")
    )
    columns = want.columns
    assert answer.vehicles.select(columns).rows() == want.rows()
    assert answer.vehicles["vehicle_id"].to_list() == [f"v{i:03d}" for i in range(14)]


def test_a_vehicle_never_seen_on_ac_is_thin_there(answer: Attribution) -> None:
    """It has DC figures, no AC probability, and says why."""
    row = answer.vehicles.filter(pl.col("vehicle_id") == "v013").row(0, named=True)
    assert (row["verdict"], row["separable"], row["p_vehicle"], row["onset_utc"]) == (
        "insufficient_data",
        False,
        None,
        None,
    )
    assert row["reason"] == "no AC attempt in the look-back."
    assert row["verdict_dc"] in {"clear", "insufficient_data"}
    assert row["p_vehicle_dc"] < 0.1
    assert row["reason_dc"] != row["reason"]


def test_weeks_count_what_happened_in_them(answer: Attribution) -> None:
    """A row a vehicle and week with an attempt, with its counts and the probability at the week's
    last day, for each supply.
    """
    begin = END - timedelta(days=77)
    week = ((pl.col("plugged_at_utc") - begin).dt.total_days() // 7).cast(pl.Int64)
    for supply in ("AC", "DC"):
        for key, frame in (("vehicle_id", answer.vehicle_weeks), ("evse_id", answer.evse_weeks)):
            want = (
                attempts_of(supply)
                .with_columns(evse_id=pl.col("evse_id") + ("d" if supply == "DC" else ""))
                .group_by(key, week_start_utc=(begin + pl.duration(days=7 * week)))
                .agg(attempts=pl.len(), failures=(pl.col("outcome") == "failed").sum())
                .sort(key, "week_start_utc")
            )
            got = frame.filter(pl.col("supply") == supply).sort(key, "week_start_utc")
            assert got.select(key, "week_start_utc", "attempts", "failures").rows() == want.rows()
    solution = answer.solutions["AC"]
    probability = solution.units[VEHICLE].probability
    frame = week_frame(solution, VEHICLE, "p").filter(pl.col("vehicle_id") == "v004")
    assert frame["p"].to_list() == probability[4, 6::7].tolist()


def test_an_onset_is_told_only_of_the_suspected(answer: Attribution) -> None:
    """From the line on at which the question is open (of an EVSE a lower one), in the report's last days, a median within its interval.

    Else none.
    """
    solution = answer.solutions["AC"]
    for kind, names in ((VEHICLE, solution.evidence.vehicles), (EVSE, solution.evidence.evses)):
        now = solution.units[kind].lately(SETTINGS.report_days)[: names.height]
        told = onset_columns(solution, kind, names.height, SETTINGS)
        line = SETTINGS.evse_open_at if kind == EVSE else SETTINGS.doubt_at
        assert (told["onset_utc"].is_not_null().to_numpy() == (now >= line)).all()
    row = answer.vehicles.filter(pl.col("vehicle_id") == "v004").row(0, named=True)
    began = END - timedelta(days=77) + timedelta(days=60)
    assert row["onset_lo_utc"] <= row["onset_utc"] <= row["onset_hi_utc"]
    assert abs(row["onset_utc"] - began) < timedelta(days=5)
    everyone = onset_columns(solution, VEHICLE, 12, SETTINGS.model_copy(update={"doubt_at": 0.0}))
    assert everyone["onset_utc"].null_count() == 0


def test_an_evse_that_was_mended_is_not_suspected_now(answer: Attribution) -> None:
    """`lately` looks at the last days only.

    The probability of an older week still tells of the fault.
    """
    states = answer.solutions["AC"].units[EVSE]
    assert states.probability[5, 40] > 0.9
    assert states.lately(3)[5] < 0.1
    assert states.lately(3)[5] == states.probability[5, -3:].max()
    assert states.lately(60)[5] > 0.9


def test_pairings_and_evses_have_counts_of_their_own(answer: Attribution) -> None:
    """EVSEs by coupler and pairings by models and firmware, per supply, partners named for what
    they are.
    """
    failed = pl.col("outcome") == "failed"
    want = (
        attempts_of("AC")
        .group_by("vehicle_model", "evse_model", "firmware")
        .agg(
            attempts=pl.len(),
            failures=failed.sum(),
            vehicles=pl.col("vehicle_id").n_unique(),
            vehicles_failed=pl.col("vehicle_id").filter(failed).n_unique(),
        )
        .sort("vehicle_model", "evse_model")
    )
    got = answer.pairings.filter(pl.col("supply") == "AC").sort("vehicle_model", "evse_model")
    assert got.select(want.columns).rows() == want.rows()
    assert answer.evses.filter(pl.col("supply") == "DC")["coupler"].unique().to_list() == ["cCCS2"]
    row = answer.evses.filter(pl.col("evse_id") == "e005").row(0, named=True)
    assert row["vehicles"] == 12
    assert (
        row["vehicles_failed"]
        == attempts_of("AC").filter(failed, pl.col("evse_id") == "e005")["vehicle_id"].n_unique()
    )
    assert row["verdict"] == "clear"
    assert answer.solutions["AC"].units[PAIRING].belief.shape[0] == 7


def test_answers_are_said_to_nine_decimals_and_a_millisecond() -> None:
    """What lies beyond depends on the order of sums; it is not said."""
    when = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(microseconds=1_600)
    said = _said(
        pl.DataFrame(
            {
                "p": [0.1234567894, 0.1234567896],
                "at": pl.Series([when, when], dtype=pl.Datetime("us", "UTC")),
            }
        )
    )
    assert said["p"].to_list() == [0.123456789, 0.12345679]
    assert said["at"].to_list() == [datetime(2026, 1, 1, 0, 0, 0, 2000, tzinfo=UTC)] * 2
