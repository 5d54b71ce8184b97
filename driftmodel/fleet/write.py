"""A fleet written as the files its planner would keep."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from driftmodel.fleet.fleet_file import FleetFile
from driftmodel.fleet.roster import DISPOSITIONS, Fleet
from driftmodel.fleet.tables import NONE, month_label


def write_fleet(fleet: Fleet, folder: Path) -> Path:
    """The fleet's tables and TOML as files, as a planner would keep them; returns the fleet file."""
    import csv

    settings, units, claims = fleet.settings, fleet.units, fleet.claims
    folder.mkdir(parents=True, exist_ok=True)

    def table(name: str, header: str, rows: Any) -> None:
        with (folder / name).open("w", encoding="utf-8", newline="") as out:
            writer = csv.writer(out)
            writer.writerow(header.split())
            writer.writerows(rows)

    def day(month: int) -> str:
        return "" if month == NONE else f"{month_label(month)}-01"

    regions, exposures, designs, grades = fleet.regions, fleet.exposures, fleet.designs, settings.grades
    table(
        "units.csv",
        "serial design build_date ship_date sale_date region exposure grade cover_months last_regrade",
        (
            (fleet.serial[i], designs[d], day(b), day(b), day(s), regions[r], exposures[e], grades[g], c, day(last))
            for i, (d, b, s, r, e, g, c, last) in enumerate(
                zip(
                    *(
                        getattr(units, name).tolist()
                        for name in ("design", "build", "sale", "region", "exposure", "grade", "cover", "regraded")
                    ),
                    strict=True,
                )
            )
        ),
    )
    table(
        "claims.csv",
        "claim serial design region event_date report_date close_date disposition hours cost",
        (
            (
                f"C{i:06d}",
                fleet.serial[unit] if unit != NONE else "",
                designs[d],
                regions[r],
                day(event),
                day(report),
                "",
                DISPOSITIONS[kind],
                1.5,
                100,
            )
            for i, (d, r, event, report, kind, unit) in enumerate(
                zip(
                    *(
                        getattr(claims, name).tolist()
                        for name in ("design", "region", "event", "report", "disposition", "unit")
                    ),
                    strict=True,
                )
            )
        ),
    )
    table("plan.csv", "design region exposure build_date sale_date cover_months count", ())
    table(
        "rates.csv",
        "region hours_regrade hours_seasonal cost_per_hour cost_per_part cost_freight",
        ((name, 1.5, 0.25, 60, 8, 25) for name in regions),
    )
    file = folder / "fleet.toml"
    file.write_text(_toml(settings), encoding="utf-8")
    return file


def _toml(settings: FleetFile) -> str:
    def value(item: Any) -> str:
        if isinstance(item, bool):
            return str(item).lower()
        if isinstance(item, str):
            return f'"{item}"'
        if isinstance(item, list):
            return "[" + ", ".join(value(part) for part in item) + "]"
        return str(item)

    lines: list[str] = []

    def table(name: str, content: dict[str, Any]) -> None:
        if name:
            lines.append(f"\n[{name}]")
        inner = {key: item for key, item in content.items() if isinstance(item, dict)}
        lines.extend(f"{key} = {value(item)}" for key, item in content.items() if key not in inner and item is not None)
        for key, item in inner.items():
            table(f"{name}.{key}" if name else key, item)

    table("", settings.model_dump())
    return "\n".join(lines) + "\n"
