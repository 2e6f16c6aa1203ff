"""The pages' words: whole in each language, the same blanks in each, and used as they are written."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import polars as pl
import pytest
from invented import invented_week

from dashboards.language import LANGUAGES, Language, strings
from dashboards.markup import HERE
from dashboards.pages import PAGES, render_page
from dashboards.reasons import in_language
from dashboards.words import BENCH_CAUTIONS, EVSE_CAUTIONS, caution
from pipeline.refer.decision import cases
from pipeline.refer.wording import vehicle_clauses
from pipeline.registry import registry
from pipeline.settings.refer import ReferSettings

BLANK = re.compile(r"\{(\w+)\}")


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_word_is_there_in_every_language(language: str) -> None:
    """Each key has a text, with the blanks of the English one, and as many forms or one."""
    for key, texts in strings().items():
        assert set(BLANK.findall(texts[language])) <= set(BLANK.findall(texts["en"])), key
        assert set(texts) == set(LANGUAGES), key


def test_every_key_the_pages_ask_for_is_written() -> None:
    """Templates and code name only keys that the strings file holds."""
    asked = set()
    for path in [*HERE.rglob("*.j2"), *HERE.rglob("*.py"), *HERE.rglob("*.js")]:
        text = path.read_text(encoding="utf-8")
        asked |= set(re.findall(r"""\b(?:t|say)\(["']([a-z_]+\.[a-z_]+)["']""", text))
    assert asked
    assert asked - set(strings()) == set()


@pytest.mark.parametrize(
    ("field", "group"),
    [
        ("call", "call"),
        ("suspect", "part"),
        ("outcome", "outcome"),
        ("stage", "stage"),
        ("decision", "decision"),
        ("mark", "mark"),
        ("work_finding", "finding"),
        ("finding", "finding"),
    ],
)
def test_no_code_reaches_a_screen(field: str, group: str) -> None:
    """Every word a column may hold has its own words on the pages."""
    missing = [v for v in registry().fields[field].values if f"{group}.{v}" not in strings()]
    assert missing == []


def test_every_caution_is_translated() -> None:
    """Whoever reads the pages in another language reads the cautions in it, word for word those of the sheets."""
    for line in (*BENCH_CAUTIONS, *EVSE_CAUTIONS):
        assert caution(line, "en") == line
        assert caution(line, "de") != line, line
    assert caution("A new line.", "de") == "A new line."


def test_a_probability_is_told_in_the_language() -> None:
    """None is certain, in either language."""
    assert [Language("de").probability(p) for p in (0.999, 0.5, 0.001, None)] == [
        "über 99 %",
        "50 %",
        "unter 1 %",
        "–",
    ]
    assert Language().probability(0.999) == "over 99 %"


def test_forms_go_by_number() -> None:
    """None, one and many have their own forms where the text gives them."""
    t = Language()
    assert [t("fleet.vehicles", n=n) for n in (0, 1, 2)] == [
        "No vehicle",
        "1 vehicle",
        "2 vehicles",
    ]
    assert [t("unit.timeline_n", n=n) for n in (1, 0)] == [
        "1 attempt, and how far it came",
        "0 attempts, and how far each came",
    ]
    assert t("frame.more_found", n=1234) == "1,234 more"
    assert Language("de")("frame.more_found", n=1234) == "1.234 weitere"
    assert Language("de").day(datetime(2026, 3, 4, tzinfo=UTC)) == "4. März 2026"


@pytest.mark.parametrize("page", PAGES)
def test_the_other_language_is_whole(page: str) -> None:
    """With the setting the pages speak German, and say so to a screen reader; a reason nobody knows stays marked English."""
    data = invented_week()
    known = "Most likely: shorted pilot diode (over 99 % if it is the vehicle)."
    new = pl.when(pl.col("vehicle_id") == "V-0000").then(pl.lit(known))
    reasons = new.otherwise(pl.lit("something nobody has written yet."))
    data = replace(data, vehicles=data.vehicles.with_columns(reason=reasons))
    settings = {**data.run["settings"], "pages": {"language": "de", "currency": "SEK"}}
    text = render_page(page, replace(data, run={**data.run, "settings": settings}))
    assert '<html lang="de">' in text
    assert "Montagsliste" in text
    if page == "fleet":
        assert "In die Werkstatt" in text
        assert "SEK" in text
        assert "EUR" not in text
        assert 'lang="de">Am wahrscheinlichsten: Pilotdiode kurzgeschlossen' in text
        assert 'lang="en">something nobody has written yet' in text
    assert ("Spannungsfreiheit" in text) == (page in {"sites", "workshop"})
    assert "Wear insulating gloves" not in text
    if page == "data":
        assert "sind verbucht" in text
        assert "What was delivered" not in text


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        (
            "3 of 20 AC attempts failed, at 1 EVSE. All others failed 13 of 232 there in that time. Watch: not sure enough to refer.",
            (
                "3 von 20 AC-Versuchen gescheitert, an 1 Ladepunkt. Alle anderen scheiterten dort in dieser Zeit bei 13 von 232. "
                "Beobachten: nicht sicher genug für die Werkstatt."
            ),
        ),
        (
            (
                "60 of 145 attempts failed, with 2 of 2 vehicles; no charge was asked for at 7 plug-ins of 152; its vehicles could "
                "explain it about as well. Probability that the EVSE is at fault: 93 %."
            ),
            (
                "60 von 145 Versuchen gescheitert, mit 2 von 2 Fahrzeugen; bei 7 von 152 Malen Stecken kein Strom angefordert; eines "
                "seiner Fahrzeuge könnte es etwa ebenso gut erklären. Wahrscheinlichkeit, dass der Ladepunkt schuld ist: 93 %."
            ),
        ),
        (
            "Against the levels others show at each EVSE, CP to PE in reverse is 2.83 kΩ, 90 % interval 2.71 kΩ to over range.",
            (
                "Gegen die Pegel anderer am selben Ladepunkt misst CP gegen PE in Sperrrichtung 2,83 kΩ, 90-%-Intervall 2,71 kΩ bis "
                "über Messbereich."
            ),
        ),
        (
            (
                "3 of 9 attempts failed, with 2 of 5 vehicles; it failed as at a fault, and its last attempts leave open whether that "
                "goes on. How they failed (stage, fault word) is over 100 times likelier if it is the EVSE than if it is chance or its "
                "vehicles."
            ),
            (
                "3 von 9 Versuchen gescheitert, mit 2 von 5 Fahrzeugen; es scheiterte wie bei einem Fehler, und die letzten Versuche "
                "lassen offen, ob das anhält. Wie sie scheiterten (Stufe, Fehlerwort), ist über 100-mal wahrscheinlicher, wenn es am "
                "Ladepunkt liegt, als bei Zufall oder durch seine Fahrzeuge."
            ),
        ),
        (
            "9 of 9 attempts failed, with 2 of 5 vehicles: it has failed since before the look-back.",
            "9 von 9 Versuchen gescheitert, mit 2 von 5 Fahrzeugen: Fehler seit der Zeit vor dem Rückblick.",
        ),
        (
            "9 of 9 attempts failed, with 2 of 5 vehicles: it comes and goes, since before the logs begin.",
            "9 von 9 Versuchen gescheitert, mit 2 von 5 Fahrzeugen: es kommt und geht, seit der Zeit vor den Protokollen.",
        ),
        (
            "How they failed (stage, fault word) is 5 times likelier if it is chance or its vehicles than if it is the EVSE.",
            (
                "Wie sie scheiterten (Stufe, Fehlerwort), ist bei Zufall oder durch seine Fahrzeuge 5-mal wahrscheinlicher, als wenn es "
                "am Ladepunkt liegt."
            ),
        ),
        (
            "Held by bo {0} on 2026-03-04: wait: no parts.",
            "Zurückgestellt von bo {0} am 2026-03-04: wait: no parts.",
        ),
    ],
    ids=[
        "vehicle",
        "evse",
        "levels",
        "looks",
        "before the look-back",
        "before the logs",
        "looks of others",
        "people's words",
    ],
)
def test_a_reason_is_told_whole(reason: str, said: str) -> None:
    """Each sentence by its pattern, figures and people's words kept."""
    assert in_language(reason, "de") == said


def test_a_reason_with_a_sentence_nobody_knows_is_not_told() -> None:
    """Never half in one language and half in another."""
    known = "None of 4 AC attempts failed."
    assert in_language(known, "de")
    assert in_language(f"{known} The moon was full.", "de") is None


def test_every_sentence_of_a_vehicles_reason_is_known() -> None:
    """The clauses as `pipeline.refer.wording` writes them, filled from a row: all are told; so are all grounds of a decision."""
    at = datetime(2026, 3, 4, tzinfo=UTC)
    row = {
        "call": "refer", "ac_attempts": 20, "ac_failures": 3, "evses_failed_at": 2, "others_attempts": 9, "others_failures": 1,
        "attributed_share": 0.9, "attributed_to": "its EVSEs", "silent": 2, "unseen": 1, "stays": 3, "suspect": "pilot_open",
        "dc_attempts": 2, "dc_charged": 1, "repaired_at_utc": at, "p_vehicle": 0.7, "p_suspect": 0.8, "reverse_path_ohm": 2830.0,
        "reverse_path_lo_ohm": 2700.0, "reverse_path_hi_ohm": None, "level_factor": 2.0, "pilot_speaks": -9.0, "creeps": True,
        "begins_utc": at, "fails_now": 0.2, "dismissed": False, "held": True, "said_by": "bo", "said_at_utc": at,
        "said_why": "no parts", "why": "not sure enough to refer",
    }  # fmt: skip
    frame = pl.DataFrame([row], schema_overrides={"reverse_path_hi_ohm": pl.Float64})
    told = frame.select(
        clause.words.alias(clause.name) for clause in vehicle_clauses(ReferSettings())
    ).row(0, named=True)
    assert [name for name, words in told.items() if in_language(words, "de") is None] == []
    assert [case.why for case in cases() if in_language(f"Watch: {case.why}.", "de") is None] == []


@pytest.mark.parametrize(
    ("figure", "told"),
    [
        ("84.8 %", "84,8 %"), ("over 99 %", "über 99 %"), ("under 0.1 %", "unter 0,1 %"),
        ("2.71 kΩ to over range", "2,71 kΩ bis über Messbereich"),
        ("over range", "über Messbereich"), ("2.71 kΩ to 2.98 kΩ", "2,71 kΩ bis 2,98 kΩ"),
    ],
)  # fmt: skip
def test_figures_are_told_in_the_language(figure: str, told: str) -> None:
    """Words and decimal sign are German's in German; English stays as core words it."""
    assert Language("de").figure(figure) == told
    assert Language().figure(figure) == figure


def test_a_number_that_is_not_there_is_a_dash() -> None:
    """None is no nought; thousands and decimals by the language."""
    assert [Language(c).number(n, 2) for c, n in (("en", None), ("en", 1234.5), ("de", 1234.5))] == [
        "–", "1,234.50", "1.234,50",
    ]  # fmt: skip
