"""Code lists: what every published word stands for, and that unknown words stay unknown."""

from __future__ import annotations

import json
from importlib import resources

import pytest

from pipeline.core.errors import SchemaError
from pipeline.normalise.signals import codes


def enum(version: str, message: str, name: str) -> set[str]:
    """An enumeration of the published OCPP JSON schemas, as the `ocpp` package bundles them."""
    folder = resources.files("ocpp") / version / "schemas" / f"{message}.json"
    text = json.loads(folder.read_text(encoding="utf-8-sig"))
    found = (
        text["definitions"][name]
        if name in text.get("definitions", {})
        else text["properties"][name]
    )
    return set(found["enum"])


def known(list_name: str) -> set[str]:
    """All words of one of our lists."""
    body = codes.lists()[list_name]
    return {*body["canonical"], *body["unusable"], *body["alias"]}


@pytest.mark.parametrize(
    ("version", "message", "name", "list_name"),
    [
        ("v16", "StatusNotification", "errorCode", "ocpp16_error_code"),
        ("v16", "StopTransaction", "reason", "ocpp16_stop_reason"),
        ("v201", "TransactionEventRequest", "ReasonEnumType", "ocpp201_stopped_reason"),
    ],
)
def test_every_word_of_the_published_schemas_is_known(version, message, name, list_name) -> None:
    """Source: OCPP 1.6 and 2.0.1 JSON schemas.

    No word of theirs is unknown to the list that is for it.
    """
    assert enum(version, message, name) - known(list_name) == set()


def test_the_twenty_six_minimum_codes_are_mapped() -> None:
    """Source: minimum required error codes (ChargeX, 2023), second-hand.

    CX007, 012, 013, 016, 021 from memory.
    """
    seen = {
        "CX001": "ConnectorLockFailure",
        "CX002": "GroundFailure",
        "CX014": "PilotFault",
        "CX017": "EVSEContactorFault",
    }
    for number in range(1, 27):
        state, fault = codes.look_up(f"cx{number:03d}", "vendor_code", {})
        assert (state, fault is not None) == ("alias", True)
    for word, fault in seen.items():
        assert codes.look_up(word, "vendor_code", {}) == ("alias", fault)
    assert codes.look_up("CX027", "vendor_code", {})[0] == "unknown"


def test_every_code_a_list_gives_is_declared() -> None:
    """A list can only name canonical faults, and calls canonical only what is one."""
    faults = set(codes.lists()["fault"])
    for name, body in codes.lists().items():
        if name != "fault":
            assert (
                set(body["canonical"])
                | set(body["alias"].values())
                | set(body.get("contains", {}).values())
                <= faults
            )


@pytest.mark.parametrize(
    ("word", "fault"),
    [
        ("Diode check failed", "DiodeFault"),
        ("DIODE_CHECK", "DiodeFault"),
        ("EvDiodeMissing", "DiodeFault"),
        ("residual current 30 mA", "GroundFailure"),
        ("contactor welded", "EVSEContactorFault"),
        ("weld detected", "EVSEContactorFault"),
        ("vehicle contactor", "EVContactorFault"),
        ("Connector lock jammed", "ConnectorLockFailure"),
        ("ground-failure", "GroundFailure"),
        ("clock fault", None),
        ("parameter error", None),
        ("blocked by operator", None),
    ],
)
def test_controllers_own_words(word, fault) -> None:
    """Common practice, no source: phrases by case, blanks and word parts.

    A part inside another word does not count.
    """
    assert codes.look_up(word, "vendor_code", {})[1] == fault


def test_a_site_cannot_map_to_a_code_that_is_not(tmp_path) -> None:
    """The message names the wrong code and the file."""
    file = tmp_path / "words.yaml"
    file.write_text("zorble: NoSuchFault\n", encoding="utf-8")
    with pytest.raises(SchemaError, match=r"words\.yaml.*NoSuchFault"):
        codes.site_words(file)
