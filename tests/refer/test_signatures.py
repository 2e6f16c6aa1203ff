"""Weights of evidence: the tables are sound, the sums are Bayes' rule, findings move them."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.refer.findings import before_after, confirmed, precision, prior_lessons
from pipeline.refer.inputs import join_findings
from pipeline.refer.signatures import NO_FAULT, declared, learnt, limited, log_factor, weigh, word_groups
from pipeline.registry import empty, load_folder, registry

NO_LESSONS = empty("decision_lesson")


def signs(*rows: tuple[str, str, str, float]) -> pl.DataFrame:
    """Signs by hand."""
    return pl.DataFrame(rows, schema=["unit", "signature", "category", "amount"], orient="row")


@pytest.mark.parametrize("kind", ["vehicle", "evse"])
def test_every_signature_says_where_it_comes_from_and_covers_the_vocabulary(kind: str) -> None:
    """Suspects are those of the contract; each signature has a title and a source; rows are distributions."""
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
    named = [word for words in load_folder("signatures")["fault_word_groups"].values() for word in words]
    assert len(named) == len(set(named))


def test_weigh_is_bayes_rule() -> None:
    """The shares equal prior times the product of row entries to the power of the amounts, normalised (derived)."""
    tables = learnt("vehicle", NO_LESSONS)
    seen = signs(
        ("V", "stopped_at", "early_b", 2.0), ("V", "stopped_at", "delivering", 0.5), ("V", "trouble_code", "none_stored", 1.0)
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


def test_one_signature_convicts_nobody() -> None:
    """However many witnesses, one signature moves the odds between two suspects by its cap at most."""
    tables = learnt("vehicle", NO_LESSONS)
    seen = limited(signs(("V", "stopped_at", "early_b", 50.0)), 6.0)
    assert seen["amount"].to_list() == [6.0]
    prior = tables["vehicle_prior"].table
    shares = weigh(seen, pl.Series("unit", ["V"]), tables, prior, np.log(100)).given_fault[0]
    ratio = (shares / prior[0]).max() / (shares / prior[0]).min()
    assert ratio <= 100.0 * (1 + 1e-9)


def test_dc_per_coupler() -> None:
    """CHAdeMO and GB/T success is neutral to a short; CCS success speaks against it, more where the EVSE checks (from memory)."""
    tables = learnt("vehicle", NO_LESSONS)
    prior = tables["vehicle_prior"].table

    def factor(name: str) -> float:
        verdicts = weigh(signs(("V", name, "charged", 1.0)), pl.Series("unit", ["V"]), tables, prior, 1e9)
        return float(np.exp(log_factor(verdicts, name, prior))[0, verdicts.suspects.index("pilot_diode_shorted")])

    assert factor("dc_own_signals") == pytest.approx(1.0)
    assert factor("ccs_checking") < factor("ccs_unknown") < 0.9 < factor("ccs_not_checking")
    assert factor("ccs_checking") < 0.1


def test_lessons_are_dirichlet_counts() -> None:
    """Row after = (strength x row before + counts) / (strength + total): conjugate updating (derived)."""
    before = declared("vehicle")["stopped_at"]
    taught = pl.DataFrame(
        [("charger_input", "stopped_at", "closed", 3.0), ("charger_input", "stopped_at", "early_b", 1.0)],
        schema=["suspect", "signature", "category", "amount"], orient="row",
    )  # fmt: skip
    after = before.learnt(taught)
    row = before.suspects.index("charger_input")
    expected = (before.strength * before.table[row] + np.array([0, 1.0, 0, 3.0, 0])) / (before.strength + 4.0)
    assert after.table[row] == pytest.approx(expected)
    others = [i for i in range(len(before.suspects)) if i != row]
    assert after.table[others] == pytest.approx(before.table[others])


def findings(*rows: tuple[str, str, str]) -> pl.DataFrame:
    """Findings by hand: vehicle, day, finding."""
    frame = pl.DataFrame(rows, schema=["vehicle_id", "at_utc", "finding"], orient="row")
    frame = frame.with_columns(pl.col("at_utc").str.to_datetime(time_unit="us", time_zone="UTC"))
    whole = pl.concat([empty("raw_finding"), frame], how="diagonal")
    return join_findings(whole, empty("decision_finding"))


def test_findings_move_the_prior_and_before_and_after_are_shown() -> None:
    """Three found diodes raise the prior of a short from 0.22 to (2.2 + 3) / 13; no fault found confirms nothing."""
    told = findings(
        ("A", "2026-03-01", "diode_shorted"), ("B", "2026-03-02", "diode_shorted"), ("C", "2026-03-03", "diode_shorted"),
        ("D", "2026-03-04", "no_fault_found"),
    )  # fmt: skip
    shown = before_after(NO_LESSONS, told).filter(pl.col("category") == "pilot_diode_shorted")
    assert shown.select("before", "after", "cases").row(0) == pytest.approx((0.22, (10 * 0.22 + 3) / 13, 3.0))
    assert prior_lessons(confirmed(told)).height == 3


def test_a_finding_told_twice_counts_once() -> None:
    """The same finding by file and by hand is one finding."""
    told = findings(("A", "2026-03-01", "diode_shorted"))
    by_hand = pl.concat([empty("decision_finding"), told], how="diagonal")
    assert join_findings(told, by_hand).height == 1


def test_precision_over_time() -> None:
    """A vehicle listed for weeks is one referral; those without a finding are open; Jeffreys' mean is (right + 1/2) / (n + 1)."""
    listed = pl.DataFrame(
        [("2026-W02", "A"), ("2026-W03", "A"), ("2026-W03", "B"), ("2026-W05", "C"), ("2026-W20", "A")],
        schema=["week", "vehicle_id"], orient="row",
    )  # fmt: skip
    told = findings(
        ("A", "2026-01-20", "diode_shorted"), ("B", "2026-01-25", "no_fault_found"), ("A", "2026-05-20", "charger_other")
    )
    table = precision(listed, told)
    assert table["quarter"].to_list() == ["2026-Q1", "2026-Q2"]
    assert table.select("referrals", "right", "wrong", "open").row(0) == (3, 1, 1, 1)
    assert table["precision"].to_list() == pytest.approx([1.5 / 3, 1.5 / 2])
    assert table["precision_lo"][0] < 0.5 < table["precision_hi"][0]
