"""The refer stage as a whole, on a small simulated world: calls, suspects, packs, sheet.

Figures are regression only.
"""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import timedelta

import polars as pl
import pytest
from pypdf import PdfReader

from pipeline.measure.quality.frames import inputs_of
from pipeline.measure.quality.referral import SAME
from pipeline.publish.sheet import printable, sheet_pdf
from pipeline.refer.inputs import ReferInputs, join_findings
from pipeline.refer.pack.model import Evidence
from pipeline.refer.referral import Referral, refer
from pipeline.registry import empty, polars_schema
from pipeline.settings.refer import ReferSettings
from sample_logs.generator.spec import WorldSpec
from sample_logs.generator.world import World, simulate_world

WEEK = "2026-W14"
SETTINGS = ReferSettings()


@pytest.fixture(scope="module")
def world() -> World:
    """Two hundred vehicles, forty EVSEs, twelve weeks, two attempts a day."""
    return simulate_world(WorldSpec(vehicles=200, evses=40, weeks=12, seed=1, attempts_per_day=2.0))


@pytest.fixture(scope="module")
def inputs(world: World) -> ReferInputs:
    """The world attributed."""
    return inputs_of(world, WEEK)


@pytest.fixture(scope="module")
def referral(inputs: ReferInputs) -> Referral:
    """The week's referral."""
    return refer(inputs, SETTINGS, WEEK)


def test_frames_are_as_declared(referral: Referral, inputs: ReferInputs) -> None:
    """One row per vehicle and EVSE with an attempt in the look-back, in the declared schema."""
    for name in ("vehicles", "evses", "pairings", "next_tests"):
        assert getattr(referral, name).schema == polars_schema(f"out_{name}")
    assert set(referral.vehicles["vehicle_id"]) == set(inputs.attempts["vehicle_id"].drop_nulls())
    assert set(referral.evses["evse_id"]) == set(inputs.attempts["evse_id"])
    assert referral.vehicles["p_diode"].le(referral.vehicles["p_vehicle"] + 1e-12).all()


def test_referred_vehicles_are_the_faulty_ones(referral: Referral, world: World) -> None:
    """In this world every referral is right, its suspect too, and no vehicle failing by its own
    fault is called clear or insufficient_data.
    """
    truth = dict(
        world.vehicle_truth.filter(pl.col("to_utc").is_null())
        .select("vehicle_id", "fault")
        .iter_rows()
    )
    referred = referral.vehicles.filter(pl.col("call") == "refer")
    assert referred.height >= 2
    assert [truth.get(v) for v in referred["vehicle_id"]] == referred["suspect"].replace(
        SAME
    ).to_list()
    assert sorted(referral.packs) == sorted(referred["vehicle_id"])


def test_circuit_figures_hold_the_truth(referral: Referral, world: World) -> None:
    """A shorted diode's CP–PE reverse resistance is reported as the vehicle's own R2 within its interval."""
    shorted = referral.vehicles.filter(pl.col("suspect") == "pilot_diode_shorted").drop_nulls(
        "reverse_path_ohm"
    )
    number = {v: i for i, v in enumerate(world.vehicles["vehicle_id"])}
    assert shorted.height
    for row in shorted.iter_rows(named=True):
        true = world.fleet.pilot_ev.r2_ohm[number[row["vehicle_id"]]]
        assert row["reverse_path_lo_ohm"] * 0.98 <= true <= row["reverse_path_hi_ohm"] * 1.02


def test_same_inputs_same_outputs(inputs: ReferInputs, referral: Referral) -> None:
    """Rows in another order give the same frames and the same packs, byte for byte."""
    shuffled = replace(inputs, attempts=inputs.attempts.sample(fraction=1.0, shuffle=True, seed=3))
    again = refer(shuffled, SETTINGS, WEEK)
    assert again.vehicles.equals(referral.vehicles)
    assert {v: p.model_dump_json() for v, p in again.packs.items()} == {
        v: p.model_dump_json() for v, p in referral.packs.items()
    }


def test_a_pack_bears_nothing_the_logs_do_not(referral: Referral, inputs: ReferInputs) -> None:
    """Its tallies, strip and control group recount from the attempts.

    Cautions stand before the readings.
    """
    silent = inputs.attributed.blame.filter("silent")["attempt_id"].implode()
    for vehicle_id, pack in referral.packs.items():
        mine = inputs.attempts.filter(pl.col("vehicle_id") == vehicle_id)
        assert len(pack.strip) == mine.height
        ac = mine.filter(pl.col("supply") == "AC", pl.col("outcome").is_in(["charged", "failed"]))
        assert (pack.tally.ac_attempts, pack.tally.ac_failures) == (
            ac.height,
            ac.filter(pl.col("outcome") == "failed").height,
        )
        for control in pack.controls:
            week = pl.col("plugged_at_utc").dt.strftime("%G-W%V") == control.week
            here = inputs.attempts.filter(
                (pl.col("evse_id") == control.evse_id)
                & week
                & pl.col("outcome").is_in(["charged", "failed"])
            )
            others = here.filter(pl.col("vehicle_id") != vehicle_id)
            assert control.attempts + control.other_attempts == here.height
            assert control.other_failures == others.filter(pl.col("outcome") == "failed").height
            quiet = inputs.attempts.filter(
                (pl.col("evse_id") == control.evse_id) & week, pl.col("attempt_id").is_in(silent)
            )
            met = quiet.filter(pl.col("vehicle_id") != vehicle_id)
            assert control.silent + control.other_silent == quiet.height
            assert control.other_silent == met.height
            counted = pl.concat([others, met]) if control.silent else others
            assert control.other_vehicles == counted["vehicle_id"].n_unique()
        assert sum(p for _, p in pack.claim.suspects) == pytest.approx(1.0)
        assert list(Evidence.model_fields).index("bench") < list(Evidence.model_fields).index(
            "form"
        )
        assert next(iter(type(pack.bench).model_fields)) == "cautions"
        assert pack.bench.cautions
        assert pack.refutes
        assert Evidence.model_validate(json.loads(pack.model_dump_json())) == pack


def test_sheet_is_one_a4_leaf_with_its_fonts(referral: Referral) -> None:
    """One leaf of 210 x 297 mm: bench on its first side, logs on its second; fonts embedded, the
    same bytes each time, the vehicle and the cautions before any reading.
    """
    vehicle_id, pack = next(iter(referral.packs.items()))
    pdf = sheet_pdf(pack)
    assert pdf == sheet_pdf(pack)
    pages = PdfReader(io.BytesIO(pdf)).pages
    assert len(pages) == 2
    assert (float(pages[0].mediabox.width), float(pages[0].mediabox.height)) == pytest.approx(
        (595.28, 841.89), abs=0.1
    )
    text = pages[0].extract_text()
    assert vehicle_id in text
    assert text.index("Cautions first") < text.index("Readings to expect")
    for font in pages[0]["/Resources"]["/Font"].values():
        descendant = font.get_object()["/DescendantFonts"][0].get_object()
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(
            descendant["/FontDescriptor"].get_object()
        )


HOSTILE = (
    '#panic("x") $ x^2 $ *bold* <a> \\ "quoted" = + - @ @import ] } \u202egnp.exe\x07 ' + "W" * 400
)


def test_hostile_text_is_printed_not_run(referral: Referral) -> None:
    """Markup, control marks and endless words in ids and names are set as text.

    The sheet stays one leaf.
    """
    pack = next(iter(referral.packs.values()))
    vehicle = pack.vehicle.model_copy(
        update={"vehicle_id": HOSTILE, "vehicle_model": HOSTILE, "vin": HOSTILE}
    )
    controls = tuple(c.model_copy(update={"evse_id": HOSTILE}) for c in pack.controls)
    bad = pack.model_copy(
        update={
            "vehicle": vehicle,
            "controls": controls,
            "doubts": (HOSTILE,) * 8,
            "controls_text": HOSTILE,
        }
    )
    pages = PdfReader(io.BytesIO(sheet_pdf(bad))).pages
    assert len(pages) == 2
    assert '#panic("x")' in pages[0].extract_text().replace("\n", " ")


def test_printable_text() -> None:
    """Control and direction marks are shown as a box, long texts are cut, long words can break."""
    assert printable("a\x00b\u202ec\nd") == "a\ufffdb\ufffdc d"
    assert printable("x" * 30) == "x" * 24 + "\u200b" + "x" * 6
    assert len(printable("word " * 100, 50)) == 50


def told(vehicle_id: str, finding: str, world: World, *, repaired: bool) -> pl.DataFrame:
    """A finding two weeks before the end of the world, repaired the next day or not."""
    at = world.spec.end - timedelta(days=14)
    row = pl.DataFrame(
        [(vehicle_id, at, finding, at + timedelta(days=1) if repaired else None)],
        schema={"vehicle_id": pl.String, "at_utc": pl.Datetime("us", "UTC"), "finding": pl.String,
                "repaired_at_utc": pl.Datetime("us", "UTC")}, orient="row",
    )  # fmt: skip
    return join_findings(
        pl.concat([empty("raw_finding"), row], how="diagonal"), empty("decision_finding")
    )


def test_findings_change_the_call_and_teach(
    inputs: ReferInputs, referral: Referral, world: World
) -> None:
    """A fault found and not repaired stays referred; a repair that failed goes back.

    What it looked like becomes a lesson.
    """
    shorted = referral.vehicles.filter(pl.col("suspect") == "pilot_diode_shorted")["vehicle_id"][0]
    open_case = refer(
        replace(inputs, findings=told(shorted, "diode_shorted", world, repaired=False)),
        SETTINGS,
        WEEK,
    )
    row = open_case.vehicles.filter(pl.col("vehicle_id") == shorted).row(0, named=True)
    assert row["call"] == "refer"
    assert "not reported repaired" in row["reason"]
    lessons = open_case.lessons
    assert set(lessons["vehicle_id"]) == {shorted}
    assert set(lessons["suspect"]) == {"pilot_diode_shorted"}
    assert {"stopped_at", "fault_word"} <= set(lessons["signature"])
    back = refer(
        replace(inputs, findings=told(shorted, "diode_shorted", world, repaired=True)),
        SETTINGS,
        WEEK,
    )
    row = back.vehicles.filter(pl.col("vehicle_id") == shorted).row(0, named=True)
    assert row["call"] == "refer"
    assert "proving test" in row["reason"]


def test_a_sound_vehicle_back_from_repair_is_proved(
    inputs: ReferInputs, referral: Referral, world: World
) -> None:
    """A vehicle that charges at checking EVSEs after its repair passes the test."""
    busy = (
        inputs.attempts.filter(pl.col("diode_check") == "yes", pl.col("supply") == "AC", pl.col("outcome") == "charged")
        .join(referral.vehicles.filter(pl.col("call") == "clear"), on="vehicle_id", how="semi")
        .group_by("vehicle_id").len().sort("len", "vehicle_id", descending=True)["vehicle_id"][0]
    )  # fmt: skip
    out = refer(
        replace(inputs, findings=told(busy, "diode_shorted", world, repaired=True)), SETTINGS, WEEK
    )
    assert out.vehicles.filter(pl.col("vehicle_id") == busy)["call"].to_list() == ["proved"]


def test_an_empty_world_gives_empty_frames(inputs: ReferInputs) -> None:
    """Nothing in the look-back: empty frames as declared, no packs, no error."""
    out = refer(inputs, SETTINGS, "2024-W10")
    assert out.vehicles.equals(empty("out_vehicles"))
    assert out.evses.is_empty()
    assert not out.packs
