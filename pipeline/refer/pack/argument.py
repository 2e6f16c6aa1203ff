"""What a pack argues: weights of evidence, what was ruled out and how, what would refute it, what
the logs do not show.

Every sentence is made from counted attempts or from a declared signature; a sceptical reader can
recount each in the logs.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import numpy as np
import polars as pl

from pipeline.circuit.causes import VARIANTS
from pipeline.core.wording import SUSPECTS, counted, percent, probability
from pipeline.refer.pack.model import RuledOut, Weight
from pipeline.refer.suspects.signatures import Signature
from pipeline.refer.suspects.vehicles import DIODE, Judged
from pipeline.refer.suspects.weighing import log_factor

Strength = Literal["ruled_out", "unlikely", "open"]
FOR_THE_CLAIM = "as the reason for the claim, by all the evidence together"
_SCALE = ((100.0, "very strongly"), (10.0, "strongly"), (3.0, "clearly"), (1.2, "weakly"))


def factor_words(factor: float) -> str:
    """A Bayes factor in words.

    Steps at 3, 10 and 100, as is common practice, and 1.2 for 'neutral'.
    """
    for bound, word in _SCALE:
        if factor >= bound:
            return f"speaks {word} for"
        if factor <= 1 / bound:
            return f"speaks {word} against"
    return "is neutral"


def weights(judged: Judged, row: int, suspect: str) -> tuple[Weight, ...]:
    """The signatures seen of one vehicle, the weightiest first.

    `row` is its place in `judged.table`.
    """
    verdicts = judged.verdicts
    column, here = verdicts.suspects.index(suspect), slice(row, row + 1)
    mine = judged.signs.filter(pl.col("unit") == verdicts.units[row])
    amounts: dict[str, dict[str, float]] = {}
    for name, category, amount in mine.select("signature", "category", "amount").rows():
        amounts.setdefault(name, {})[category] = float(amount)
    out = []
    for name, seen in amounts.items():
        signature = judged.signatures[name]
        log = float(log_factor(verdicts, name, judged.prior, here)[0, column])
        factor = float(np.exp(log))
        out.append(
            Weight(
                signature=signature.name, title=signature.title, seen=_seen(seen, signature),
                factor=factor, log_factor=log, words=factor_words(factor), source=signature.source,
            )
        )  # fmt: skip
    out += level_weight(judged, row, suspect)
    return tuple(sorted(out, key=lambda w: (-abs(w.log_factor), w.signature)))


def level_weight(judged: Judged, row: int, suspect: str) -> list[Weight]:
    """What the pilot's levels weigh, where any is logged: the circuit's likelihoods, no declared table."""
    if judged.factors.row[row] < 0:
        return []
    table = judged.table.row(row, named=True)
    column = judged.verdicts.suspects.index(suspect)
    like = np.exp(np.maximum(judged.factors.loud[row], judged.factors.quiet[row]))
    prior = judged.prior[row]
    others = (prior @ like - prior[column] * like[column]) / max(1.0 - prior[column], 1e-12)
    log = float(np.log(like[column] / others))
    shown = [
        f"{name} {table[key]:.1f} V"
        for name, key in (("positive", "pilot_high_v"), ("negative", "pilot_low_v"))
        if table[key] is not None
    ]
    return [
        Weight(
            signature="pilot_levels", title="Levels of the pilot against those of other vehicles there",
            seen=", ".join(shown) + " (median in B2)" if shown else "levels in C2 only",
            factor=float(np.exp(log)), log_factor=log, words=factor_words(float(np.exp(log))),
            source="Derived from the circuit of IEC 61851-1 Annex A and SAE J1772, as given by secondary sources",
        )
    ]  # fmt: skip


def _seen(amounts: Mapping[str, float], signature: Signature) -> str:
    total = sum(amounts.values())
    if len(amounts) == 1 and total == 1.0:
        return signature.in_words(next(iter(amounts)))
    worth = f"{round(total, 1):g}"
    shown = sorted(amounts.items(), key=lambda item: -item[1])
    return (
        "; ".join(f"{signature.in_words(c)}: {percent(a / total)}" for c, a in shown)
        + f" (weight of {worth} EVSE{'' if worth == '1' else 's'})"
    )


def ruled_out(
    attempts: pl.DataFrame, peers: Mapping[str, Any], given: Mapping[str, float], p_vehicle: float
) -> tuple[RuledOut, ...]:
    """The other explanations of one vehicle's failed AC attempts, each with how the logs speak
    about it.

    `peers`: a row of `parts.peers`; `given`: suspects by probability if it is the vehicle, the
    claim first. Where its few failures are mostly others' and the vehicle is at fault all the same
    (a leak that does not bite yet, one that keeps silent), it is the claim that is weighed.
    """
    failed = attempts.filter(
        pl.col("supply") == "AC", pl.col("outcome") == "failed", pl.col("p_vehicle").is_not_null()
    )
    own, *shares = failed.select(pl.col("p_vehicle", "p_evse", "p_pairing", "p_other").mean()).row(
        0
    )
    by_failures = own is not None and own >= 0.5
    outside = [
        RuledOut(
            explanation=what,
            how=_attributed(share, failed.height, how)
            if by_failures
            else _aside(share, failed.height),
            strength=_strength(share if by_failures else 1.0 - p_vehicle),
        )
        for share, (what, how) in zip(shares, _outside(failed, peers), strict=True)
    ]
    inside = [
        RuledOut(
            explanation=f"Other cause in the vehicle: {SUSPECTS[suspect]}",
            how=f"{probability(share)} by the weights of evidence above, if it is the vehicle",
            strength=_strength(share),
        )
        for suspect, share in list(given.items())[1:]
    ]
    return (*outside, *inside)


def _outside(failed: pl.DataFrame, peers: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """What else than the vehicle there is, each with what the logs say of it: EVSEs, pairing, chance."""
    evses = counted(failed["evse_id"].n_unique(), "EVSE")
    same = f"{counted(peers['vehicles'], 'other vehicle')} of the model failed {peers['failures']} of {peers['attempts']}"
    return (
        ("The EVSEs", f"it failed at {evses}; see the control group for how others fared there"),
        ("The pairing of vehicle model, EVSE model and firmware", f"at these EVSE models {same}"),
        (
            "Chance, the driver or the grid",
            "refused cards and early unplugging are not counted as failures",
        ),
    )


def _attributed(share: float | None, failed: int, how: str = "") -> str:
    of = f"{counted(failed, 'failed AC attempt')} since the trouble began {'is' if failed == 1 else 'are'}"
    said = f"{_share(share)} of {of} attributed to this"
    return f"{said}: {how}" if how else said


def _aside(share: float | None, failed: int) -> str:
    """Where the claim does not rest on the failures: what this may explain of them."""
    single = f"; it may explain single failures: {_attributed(share, failed)}" if failed else ""
    return f"{FOR_THE_CLAIM}{single}"


def _share(share: float | None) -> str:
    return "an unknown share" if share is None else probability(share)


def _strength(share: float | None) -> Strength:
    if share is None:
        return "open"
    return "ruled_out" if share < 0.01 else "unlikely" if share < 0.1 else "open"


_CHARGES = "Unrepaired, it charges at several healthy EVSEs of the control group in a row."
_REFUTES: dict[str, tuple[str, ...]] = {
    "pilot_leakage": (
        "Dry and clean, both resistance readings are those of a healthy vehicle: then look where water came from.",
        "In B2 and C2 the positive level is as with other vehicles.",
    ),
    "pilot_resistor": (
        "In B2 and C2 the positive level is as with other vehicles.",
        "The forward resistance reading is that of a healthy vehicle of the model.",
    ),
    "pilot_open": ("An EVSE shows state B when it is plugged in.",),
    "carried_cable": (
        "With another cable it fails at the same sockets.",
        "It fails at EVSEs with a cable of their own.",
    ),
    "charger_leakage": ("Its insulation to earth is in order by the maker's procedure, at operating temperature.",),
}  # fmt: skip


def refutes(suspect: str) -> tuple[str, ...]:
    """Findings that would prove the claim wrong."""
    if suspect in DIODE:
        return (
            "The pair of resistance readings is kΩ one way and MΩ the other, as in a healthy vehicle of the model.",
            "On the oscilloscope the negative level in state B is at -12 V while the positive level is at 9 V.",
            _CHARGES + " They must be known to check the diode.",
        )
    other = "The maker's procedure finds the named part in order and another part at fault."
    return (*_REFUTES.get(suspect, (other,)), _CHARGES)


def doubts(attempts: pl.DataFrame, readings: int, suspect: str) -> tuple[str, ...]:
    """What the logs of one vehicle do not show, as far as it bears on the claim."""
    out = []
    failed = (pl.col("supply") == "AC") & (pl.col("outcome") == "failed")
    ac, unknown, mute, unsure, distrusted = attempts.select(
        ac=failed.sum(),
        unknown=(failed & (pl.col("check") == "unknown")).sum(),
        mute=(failed & pl.col("fault").is_null()).sum(),
        unsure=pl.col("time_doubt").is_not_null().sum(),
        distrusted=pl.col("distrust").sum(),
    ).row(0)
    if not readings and suspect in (*VARIANTS, "unclear"):
        out.append(
            "No EVSE it used logs the negative level of the pilot: its circuit is judged by where attempts stop, not by its level."
        )
    if suspect in DIODE and unknown:
        out.append(
            f"Whether the EVSE checks the diode is not known for {unknown} of {ac} failed AC attempts."
        )
    if mute:
        out.append(f"{mute} of {ac} failed AC attempts carry no fault code.")
    if unsure:
        out.append(f"The time of {counted(unsure, 'attempt')} is doubtful (station clock).")
    if distrusted:
        out.append(
            f"{counted(distrusted, 'attempt')} with records that break a rule of plausibility: less weight."
        )
    if suspect == "pilot_diode_shorted":
        out.append(
            "A shorted diode and one that leaks almost fully look alike in logs; the meter tells."
        )
    return tuple(out)
