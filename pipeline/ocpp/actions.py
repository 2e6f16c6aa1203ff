"""Actions of OCPP by who calls them."""

from __future__ import annotations

# OCPP 1.6 (edition 2, and its security extension) and 2.0.1, published schemas; who calls: from memory.
# DataTransfer goes both ways; it is a station's more often (practice).
STATION_ACTIONS = frozenset(
    {
        "Authorize",
        "BootNotification",
        "ClearedChargingLimit",
        "DataTransfer",
        "DiagnosticsStatusNotification",
        "FirmwareStatusNotification",
        "Get15118EVCertificate",
        "GetCertificateStatus",
        "Heartbeat",
        "LogStatusNotification",
        "MeterValues",
        "NotifyChargingLimit",
        "NotifyCustomerInformation",
        "NotifyDisplayMessages",
        "NotifyEVChargingNeeds",
        "NotifyEVChargingSchedule",
        "NotifyEvent",
        "NotifyMonitoringReport",
        "NotifyReport",
        "PublishFirmwareStatusNotification",
        "ReportChargingProfiles",
        "ReservationStatusUpdate",
        "SecurityEventNotification",
        "SignCertificate",
        "SignedFirmwareStatusNotification",
        "StartTransaction",
        "StatusNotification",
        "StopTransaction",
        "TransactionEvent",
    }
)
