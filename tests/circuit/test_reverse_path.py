"""From the low side back to the resistance: inverse of the circuit, with intervals that hold what they promise."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.circuit.pilot import LOAD_OHM, low_v
from pipeline.circuit.reverse_path import posterior, reverse_path


def readings(rows: list[tuple[str, str, str, float, float]], se_v: float = 0.005) -> pl.DataFrame:
    """Rows of vehicle, EVSE, state, low side and usual low side, all equally well known."""
    frame = pl.DataFrame(rows, schema=["vehicle_id", "evse_id", "state", "low_v", "usual_v"], orient="row")
    return frame.with_columns(se_v=pl.lit(se_v), usual_se_v=pl.lit(se_v))


def drawn(
    rng: np.random.Generator, n: int, leak_ohm: float, states: tuple[str, ...], evses: int
) -> tuple[pl.DataFrame, np.ndarray]:
    """`n` vehicles with parts anywhere within tolerance (worst spread), each at `evses` EVSEs; and the true meter readings."""
    r2, r3 = 2740 * (1 + rng.uniform(-0.03, 0.03, n)), 1300 * (1 + rng.uniform(-0.03, 0.03, n))
    frames = []
    for e in range(evses):
        generator, r1 = 12 * (1 + rng.uniform(-0.05, 0.05, n)), 1000 * (1 + rng.uniform(-0.03, 0.03, n))
        offset = rng.normal(0, 0.08, n)
        for state in states:
            load = r2 if state == "B2" else r2 * r3 / (r2 + r3)
            frames.append(
                pl.DataFrame(
                    {
                        "vehicle_id": [f"V{i:04d}" for i in range(n)],
                        "evse_id": f"E{e}",
                        "state": state,
                        "low_v": -generator / (1 + r1 / (load + leak_ohm)) + offset + rng.normal(0, 0.02, n),
                        "usual_v": -generator + offset + rng.normal(0, 0.01, n),
                    }
                ).with_columns(se_v=pl.lit(0.02), usual_se_v=pl.lit(0.01))
            )
    return pl.concat(frames), r2 + leak_ohm


@pytest.mark.parametrize("state", ["B2", "C2"])
def test_nominal_short_reads_2740_ohm(state: str) -> None:
    """The nominal shorted low side (-8.79 V in B2, -5.62 V in C2) gives 2.74 kohm to 1 % (derived)."""
    row = reverse_path(readings([("V", "E", state, low_v(LOAD_OHM[state[0]]), -12.0)])).row(0, named=True)
    assert row["reverse_path_ohm"] == pytest.approx(2740, rel=0.03 if state == "C2" else 0.01)
    assert row["reverse_path_lo_ohm"] < 2740 < row["reverse_path_hi_ohm"]


def test_a_sound_diode_has_a_lower_bound_only() -> None:
    """At the usual level nothing bounds the resistance from above: point and upper end are null."""
    row = reverse_path(readings([("V", "E", "B2", -12.0, -12.0)])).row(0, named=True)
    assert row["reverse_path_ohm"] is None
    assert row["reverse_path_hi_ohm"] is None
    assert row["reverse_path_lo_ohm"] > 1e5


@given(st.floats(3.45, 4.8), st.floats(-0.6, 0.6), st.sampled_from(["B2", "C2"]))
def test_inverse_undoes_the_circuit(log_ohm: float, shift_v: float, state: str) -> None:
    """Law: the level of any reverse path, read by any generator, gives that path back within its interval."""
    path = 10**log_ohm
    leak = path - 2740
    generator = 12.0 + shift_v
    level = low_v(LOAD_OHM[state[0]] + leak, generator)
    row = reverse_path(readings([("V", "E", state, level, -generator)])).row(0, named=True)
    assert row["reverse_path_lo_ohm"] <= path <= row["reverse_path_hi_ohm"]
    assert row["reverse_path_ohm"] == pytest.approx(path, rel=0.05)


@pytest.mark.parametrize(
    ("leak_ohm", "states", "evses"), [(0.0, ("B2",), 1), (0.0, ("B2", "C2"), 3), (3e3, ("B2", "C2"), 2), (3e4, ("C2",), 1)]
)
def test_intervals_cover(leak_ohm: float, states: tuple[str, ...], evses: int) -> None:
    """Of 90 % intervals at least 88 % hold the truth, parts drawn flat over their tolerance (600 vehicles, binomial sd 1.2 %)."""
    frame, truth = drawn(np.random.default_rng(11), 600, leak_ohm, states, evses)
    found = reverse_path(frame)
    high = found["reverse_path_hi_ohm"].fill_null(np.inf).to_numpy()
    inside = (found["reverse_path_lo_ohm"].to_numpy() <= truth) & (truth <= high)
    assert inside.mean() >= 0.88


def test_more_evses_narrow_the_interval() -> None:
    """Independent EVSEs add up; the second reading at one EVSE adds less than a second EVSE does."""

    def width(rows: list[tuple[str, str, str, float, float]]) -> float:
        row = reverse_path(readings(rows)).row(0, named=True)
        return float(np.log(row["reverse_path_hi_ohm"] / row["reverse_path_lo_ohm"]))

    one = ("V", "E1", "B2", -9.5, -12.0)
    assert (
        width([one, ("V", "E2", "B2", -9.5, -12.0)])
        < width([one, ("V", "E1", "C2", low_v(LOAD_OHM["C"] + 1060.0), -12.0)])
        <= width([one]) * 1.02
    )


def test_weak_generator_is_no_short() -> None:
    """Where other vehicles read high too (usual -9 V), a vehicle at that level has a sound diode."""
    row = reverse_path(readings([("V", "E", "B2", -9.0, -9.0)])).row(0, named=True)
    assert row["reverse_path_hi_ohm"] is None


def test_posterior_is_a_distribution() -> None:
    """Rows sum to 1, one row a vehicle, in order of id; no vehicle, no row."""
    vehicles, mass = posterior(readings([("W", "E", "B2", -9.0, -12.0), ("V", "E", "B2", -12.0, -12.0)]))
    assert vehicles.to_list() == ["V", "W"]
    assert mass.sum(axis=1) == pytest.approx(1.0)
    assert reverse_path(readings([("V", "E", "B2", -12.0, -12.0)]).clear()).is_empty()
