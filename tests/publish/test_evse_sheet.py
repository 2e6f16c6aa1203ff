"""The EVSE's printed sheet, and what an electrician is asked to check."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import polars as pl
import pytest
from pypdf import PdfReader

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dashboards"))
from invented import invented_week

from pipeline.publish.evse_checks import CAUTIONS, checks
from pipeline.publish.evse_sheet import evse_sheets, sheet_data, with_whom
from pipeline.registry import load_folder, registry

TABLES = ("evses", "about_evses", "attempts", "evse_suspects")


def _tables() -> dict[str, pl.DataFrame]:
    data = invented_week()
    return {name: getattr(data, name) for name in TABLES}


def test_every_part_of_an_evse_has_its_checks() -> None:
    """Each suspect an EVSE may have is declared with a reason, steps and a source; nothing else is."""
    parts = set(load_folder("signatures")["evse_prior"]["categories"])
    assert parts == set(load_folder("checks"))
    for part in parts:
        told = checks(part)
        assert told.why
        assert told.steps
        assert told.source
        assert "{" not in "".join(told.steps)


def test_what_touches_metal_is_dead_first() -> None:
    """A step that measures or looks inside says that the EVSE is isolated; none measures towards a vehicle."""
    for part in load_folder("checks"):
        for step in checks(part).steps:
            inside = any(
                word in step.lower()
                for word in ("continuity", "coil", "insulation", "terminals tight")
            )
            assert not inside or "dead" in step, step


def test_a_called_evse_has_one_page_with_every_caution() -> None:
    """One A4 page, the same bytes each time, with who failed there, the cautions whole, and the form."""
    [(evse, pdf)] = list(evse_sheets(_tables(), "2026-W14"))
    assert evse == "E-001"
    assert [pdf] == [again for _, again in evse_sheets(_tables(), "2026-W14")]
    pages = PdfReader(io.BytesIO(pdf)).pages
    assert len(pages) == 1
    text = " ".join(pages[0].extract_text().split())
    for line in (*CAUTIONS, "With whom: here and elsewhere", "Repaired on"):
        assert line.split(". ")[0] in text, line


def test_counts_are_those_of_the_attempts() -> None:
    """Here and elsewhere add up to what the vehicle did; cards nobody knows are no vehicle."""
    tables = _tables()
    unknown = tables["attempts"].with_columns(
        vehicle_id=pl.when(pl.col("vehicle_id") == "V-0002").then(None).otherwise("vehicle_id")
    )
    met = with_whom(unknown, "E-001")
    assert met["vehicle_id"].null_count() == 0
    here = unknown.filter((pl.col("evse_id") == "E-001") & pl.col("vehicle_id").is_not_null())
    assert met["n"].sum() == here.height
    whole = unknown.filter(pl.col("vehicle_id").is_in(met["vehicle_id"].implode()))
    assert (met["n"] + met["elsewhere_n"]).sum() == whole.height


@pytest.mark.parametrize("hostile", ["#let x = 1", "*E*", "$e$", "\u202eE", "E" * 300])
def test_an_id_is_printed_not_obeyed(hostile: str) -> None:
    """Whatever an id holds, the sheet is one page of plain words."""
    tables = _tables()
    renamed = pl.when(pl.col("evse_id") == "E-001").then(pl.lit(hostile)).otherwise("evse_id")
    spoilt = {name: frame.with_columns(evse_id=renamed) for name, frame in tables.items()}
    [(_, pdf)] = list(evse_sheets(spoilt, "2026-W14"))
    assert len(PdfReader(io.BytesIO(pdf)).pages) == 1


def test_a_site_nobody_listed_still_has_its_sheet() -> None:
    """Without a row in the sites' list, times are UTC and the place is left out."""
    tables = _tables()
    row = tables["evses"].filter(pl.col("evse_id") == "E-001").to_dicts()[0]
    assert "Times are UTC" in sheet_data(row, {}, tables, "2026-W14")["foot"]


def test_declared_words_of_work_are_the_forms() -> None:
    """The sheet's form names what sites/work.csv may hold."""
    allowed = registry().fields["work_finding"].values
    [(_, pdf)] = list(evse_sheets(_tables(), "2026-W14"))
    text = " ".join(PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split())
    for word in allowed:
        assert word.replace("_", " ") in text, word
