"""Words of OCPP against the published enumerations, as the `ocpp` package carries them."""

from __future__ import annotations

from enum import StrEnum

import pytest
from ocpp.v16 import enums as v16
from ocpp.v201 import enums as v201

from pipeline.ocpp import vocabulary as words
from pipeline.ocpp.actions import STATION_ACTIONS

# Who calls: the operations initiated by the central system, OCPP 1.6 chapter 5, and by the CSMS, 2.0.1 part 2 (from memory).
CENTRE = """CancelReservation CertificateSigned ChangeAvailability ChangeConfiguration ClearCache ClearChargingProfile
ClearDisplayMessage ClearVariableMonitoring CostUpdated CustomerInformation DeleteCertificate ExtendedTriggerMessage GetBaseReport
GetChargingProfiles GetCompositeSchedule GetConfiguration GetDiagnostics GetDisplayMessages GetInstalledCertificateIds
GetLocalListVersion GetLog GetMonitoringReport GetReport GetTransactionStatus GetVariables InstallCertificate PublishFirmware
RemoteStartTransaction RemoteStopTransaction RequestStartTransaction RequestStopTransaction ReserveNow Reset SendLocalList
SetChargingProfile SetDisplayMessage SetMonitoringBase SetMonitoringLevel SetNetworkProfile SetVariableMonitoring SetVariables
SignedUpdateFirmware TriggerMessage UnlockConnector UnpublishFirmware UpdateFirmware""".split()  # noqa: SIM905


def values(*kinds: type[StrEnum]) -> set[str]:
    """The words of enumerations."""
    return {str(word.value) for kind in kinds for word in kind}


def test_every_action_of_either_version_has_one_caller() -> None:
    """All actions of OCPP 1.6 and 2.0.1 (published schemas) are the station's or the centre's, none is both."""
    actions = values(v16.Action, v201.Action)
    assert actions == STATION_ACTIONS | set(CENTRE)
    assert not STATION_ACTIONS & set(CENTRE)


def test_each_status_of_1_6_tells_of_a_vehicle_or_of_none_or_is_left_open() -> None:
    """Nine statuses (OCPP 1.6, 4.9): four with a vehicle, two without; Finishing, Unavailable and Faulted do not say."""
    assert values(v16.ChargePointStatus) == (set(words.OCCUPIED) - {"Occupied"}) | set(words.VACANT) | {
        "Finishing", "Unavailable", "Faulted"
    }  # fmt: skip
    assert {"Finishing", "Unavailable", "SuspendedEVSE"} == set(words.SUPPLY_OFF)


def test_each_connector_status_of_2_0_1_has_its_place() -> None:
    """Five statuses (OCPP 2.0.1, ConnectorStatusEnumType)."""
    said = {"Occupied", *words.VACANT, "Unavailable", "Faulted"}
    assert values(v201.ConnectorStatusEnumType) == said
    assert set(words.ARRIVING) == {"Preparing", "Occupied"}


def test_all_charging_states_but_idle_are_with_a_vehicle() -> None:
    """OCPP 2.0.1, ChargingStateEnumType."""
    assert values(v201.ChargingStateEnumType) - {"Idle"} == set(words.CONNECTED)


@pytest.mark.parametrize("group", ["BY_CABLE", "STOPPING"])
def test_triggers_are_the_standards(group: str) -> None:
    """OCPP 2.0.1, TriggerReasonEnumType."""
    assert set(getattr(words, group)) <= values(v201.TriggerReasonEnumType)


def test_each_reason_of_a_stop_is_read_one_way_or_is_a_fault_of_its_own() -> None:
    """OCPP 1.6 Reason and 2.0.1 ReasonEnumType: what no group holds names its trouble or a limit itself."""
    groups = (words.UNEXPLAINED_STOPS, words.VEHICLE_STOPS, words.REFUSING_STOPS, words.PERSONAL_STOPS)  # fmt: skip
    held = [word for group in groups for word in group]
    assert len(held) == len(set(held))
    named = {
        "EmergencyStop", "PowerLoss", "PowerQuality", "GroundFault", "OvercurrentFault", "SoftReset",
        "EnergyLimitReached", "TimeLimitReached", "Timeout",
    }  # fmt: skip
    assert values(v16.Reason, v201.ReasonEnumType) == set(held) | named


def test_calls_that_show_a_card_are_actions_and_two_are_the_centres() -> None:
    """Authorize comes from the station; a remote start from the centre (OCPP 1.6 5.11, 2.0.1 F01/F02)."""
    assert set(words.AUTHORISING) - STATION_ACTIONS == set(words.FROM_CENTRE)
    assert set(words.AUTHORISING) - set(CENTRE) == {"Authorize"}


def test_an_alert_is_an_alert() -> None:
    """OCPP 2.0.1, EventTriggerEnumType."""
    assert words.TROUBLE_TRIGGER in values(v201.EventTriggerEnumType)
