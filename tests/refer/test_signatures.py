"""Weights of evidence: the tables are sound, the sums are Bayes' rule, findings move them."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.core.errors import SchemaError
from pipeline.refer.findings import (
    before_after,
    confirmed,
    latest_findings,
    listed,
    precision,
    prior_lessons,
)
from pipeline.refer.inputs import join_findings
from pipeline.refer.suspects import signatures
from pipeline.refer.suspects.by_chance import ByChance, looks_to_vehicles
from pipeline.refer.suspects.signatures import (
    NO_FAULT,
    declared,
    learnt,
    word_groups,
)
from pipeline.refer.suspects.weighing import (
    _once,
    limited,
    log_factor,
    shares,
    weigh,
)
from pipeline.registry import empty, load_folder, registry

NO_LESSONS = empty("decision_lesson")


def signs(*rows: tuple[str, str, str, float]) -> pl.DataFrame:
    """Signs by hand."""
    return pl.DataFrame(rows, schema=["unit", "signature", "category", "amount"], orient="row")


@pytest.mark.parametrize("kind", ["vehicle", "evse"])
def test_every_signature_says_where_it_comes_from_and_covers_the_vocabulary(kind: str) -> None:
    """Suspects are those of the contract; each signature has a title and a source.

    Rows are distributions.
    """
    allowed = set(registry().fields["suspect"].values)
    for signature in declared(kind).values():
        assert signature.title
        assert len(signature.source) > 10
        assert set(signature.suspects) - {NO_FAULT, kind} <= allowed
        assert signature.table.sum(axis=1) == pytest.approx(1.0)
    assert set(declared(kind)[f"{kind}_prior"].categories) <= allowed


def test_words_are_canonical_fault_codes() -> None:
    """Each word of a group is a code of the fault list, and stands in one group only."""
    codes = load_folder("codes")["fault"]
    assert set(word_groups()) <= set(codes)
    named = [
        word for words in load_folder("signatures")["fault_word_groups"].values() for word in words
    ]
    assert len(named) == len(set(named))


def test_weigh_is_bayes_rule() -> None:
    """The shares equal prior times the product of row entries to the power of the amounts,
    normalised (derived).
    """
    tables = learnt("vehicle", NO_LESSONS)
    seen = signs(
        ("V", "stopped_at", "early_b", 2.0),
        ("V", "stopped_at", "delivering", 0.5),
        ("V", "trouble_code", "none_stored", 1.0),
    )
    prior = tables["vehicle_prior"].table
    verdicts = weigh(seen, pl.Series("unit", ["V"]), tables, prior, 1e9)
    by_hand = prior[0].copy()
    for _, name, category, amount in seen.iter_rows():
        signature = tables[name]
        rows = [signature.suspects.index(s) for s in verdicts.suspects]
        by_hand *= signature.table[rows, signature.categories.index(category)] ** amount
    assert verdicts.given_fault[0] == pytest.approx(by_hand / by_hand.sum())
    factor = np.exp(log_factor(verdicts, "trouble_code", prior))[0]
    row = tables["trouble_code"].table[:, 0]
    others = (prior[0] * row).sum() - prior[0] * row
    assert factor == pytest.approx(row / (others / (1 - prior[0])))


@pytest.mark.parametrize(("name", "category"), [("shoe_size", "large"), ("stopped_at", "halfway")])
def test_a_sign_nobody_declared_is_refused(name: str, category: str) -> None:
    """A sign of no declared signature, or of none of its categories, is an error that names it."""
    tables = learnt("vehicle", NO_LESSONS)
    with pytest.raises(SchemaError, match=f"{name}: {category}"):
        weigh(
            signs(("V", name, category, 1.0)),
            pl.Series("unit", ["V"]),
            tables,
            tables["vehicle_prior"].table,
            1e9,
        )


def by_chance(share: float) -> ByChance:
    """Every fault word one time in twenty by chance; failures are V's own by the share."""
    words = learnt("vehicle", NO_LESSONS)["fault_word"].categories
    own = pl.DataFrame({"unit": "V", "category": words, "share": share})
    return ByChance({"fault_word": np.full((1, len(words)), 0.05)}, {"fault_word": own})


@pytest.mark.parametrize("share", [1.0, 0.5])
def test_failures_that_look_as_chance_does_not_are_telling(share: float) -> None:
    """Mean over the suspects, by the prior, of P(words | suspect) against P(words | chance), each failure its own by the share (derived).

    One fault in ten looks as chance does. A signature without a figure for chance moves the prior only.
    """
    tables = learnt("vehicle", NO_LESSONS)
    prior, words = tables["vehicle_prior"].table, tables["fault_word"]
    two = ("V", "fault_word", "ground", 2.0 * share)  # the amounts are shares of two EVSEs
    seen = signs(two, ("V", "at_socket", "failed", 1.0))
    units = pl.Series("unit", ["V"])
    told = weigh(seen, units, tables, prior, 1e9, by_chance(share))
    place, socket = words.categories.index("ground"), tables["at_socket"].table[:, 1]
    where = prior[0] * socket / (prior[0] @ socket)
    each = (share * words.table[:, place] / 0.05 + 1 - share) ** 2
    assert told.telling == pytest.approx([0.1 + 0.9 * (where @ each)])
    assert told.looks[0] == pytest.approx(where * each / (where @ each))
    assert weigh(seen, units, tables, prior, 1e9).telling == pytest.approx([1.0])


def test_stage_and_word_that_speak_alike_count_once() -> None:
    """Both for it: the stronger; one against: their sum; what the vehicle itself says counts besides (derived)."""
    stage, word = np.array([[2.0, 2.0, -1.0]]), np.array([[3.0, -1.0, -2.0]])
    says = np.array([[0.5, 0.5, 0.5]])
    how = {"stopped_at": stage, "fault_word": word, "vehicle_says": says}
    assert _once(how, (1, 3)) == pytest.approx(np.array([[3.5, 1.5, -2.5]]))
    assert _once({"fault_word": word}, (1, 3)) == pytest.approx(word)


def test_chance_looks_as_it_did_to_others() -> None:
    """Failures by chance of all but the vehicle itself, by their share, beside 20 cases of the row of an unclear part (derived).

    Own failures at one EVSE make a witness of their sum, 1 at most.
    """
    tables = learnt("vehicle", NO_LESSONS)
    words = tables["fault_word"]
    usual = {"supply": "AC", "outcome": "failed", "weight": 1.0, "evse_model": "m", "evse_id": "e", "stage": "offered",
             "early_b": True, "source": "ocpp16", "vehicle_fault": None, "p_vehicle": 0.0, "p_evse": 0.0, "p_pairing": 0.0}  # fmt: skip
    rows = [
        usual | {"vehicle_id": v, "fault": "GroundFailure", "p_other": p}
        for v, p in (("V", 1.0), ("W", 0.75), ("X", 0.25))
    ]
    attempts = pl.DataFrame(rows, schema_overrides={"vehicle_fault": pl.Boolean})
    own = [
        usual
        | {
            "vehicle_id": "V",
            "fault": "GroundFailure",
            "p_vehicle": p,
            "p_other": 0.1,
            "evse_id": e,
        }
        for e, p in (("e", 0.2), ("e", 0.3), ("f", 0.9), ("f", 0.8))
    ]
    mine = pl.DataFrame(own, schema_overrides={"vehicle_fault": pl.Boolean})
    found = looks_to_vehicles(attempts, mine, pl.Series(["V", "other"]), tables)
    place, row = words.categories.index("ground"), words.table[words.suspects.index("unclear")]
    of = {n: (20 * row[place] + n) / (20 + n) for n in (1.0, 2.0)}
    assert found.usual["fault_word"][:, place] == pytest.approx([of[1.0], of[2.0]])
    assert found.usual["fault_word"].sum(axis=1) == pytest.approx(1.0)
    assert found.own["fault_word"].rows() == [("V", "ground", pytest.approx((0.5 + 1.0) / 2))]


def test_what_others_would_bear_looks_like_theirs() -> None:
    """Where half of what a vehicle would bear is its EVSEs' otherwise, half of the usual look is that of EVSEs' failures (derived)."""
    tables = learnt("vehicle", NO_LESSONS)
    words = tables["fault_word"]
    usual = {"supply": "AC", "outcome": "failed", "weight": 1.0, "evse_model": "m", "evse_id": "e", "stage": "offered", "p_pairing": 0.0,
             "early_b": True, "source": "ocpp16", "vehicle_fault": None, "vehicle_id": "W", "p_vehicle": 0.0}  # fmt: skip
    rows = [
        *(usual | {"fault": "GroundFailure", "p_other": 1.0, "p_evse": 0.0} for _ in range(5)),
        *(
            usual | {"fault": "ConnectorLockFailure", "p_other": 0.0, "p_evse": 1.0}
            for _ in range(10)
        ),
    ]
    mine = [
        usual
        | {
            "vehicle_id": "V",
            "fault": "ConnectorLockFailure",
            "p_vehicle": 0.6,
            "p_other": p,
            "p_evse": 0.4 - p,
        }
        for p in (0.4, 0.0)
    ]
    frames = (pl.DataFrame(r, schema_overrides={"vehicle_fault": pl.Boolean}) for r in (rows, mine))
    found = looks_to_vehicles(*frames, pl.Series(["V", "other"]), tables)
    row = words.table[words.suspects.index("unclear")]
    for word, by_chance, by_evses in (("ground", 5, 0), ("lock", 0, 10)):
        place = words.categories.index(word)
        chance, theirs = (20 * row[place] + by_chance) / 25, (20 * row[place] + by_evses) / 30
        assert found.usual["fault_word"][:, place] == pytest.approx([(chance + theirs) / 2, chance])


def test_one_signature_convicts_nobody() -> None:
    """However many witnesses, one signature moves the odds between two suspects by its cap at most."""
    tables = learnt("vehicle", NO_LESSONS)
    seen = limited(signs(("V", "stopped_at", "early_b", 50.0)), 6.0)
    assert seen["amount"].to_list() == [6.0]
    prior = tables["vehicle_prior"].table
    given = weigh(seen, pl.Series("unit", ["V"]), tables, prior, np.log(100)).given_fault[0]
    ratio = (given / prior[0]).max() / (given / prior[0]).min()
    assert ratio <= 100.0 * (1 + 1e-9)


def test_dc_per_coupler() -> None:
    """CHAdeMO and GB/T success is neutral to a short.

    CCS success speaks against it, more where the EVSE checks (from memory).
    """
    tables = learnt("vehicle", NO_LESSONS)
    prior = tables["vehicle_prior"].table

    def factor(name: str) -> float:
        verdicts = weigh(
            signs(("V", name, "charged", 1.0)), pl.Series("unit", ["V"]), tables, prior, 1e9
        )
        return float(
            np.exp(log_factor(verdicts, name, prior))[
                0, verdicts.suspects.index("pilot_diode_shorted")
            ]
        )

    assert factor("dc_own_signals") == pytest.approx(1.0)
    assert factor("ccs_checking") < factor("ccs_unknown") < 0.9 < factor("ccs_not_checking")
    assert factor("ccs_checking") < 0.1


def test_lessons_are_dirichlet_counts() -> None:
    """Row after = (strength x row before + counts) / (strength + total).

    Conjugate updating (derived).
    """
    before = declared("vehicle")["stopped_at"]
    taught = pl.DataFrame(
        [("charger_input", "stopped_at", "closed", 3.0), ("charger_input", "stopped_at", "early_b", 1.0)],
        schema=["suspect", "signature", "category", "amount"], orient="row",
    )  # fmt: skip
    after = before.learnt(taught)
    row = before.suspects.index("charger_input")
    expected = (before.strength * before.table[row] + np.array([0, 1.0, 0, 3.0, 0])) / (
        before.strength + 4.0
    )
    assert after.table[row] == pytest.approx(expected)
    others = [i for i in range(len(before.suspects)) if i != row]
    assert after.table[others] == pytest.approx(before.table[others])


def findings(*rows: tuple[str, str, str]) -> pl.DataFrame:
    """Findings by hand: vehicle, day, finding."""
    frame = pl.DataFrame(
        rows, schema=dict.fromkeys(["vehicle_id", "at_utc", "finding"], pl.String), orient="row"
    )
    frame = frame.with_columns(pl.col("at_utc").str.to_datetime(time_unit="us", time_zone="UTC"))
    whole = pl.concat([empty("raw_finding"), frame], how="diagonal")
    return join_findings(whole, empty("decision_finding"))


def test_findings_move_the_prior_and_before_and_after_are_shown() -> None:
    """Three found diodes raise the prior of a short from 0.19 to (1.9 + 3) / 13.

    No fault found confirms nothing.
    """
    told = findings(
        ("A", "2026-03-01", "diode_shorted"), ("B", "2026-03-02", "diode_shorted"), ("C", "2026-03-03", "diode_shorted"),
        ("D", "2026-03-04", "no_fault_found"),
    )  # fmt: skip
    shown = before_after(NO_LESSONS, told).filter(pl.col("category") == "pilot_diode_shorted")
    assert shown.select("before", "after", "cases").row(0) == pytest.approx(
        (0.19, (10 * 0.19 + 3) / 13, 3.0)
    )
    assert prior_lessons(confirmed(told)).height == 3


def test_a_finding_told_twice_counts_once() -> None:
    """The same finding by file and by hand is one finding."""
    told = findings(("A", "2026-03-01", "diode_shorted"))
    by_hand = pl.concat([empty("decision_finding"), told], how="diagonal")
    assert join_findings(told, by_hand).height == 1


def test_precision_over_time() -> None:
    """A vehicle listed for weeks is one referral; those without a finding are open.

    Jeffreys' mean is (right + 1/2) / (n + 1).
    """
    weeks = pl.DataFrame(
        [("2026-W02", "A"), ("2026-W03", "A"), ("2026-W03", "B"), ("2026-W05", "C"), ("2026-W20", "A")],
        schema=["week", "vehicle_id"], orient="row",
    )  # fmt: skip
    told = findings(
        ("A", "2026-01-20", "diode_shorted"),
        ("B", "2026-01-25", "no_fault_found"),
        ("A", "2026-05-20", "charger_other"),
    )
    table = precision(weeks, told)
    assert table["quarter"].to_list() == ["2026-Q1", "2026-Q2"]
    assert table.select("referrals", "right", "wrong", "open").row(0) == (3, 1, 1, 1)
    assert table["precision"].to_list() == pytest.approx([1.5 / 3, 1.5 / 2])
    assert table["precision_lo"][0] < 0.5 < table["precision_hi"][0]


def test_the_last_finding_of_a_vehicle_stands() -> None:
    """By time, then by repair.

    Each finding confirms its suspect, none confirms 'no fault found'.
    """
    confirms = {
        "diode_shorted": "pilot_diode_shorted", "diode_leaky": "pilot_diode_leaky", "diode_open": "pilot_open",
        "charger_other": "charger_input", "inlet_or_wiring": "inlet_lock", "no_fault_found": None,
    }  # fmt: skip
    assert set(confirms) == set(registry().fields["finding"].values)
    told = findings(
        *((v, "2026-03-02", v) for v in confirms), ("diode_shorted", "2026-03-01", "charger_other")
    )
    table = latest_findings(told)
    assert table.columns == ["vehicle_id", "found_at_utc", "finding", "repaired_at_utc", "found"]
    assert dict(table.select("vehicle_id", "found").iter_rows()) == confirms
    assert set(table["found_at_utc"].dt.day()) == {2}
    both = pl.concat([told, told.with_columns(repaired_at_utc="at_utc")]).filter(
        pl.col("vehicle_id") == "diode_leaky"
    )
    assert latest_findings(both.reverse())["repaired_at_utc"].null_count() == 0
    cases = confirmed(pl.concat([told, told]))
    assert cases.columns == ["vehicle_id", "at_utc", "suspect"]
    assert sorted(cases["suspect"]) == sorted([*filter(None, confirms.values()), "charger_input"])


def test_precision_without_a_finding_is_the_arcsine_law() -> None:
    """Nothing found out yet: Beta(1/2, 1/2), whose quantile is sin^2(pi q / 2).

    Mean 0.5, 0.0062 to 0.9938 (derived).
    """
    week = pl.DataFrame({"week": ["2026-W02"], "vehicle_id": ["A"]})
    row = precision(week, findings()).row(0, named=True)
    assert (row["quarter"], row["referrals"], row["right"], row["wrong"], row["open"]) == (
        "2026-Q1",
        1,
        0,
        0,
        1,
    )
    low = np.sin(np.pi * 0.05 / 2) ** 2
    assert (row["precision"], row["precision_lo"], row["precision_hi"]) == pytest.approx(
        (0.5, low, 1 - low)
    )


def test_open_referrals_are_counted_by_vehicle() -> None:
    """Two vehicles of which nothing was found out are two open referrals, however many weeks each
    was listed.
    """
    weeks = pl.DataFrame(
        {"week": ["2026-W02", "2026-W03", "2026-W02"], "vehicle_id": ["A", "A", "B"]}
    )
    assert precision(weeks, findings()).select("referrals", "open").row(0) == (2, 2)


def test_a_referral_is_answered_by_the_next_finding() -> None:
    """A finding from before the listing answers nothing, nor does another vehicle's.

    One on the day the week begins does.
    """
    weeks = pl.DataFrame({"week": ["2026-W10", "2026-W20"], "vehicle_id": ["A", "B"]})
    told = findings(
        ("A", "2026-03-01", "diode_shorted"),
        ("C", "2026-04-01", "diode_shorted"),
        ("B", "2026-05-11", "no_fault_found"),
    )
    table = precision(weeks, told)
    assert table.select("quarter", "referrals", "right", "wrong", "open").rows() == [
        ("2026-Q1", 1, 0, 0, 1), ("2026-Q2", 1, 0, 1, 0),
    ]  # fmt: skip


def test_the_list_of_a_week_is_its_referrals() -> None:
    """Only vehicles called refer, with their probabilities; a part not named is unclear."""
    vehicles = pl.DataFrame(
        [("A", "refer", 0.9, 0.8, None), ("B", "watch", 0.5, 0.1, "inlet_lock"), ("C", "refer", 0.8, 0.1, "inlet_lock")],
        schema=["vehicle_id", "call", "p_vehicle", "p_diode", "suspect"], orient="row",
    )  # fmt: skip
    assert listed("2026-W14", vehicles).rows() == [
        ("2026-W14", "A", 0.9, 0.8, "unclear"), ("2026-W14", "C", 0.8, 0.1, "inlet_lock"),
    ]  # fmt: skip


def test_before_and_after_hold_only_what_moved() -> None:
    """Lessons of a signature move its suspect's row alone.

    Every category of that row is shown, with the cases behind it.
    """
    lesson = pl.DataFrame(
        [("V", None, "inlet_lock", "stopped_at", "late_b", 4.0)], schema=NO_LESSONS.schema, orient="row"
    )  # fmt: skip
    table = before_after(lesson, findings())
    assert table.columns == ["signature", "suspect", "category", "cases", "before", "after"]
    tables = declared("vehicle")["stopped_at"]
    assert table["category"].to_list() == list(tables.categories)
    assert set(table.select("signature", "suspect", "cases").rows()) == {
        ("stopped_at", "inlet_lock", 4.0)
    }
    row = tables.table[tables.suspects.index("inlet_lock")]
    assert table["before"].to_numpy() == pytest.approx(row)
    counts = np.array([4.0 if c == "late_b" else 0.0 for c in tables.categories])
    assert table["after"].to_numpy() == pytest.approx(
        (tables.strength * row + counts) / (tables.strength + 4.0)
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"rows": {"a": [0.5, 0.5], "b": [0.5, 0.4], "none": [0.5, 0.5]}}, "sum to 1"),
        ({"rows": {"a": [0.5, 0.5], "b": [1.0, 0.0], "none": [0.5, 0.5]}}, "above 0"),
        (
            {"rows": {"a": [0.2, 0.3, 0.5], "b": [0.2, 0.3, 0.5], "none": [0.2, 0.3, 0.5]}},
            "2 probabilities",
        ),
        ({"rows": {"a": [0.5, 0.5], "b": [0.5, 0.5]}}, "rows must be a, b, none"),
        (
            {"rows": {"a": [0.5, 0.5], "c": [0.5, 0.5], "none": [0.5, 0.5]}},
            "rows must be a, b, none",
        ),
        ({"words": ["only one"]}, "one wording for each of 2 categories"),
    ],
)
def test_a_wrong_declaration_is_refused(
    change: dict[str, object], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows that are no distributions, miss a suspect or a wording are errors that say which
    signature and what is wanted.
    """
    prior = {
        "title": "T",
        "categories": ["a", "b"],
        "strength": 10,
        "rows": {"thing": [0.4, 0.6]},
        "source": "S",
    }
    sign = {"title": "T", "direct": True, "categories": ["x", "y"], "words": ["saw x", "saw y"], "strength": 20, "source": "S",
            "rows": {"a": [0.5, 0.5], "b": [0.9, 0.1], "none": [0.5, 0.5]}}  # fmt: skip
    bodies = {
        "thing_prior": prior,
        "sign": sign,
        "evse_other": {"rows": {"z": [1.0]}},
        "words": {"just": "words"},
    }
    monkeypatch.setattr(signatures, "load_folder", lambda _: bodies)
    made = declared.__wrapped__("thing")
    assert list(made) == ["thing_prior", "sign"]
    got = made["sign"]
    assert (got.name, got.title, got.categories, got.suspects) == (
        "sign",
        "T",
        ("x", "y"),
        ("a", "b", "none"),
    )
    assert (got.strength, got.direct, got.source, got.words) == (
        20.0,
        True,
        "S",
        ("saw x", "saw y"),
    )
    assert (made["thing_prior"].direct, made["thing_prior"].words) == (False, ("a", "b"))
    monkeypatch.setattr(signatures, "load_folder", lambda _: bodies | {"sign": sign | change})
    with pytest.raises(SchemaError, match=words):
        declared.__wrapped__("thing")


def test_direct_signs_are_weighed_against_nothing_wrong() -> None:
    """`direct` is P(seen | suspect) / P(seen | nothing wrong), `looks` leaves them out.

    No sign, the prior.
    """
    tables = learnt("vehicle", NO_LESSONS)
    prior = np.tile(tables["vehicle_prior"].table, (2, 1))
    seen = signs(("V", "drift", "rising", 1.0), ("stranger", "drift", "rising", 1.0))
    verdicts = weigh(seen, pl.Series("unit", ["U", "V"]), tables, prior, 1e9)
    low = tables["drift"]
    column = low.categories.index("rising")
    expected = [
        low.table[low.suspects.index(s), column] / low.table[low.suspects.index(NO_FAULT), column]
        for s in verdicts.suspects
    ]
    assert verdicts.direct[1] == pytest.approx(np.array(expected))
    assert verdicts.direct[0] == pytest.approx(1.0)
    assert verdicts.looks == pytest.approx(prior)
    assert verdicts.given_fault[0] == pytest.approx(prior[0])
    assert list(verdicts.log_by_signature) == ["drift"]
    assert verdicts.log_by_signature["drift"].max(axis=1) == pytest.approx([0.0, 0.0])


def test_shares_hold_however_far_apart_units_are() -> None:
    """Each row sums to 1 by itself: a unit with a thousand signs does not drown one with none.

    No unit, no row.
    """
    logs = np.array([[-3000.0, -3001.0], [0.0, -1.0], [2000.0, 1999.0]])
    even = np.array([1.0, np.exp(-1.0)]) / (1 + np.exp(-1.0))
    assert shares(logs) == pytest.approx(np.tile(even, (3, 1)))
    assert shares(np.zeros((0, 2))).shape == (0, 2)


def test_witnesses_are_scaled_not_cut() -> None:
    """Over the limit a signature's amounts keep their proportions.

    Under it, and in other units and signatures, they stay.
    """
    rows = limited(
        signs(("V", "stopped_at", "early_b", 6.0), ("V", "stopped_at", "closed", 2.0), ("V", "drift", "steady", 1.0),
              ("U", "stopped_at", "closed", 3.0)), 4.0,
    )  # fmt: skip
    assert rows.rows() == [
        ("U", "stopped_at", "closed", 3.0), ("V", "drift", "steady", 1.0), ("V", "stopped_at", "closed", 1.0),
        ("V", "stopped_at", "early_b", 3.0),
    ]  # fmt: skip


def test_the_order_of_signs_moves_no_bit() -> None:
    """The same signs in any order give the same floats."""
    rng = np.random.default_rng(3)
    tables = learnt("vehicle", NO_LESSONS)
    names = [n for n, s in tables.items() if not n.endswith("_prior")]
    rows = [
        (u, n, c, float(rng.random())) for u in "ABC" for n in names for c in tables[n].categories
    ]
    prior = np.tile(tables["vehicle_prior"].table, (3, 1))
    units = pl.Series("unit", list("ABC"))
    made = [
        weigh(
            signs(*rows).sample(fraction=1.0, shuffle=True, seed=s), units, tables, prior, 6.9
        ).given_fault
        for s in (1, 2)
    ]
    assert np.array_equal(*made)
