"""From the negative level back to the resistance.

Inverse of the circuit, with intervals that hold what they promise.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from pipeline.circuit import reverse_path as module
from pipeline.circuit.pilot import LOAD_OHM, low_v
from pipeline.circuit.reverse_path import (
    GRID_OHM,
    METER_SD_V,
    OPEN_OHM,
    STRAY_SHARE,
    posterior,
    reverse_path,
)


def readings(rows: list[tuple[str, str, str, float, float]], se_v: float = 0.005) -> pl.DataFrame:
    """Rows of vehicle, EVSE, state, negative level and usual negative level, all equally well known."""
    frame = pl.DataFrame(
        rows, schema=["vehicle_id", "evse_id", "state", "low_v", "usual_v"], orient="row"
    )
    return frame.with_columns(se_v=pl.lit(se_v), usual_se_v=pl.lit(se_v))


def drawn(
    rng: np.random.Generator, n: int, leak_ohm: float, states: tuple[str, ...], evses: int
) -> tuple[pl.DataFrame, np.ndarray]:
    """`n` vehicles with parts anywhere within tolerance (worst spread), each at `evses` EVSEs.

    And the true meter readings.
    """
    r2, r3 = 2740 * (1 + rng.uniform(-0.03, 0.03, n)), 1300 * (1 + rng.uniform(-0.03, 0.03, n))
    frames = []
    for e in range(evses):
        generator, r1 = (
            12 * (1 + rng.uniform(-0.05, 0.05, n)),
            1000 * (1 + rng.uniform(-0.03, 0.03, n)),
        )
        offset = rng.normal(0, 0.08, n)
        for state in states:
            load = r2 if state == "B2" else r2 * r3 / (r2 + r3)
            frames.append(
                pl.DataFrame(
                    {
                        "vehicle_id": [f"V{i:04d}" for i in range(n)],
                        "evse_id": f"E{e}",
                        "state": state,
                        "low_v": -generator / (1 + r1 / (load + leak_ohm))
                        + offset
                        + rng.normal(0, 0.02, n),
                        "usual_v": -generator + offset + rng.normal(0, 0.01, n),
                    }
                ).with_columns(se_v=pl.lit(0.02), usual_se_v=pl.lit(0.01))
            )
    return pl.concat(frames), r2 + leak_ohm


@pytest.mark.parametrize("state", ["B2", "C2"])
def test_nominal_short_reads_2740_ohm(state: str) -> None:
    """The nominal shorted negative level (-8.79 V in B2, -5.62 V in C2) gives 2.74 kohm to 1 % (derived)."""
    row = reverse_path(readings([("V", "E", state, low_v(LOAD_OHM[state[0]]), -12.0)])).row(
        0, named=True
    )
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
    """Law.

    The level of any CP–PE reverse resistance, read by any generator, gives that path back within its interval.
    """
    path = 10**log_ohm
    leak = path - 2740
    generator = 12.0 + shift_v
    level = low_v(LOAD_OHM[state[0]] + leak, generator)
    row = reverse_path(readings([("V", "E", state, level, -generator)])).row(0, named=True)
    assert row["reverse_path_lo_ohm"] <= path <= row["reverse_path_hi_ohm"]
    assert row["reverse_path_ohm"] == pytest.approx(path, rel=0.05)


@pytest.mark.parametrize(
    ("leak_ohm", "states", "evses"),
    [(0.0, ("B2",), 1), (0.0, ("B2", "C2"), 3), (3e3, ("B2", "C2"), 2), (3e4, ("C2",), 1)],
)
def test_intervals_cover(leak_ohm: float, states: tuple[str, ...], evses: int) -> None:
    """Of 90 % intervals at least 88 % hold the truth, parts drawn flat over their tolerance (600
    vehicles, binomial sd 1.2 %).
    """
    frame, truth = drawn(np.random.default_rng(11), 600, leak_ohm, states, evses)
    found = reverse_path(frame)
    high = found["reverse_path_hi_ohm"].fill_null(np.inf).to_numpy()
    inside = (found["reverse_path_lo_ohm"].to_numpy() <= truth) & (truth <= high)
    assert inside.mean() >= 0.88


def test_more_evses_narrow_the_interval() -> None:
    """Independent EVSEs add up.

    The second reading at one EVSE adds less than a second EVSE does.
    """

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
    """Where other vehicles read high too (usual -9 V), a vehicle at that level has a healthy diode."""
    row = reverse_path(readings([("V", "E", "B2", -9.0, -9.0)])).row(0, named=True)
    assert row["reverse_path_hi_ohm"] is None


def test_posterior_is_a_distribution() -> None:
    """Rows sum to 1, one row a vehicle, in order of id; no vehicle, no row."""
    vehicles, mass = posterior(
        readings([("W", "E", "B2", -9.0, -12.0), ("V", "E", "B2", -12.0, -12.0)])
    )
    assert vehicles.to_list() == ["V", "W"]
    assert mass.sum(axis=1) == pytest.approx(1.0)
    assert reverse_path(readings([("V", "E", "B2", -12.0, -12.0)]).clear()).is_empty()


@pytest.mark.parametrize("state", ["B2", "C2"])
@pytest.mark.parametrize("path", [2740.0, 5e3, 3e4])
def test_tolerances_spread_the_level_as_drawn_parts_do(state: str, path: float) -> None:
    """A level's spread by R1, generator and meter, and by R2, R3 at a fixed meter figure, equals
    that of 200,000 drawn circuits.

    R1, R2, R3 flat over +-3 %, the generator's share of the EVSE's error normal; to 3 % (simulated
    here, no formula shared).
    """
    rng = np.random.default_rng(5)
    r1, r2, r3 = (ohm * (1 + rng.uniform(-0.03, 0.03, 200_000)) for ohm in (1000.0, 2740.0, 1300.0))
    generator = rng.normal(12.0, METER_SD_V, r1.size)
    model = module._model(state)
    at = int(np.argmin(np.abs(np.log(GRID_OHM / path))))
    figure = GRID_OHM[at]

    def lift(
        r1: np.ndarray | float,
        r2: np.ndarray | float,
        r3: np.ndarray | float,
        volts: np.ndarray | float,
    ) -> np.ndarray:
        load = r2 if state == "B2" else 1 / (1 / r2 + 1 / r3)
        leak = np.maximum(figure - r2, 0.0)
        return np.asarray(volts * r1 / (r1 + load + leak))

    assert model.evse_sd_v[at] == pytest.approx(lift(r1, 2740.0, 1300.0, generator).std(), rel=0.03)
    own = lift(1000.0, r2, r3, 12.0).std() if figure > 2740 * 1.03 else None
    if state == "B2":
        assert not model.vehicle_sd_v.any()
    elif own is not None:
        assert model.vehicle_sd_v[at] == pytest.approx(own, rel=0.03)


def test_a_bridged_r2_halves_the_generator() -> None:
    """At 1 kohm, the end of the grid, the path equals R1: the negative level stands at -6 V (derived)."""
    assert GRID_OHM[0] == pytest.approx(1000.0)
    assert module._model("B2").lift_v[0] == pytest.approx(6.0)


def test_unbounded_means_under_12_mv() -> None:
    """Where a path counts as unbounded the negative level moves by less than 12 mV (derived)."""
    assert low_v(OPEN_OHM) + 12.0 == pytest.approx(0.012, rel=0.01)


def test_a_stray_reading_weighs_as_stated() -> None:
    """Between two paths a reading's weight is that of a normal error and a flat 0.5 % over 12 V, by
    scipy's density.
    """
    _, mass = posterior(readings([("V", "E", "B2", -8.0, -12.0)], se_v=0.2))
    model = module._model("B2")
    sd = np.sqrt(0.2**2 + 0.2**2 + model.evse_sd_v**2)
    told = (1 - STRAY_SHARE) * norm.pdf(4.0, model.lift_v, sd) + STRAY_SHARE / 12.0
    assert mass[0] == pytest.approx(told / told.sum(), rel=1e-9)


def test_what_readings_share_weighs_once() -> None:
    """Ten readings in B2 at ten EVSEs say ten times what one says; in C2 R2 and R3 err together, so
    that they say less.

    B2 beside C2 at one EVSE shares R1 and says hardly more than one; a reading that says nothing
    changes nothing. Said is the second difference of log posterior about the true path, so 1 / said
    goes with the variance (derived).
    """
    at = int(np.searchsorted(GRID_OHM, 5e3))
    level = {state: low_v(LOAD_OHM[state[0]] + GRID_OHM[at] - 2740) for state in ("B2", "C2")}

    def said(*rows: tuple[str, str, float]) -> float:
        frame = pl.DataFrame(
            [("V", evse, state, level[state], -12.0, se, 0.0) for evse, state, se in rows],
            schema=["vehicle_id", "evse_id", "state", "low_v", "usual_v", "se_v", "usual_se_v"], orient="row",
        )  # fmt: skip
        log = np.log(posterior(frame)[1][0])
        return float(log[at] - 0.5 * (log[at - 1] + log[at + 1]))

    b, c = ("E", "B2", 1e-3), ("E", "C2", 1e-3)
    ten_b, ten_c = (said(*((f"E{i}", state, 1e-3) for i in range(10))) for state in ("B2", "C2"))
    assert ten_b == pytest.approx(10 * said(b))
    model = module._model("C2")
    evse, own = model.evse_sd_v[at] ** 2, model.vehicle_sd_v[at] ** 2
    assert said(c) / ten_c == pytest.approx((evse / 10 + own) / (evse + own), rel=0.02)
    assert said(b, c) == pytest.approx(
        (said(b) + said(c) * (evse + own) / (evse + own / 2)) / 2, rel=0.02
    )
    assert said(c, ("F", "B2", 1e3)) == pytest.approx(said(c), rel=1e-3)


def test_vehicles_are_judged_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """A vehicle's posterior is the same alone, in company, in any order of rows and however the
    rows are cut, and never breaks.

    One vehicle here has 150 readings that mean nothing, which no path explains; another 300 that
    agree.
    """
    rng = np.random.default_rng(6)
    odd = [("A", f"E{i}", "B2", -12.0 + (6.5 if i % 2 else -2.0), -12.0) for i in range(150)]
    sure = [
        ("B", f"E{i}", "C2", low_v(LOAD_OHM["C"] + 5e3) + rng.normal(0, 0.01), -12.0)
        for i in range(300)
    ]
    few = [
        ("C", "E1", "B2", -9.0, -12.0),
        ("C", "E1", "C2", -6.1, -12.0),
        ("C", "E2", "C2", -6.0, -12.1),
    ]
    together = posterior(readings(odd + sure + few))[1]
    assert np.isfinite(together).all()
    for i, mine in enumerate((odd, sure, few)):
        assert np.array_equal(posterior(readings(mine))[1][0], together[i])
    shuffled = readings(odd + sure + few).sample(fraction=1.0, shuffle=True, seed=2)
    assert np.array_equal(posterior(shuffled)[1], together)
    monkeypatch.setattr(module, "ROWS_AT_ONCE", 7)
    assert posterior(shuffled)[1] == pytest.approx(together)


def test_interval_ends_hold_their_share() -> None:
    """Simulated from the posterior itself, a tenth of the mass lies outside a 90 % interval, half
    of it on either side.

    The grid's cells are 3 % wide; within a cell the mass counts as flat in log R.
    """
    frame = readings([("V", "E", "B2", low_v(2740.0 + 40e3), -12.0)], se_v=0.01)
    mass = posterior(frame)[1][0]
    row = reverse_path(frame).row(0, named=True)
    step = np.log(GRID_OHM[1] / GRID_OHM[0])
    drawn = np.repeat(np.log(GRID_OHM), 1000) + step * (
        np.tile((np.arange(1000) + 0.5) / 1000, GRID_OHM.size) - 0.5
    )
    weight = np.repeat(mass / 1000, 1000)
    for name, share in (
        ("reverse_path_lo_ohm", 0.05),
        ("reverse_path_ohm", 0.5),
        ("reverse_path_hi_ohm", 0.95),
    ):
        assert weight[drawn < np.log(row[name])].sum() == pytest.approx(share, abs=1e-4)
    half = reverse_path(frame, interval=0.5).row(0, named=True)
    assert (
        row["reverse_path_lo_ohm"]
        < half["reverse_path_lo_ohm"]
        < half["reverse_path_hi_ohm"]
        < row["reverse_path_hi_ohm"]
    )


def test_what_r2_and_r3_do_to_the_path_in_c2_while_the_meter_s_figure_stays() -> None:
    """The meter shows R2 and the leak in a row; in C2 R3 lies beside R2. By differences of the circuit itself (derived)."""

    def path(r2: float, r3: float, shown: float = 10_000.0) -> float:
        return (shown - r2) + r2 * r3 / (r2 + r3)

    r2, r3, step = module.R2_OHM, module.R3_OHM, 1e-4
    by_r2 = (path(r2 * (1 + step), r3) - path(r2 * (1 - step), r3)) / (2 * step)
    by_r3 = (path(r2, r3 * (1 + step)) - path(r2, r3 * (1 - step))) / (2 * step)
    assert np.abs([by_r2, by_r3]) == pytest.approx(module._C_SLOPES, rel=1e-6)
