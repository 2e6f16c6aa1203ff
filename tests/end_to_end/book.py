"""The book of worked cases.

Read from `cases/*.yaml`, written out as one delivery, ids of a case kept apart by its number.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import yaml

from tests.end_to_end.frames import write as write_frames
from tests.end_to_end.shorthand import NAMES, Habits, Log, when

CASES = Path(__file__).parent / "cases"
DAY = "2026-03-10"
KEYS = {
    "name", "why", "day", "log", "expect", "tokens", "vehicles", "without", "evses", "files", "mapping", "accounts", "impossible",
    "known", "alone", "words", "rejected",
}  # fmt: skip
# Station letter and connector → supply, connector type, current, phases, power. A, C, Q speak 1.6,
# B, E, R 2.0.1; X has exports.
EVSES = {
    **dict.fromkeys(
        ("A1", "A2", "B1", "B2", "C1", "E1", "Q3", "X1", "X2"), ("AC", "sType2", 32, 3, 22)
    ),
    **dict.fromkeys(("Q1", "R1", "X3"), ("DC", "cCCS2", 200, 3, 100)),
    "Q2": ("DC", "cG105", 125, 3, 50),
}
VEHICLES = {"v1": "cType2;cCCS2", "v2": "cType2;cCCS2", "v3": "cType2;cG105"}
EVSE_HEAD = (
    "evse_id,site_id,station_id,connector_id,evse_model,firmware,supply,connector_type,"
    "max_current_a,phases,max_power_kw,timezone,diode_check"
)


@dataclass(frozen=True)
class Case:
    """One case: its text, and what the contract forces."""

    number: int
    told: dict[str, Any]

    @property
    def name(self) -> str:
        """Its name."""
        return str(self.told["name"])

    @property
    def prefix(self) -> str:
        """What every id of the case starts with."""
        return str(self.told.get("prefix", f"k{self.number:03d}"))

    @property
    def day(self) -> datetime:
        """Midnight UTC of its day."""
        return datetime.fromisoformat(str(self.told.get("day", DAY))).replace(tzinfo=UTC)

    def at(self, word: str | None) -> datetime | None:
        """A time of its expectations."""
        return None if word is None else when(word, self.day)

    def own(self, text: str) -> str:
        """Text with `<A1>` as the case's own id."""
        return NAMES.sub(lambda m: f"{self.prefix}{m[1]}", text)

    def files(self, habits: Habits) -> tuple[dict[str, str], Log]:
        """Its log files by name, and the log they came from."""
        log = Log(self.prefix, self.day, write_frames, habits)
        for line in str(self.told.get("log", "")).splitlines():
            if line.strip() and not line.lstrip().startswith("#"):
                log.read(line)
        made = log.files()
        for name, text in self.told.get("files", {}).items():
            made[self.own(name)] = self.own(text)
        if "mapping" in self.told:
            made[f"sessions/{self.prefix}/mapping.yaml"] = self.own(self.told["mapping"])
        return made, log

    def office(self) -> dict[str, list[str]]:
        """Its rows of fleet/vehicles.csv, fleet/tokens.csv and sites/evses.csv."""
        vehicles = VEHICLES | self.told.get("vehicles", {})
        tokens = self.told.get("tokens", [f"T{i},v{i},," for i in (1, 2, 3)])
        absent = self.told.get("without", [])
        told = str([self.told.get(key) for key in ("log", "expect", "files")])
        used = [e for e in EVSES if re.search(rf"\b{e}\b|\b{e[0]} ", told) and e not in absent]
        own = self.prefix
        return {
            "fleet/vehicles": [
                f"{own}{v},Oskel Tiffin,2024,11,3,{inlets}"
                for v, inlets in vehicles.items()
                if v not in absent
            ],
            "fleet/tokens": [
                ",".join([own + row.split(",")[0], own + row.split(",")[1], *row.split(",")[2:]])
                for row in tokens
            ],
            "sites/evses": [self.evse_row(e) for e in used],
        }

    def evse_row(self, name: str) -> str:
        """One row of sites/evses.csv."""
        supply, coupler, amps, phases, power = EVSES[name]
        zone = self.told.get("evses", {}).get(name, "Europe/Oslo")
        station = f"{self.prefix}{name[0]}"
        first = f"{self.prefix}{name},yard,{station},{name[1:]},Ambelin W11,1.0,{supply},{coupler}"
        return f"{first},{amps},{phases},{power},{zone},yes"


def load() -> list[Case]:
    """Every case of the book, in the order of files and of each file.

    Raises ValueError on a case of unknown form or a name used twice.
    """
    told = [
        case
        for path in sorted(CASES.glob("*.yaml"))
        for case in yaml.safe_load(path.read_text(encoding="utf-8"))
    ]
    for case in told:
        if set(case) - KEYS or not {"name", "why", "expect"} <= set(case):
            raise ValueError(
                f"case {case.get('name')}: keys {sorted(set(case) - KEYS)} are not known, or one is missing"
            )
    names = [case["name"] for case in told]
    if twice := {n for n in names if names.count(n) > 1}:
        raise ValueError(f"names used twice: {sorted(twice)}")
    return [Case(number, case) for number, case in enumerate(told, 1)]


VEHICLE_HEAD = "vehicle_id,vehicle_model,model_year,onboard_charger_kw,ac_phases,inlets"
CARDS_HEAD = "id_token,vehicle_id,valid_from,valid_to"


def write(cases: list[Case], delivery: Path, habits: Habits = Habits()) -> dict[str, Log]:  # noqa: B008  # frozen
    """Write the cases as one delivery; the logs they came from, by case name.

    A case that counts the lines of its log has files of its own; the logs of the others come in one
    file a kind.
    """
    shared: dict[str, list[str]] = {}
    logs = {}
    for case in cases:
        files, logs[case.name] = case.files(habits)
        for name, text in files.items():
            if "accounts" in case.told or name not in logs[case.name].files():
                put(delivery / name, text)
            else:
                rows = shared.setdefault(name.replace(case.prefix, "all"), [])
                rows += text.splitlines()[1 if rows and name.endswith(".csv") else 0 :]
        office = case.office()
        for name, head in (
            ("fleet/vehicles", VEHICLE_HEAD),
            ("fleet/tokens", CARDS_HEAD),
            ("sites/evses", EVSE_HEAD),
        ):
            shared.setdefault(f"{name}.csv", [head]).extend(office[name])
    for name, rows in shared.items():
        put(delivery / name, "\n".join(rows) + "\n")
    return logs


def put(path: Path, text: str) -> None:
    """Write a file and the folders above it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="")
