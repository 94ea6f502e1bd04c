"""Make the invented demo campaign byte for byte: python datasets/make_demo.py [folder].

The campaign is a table as a bench engineer would keep it: a row per run, a column
per sensor, special headings, semicolons and decimal commas, here and there a unit in
a cell. `columns.json` maps the headings, `truth.json` has the simulated effects.

A later session of the revision study is kept as per-second logs: `runs.csv` is its
run sheet, `logs/` holds a file per run, `logs.json` maps the logs' headings.
"""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path
from typing import Any

import pandas as pd

from thermcmp.simulation import (
    AmbientDrift,
    Campaign,
    FanSlip,
    LogFault,
    LogStyle,
    Peers,
    RevisionStudy,
    RunPlan,
    Scenario,
    SimulatedLogs,
    Throttling,
    Truth,
    draw_truth,
    extend_truth,
    join_plans,
    measure,
    repeat_runs,
    run_after,
    run_plan,
    simulate_logs,
    write_logs,
)

SEED = 1670
SENSORS = {"memory": "Memory °C", "junction": "Hot spot °C", "edge": "Edge °C"}

#: Heading, name in the results table, decimals (None: text).
COLUMNS: tuple[tuple[str, str, int | None], ...] = (
    ("Test", "run", None),
    ("Card", "product", None),
    ("Cooler", "cooler_model", None),
    ("Cooler no.", "cooler_id", None),
    ("Board", "board_model", None),
    ("Board no.", "board_id", None),
    ("Memory maker", "memory_vendor", None),
    ("Assembly", "assembly", None),
    ("Mounted by", "assembly_kind", None),
    ("Sitting", "session", None),
    ("Bench", "bench", None),
    ("Lab", "lab", None),
    ("Firmware", "firmware", None),
    ("Fan mode", "fan_mode", None),
    ("Started", "started_at", None),
    ("Fan (rpm)", "fan_rpm", 0),
    ("Power [W]", "power_w", 1),
    ("Intake air °C", "ambient_c", 1),
    *((heading, f"temperature_c[{sensor}]", 1) for sensor, heading in SENSORS.items()),
    ("Sensor step (K)", "resolution_k", 1),
    ("Noise [dB(A)]", "noise_dba", 1),
    ("Background [dB(A)]", "noise_floor_dba", 1),
    ("Mic (m)", "mic_distance_m", 1),
)

#: Unit written into the cell, and every how many rows.
UNITS_IN_CELLS = {
    "Fan (rpm)": ("rpm", 29),
    "Power [W]": ("W", 37),
    "Memory °C": ("°C", 31),
    "Noise [dB(A)]": ("dB(A)", 41),
}
#: Every how many rows the noise was not measured (never in an equal-noise run).
NO_LEVEL_EVERY = 23

#: The logged session: assemblies per combination on top of the campaign's three.
ROUNDS, LOGGED_ROUNDS = 3, 2
#: Runs of the session that had to be repeated, numbered without the repeats.
REPEATED = ("R003", "R014", "R025")
#: Their faults, by their final number.
FAULTS: dict[str, LogFault] = {
    "R272": Throttling(),
    "R284": AmbientDrift(),
    "R296": FanSlip(),
}
#: A log that another program exported: decimal commas, units in a second heading line.
ODD_LOG = "R280"
ODD_STYLE = LogStyle(delimiter=";", decimal=",", encoding="cp1252", units_below=True)

#: Column of a log: heading and unit.
LOG_HEADINGS: dict[str, tuple[str, str]] = {
    "elapsed_s": ("Elapsed", "s"),
    "memory_c": ("Memory", "°C"),
    "junction_c": ("Hot spot", "°C"),
    "edge_c": ("Edge", "°C"),
    "ambient_c": ("Intake air", "°C"),
    "fan_rpm": ("Fan", "rpm"),
    "fan_percent": ("Fan duty", "%"),
    "power_w": ("Board power", "W"),
    "load_percent": ("Load", "%"),
    "throttled": ("Throttled", ""),
}
#: Columns of the run sheet with the names of the results table.
SHEET_PARTS = (
    "product", "cooler_model", "cooler_id", "board_model", "board_id", "memory_vendor",
    "assembly", "assembly_kind", "session", "bench", "lab", "firmware", "fan_mode",
)  # fmt: skip


def demo_campaign() -> Campaign:
    """Plan and simulate the campaign: a revision study among seven other products."""
    study = run_plan(RevisionStudy(remounts=ROUNDS), seed=SEED)
    others = run_plan(Peers(products=7, remounts=2), seed=SEED + 1)
    plan = join_plans(study, others)
    scenario = Scenario()
    truth = draw_truth(plan, scenario, seed=SEED + 2)
    return Campaign(measure(plan, truth, scenario, seed=SEED + 3), truth, plan)


def demo_logs(campaign: Campaign) -> tuple[SimulatedLogs, Truth]:
    """Simulate the logged session of the revision study, with the extended truth."""
    study = RevisionStudy(
        remounts=LOGGED_ROUNDS,
        earlier_rounds=ROUNDS,
        sessions=1,
        fan_speeds_rpm=(1400.0, 2200.0),
        equal_noise_dba=None,
    )
    plan: RunPlan = repeat_runs(run_plan(study, seed=SEED + 4), REPEATED)
    plan = run_after(plan, campaign.plan)
    truth = extend_truth(campaign.truth, plan, Scenario(bad_mount_probability=0.0), seed=SEED + 5)
    return simulate_logs(plan, truth, seed=SEED + 6, faults=FAULTS), truth


def sheet_text(logs: SimulatedLogs) -> str:
    """Return the run sheet of the logs, with the names of the results table."""
    runs = logs.runs
    sheet = pd.DataFrame({"run": runs["run"], "file": runs["run"] + ".csv"})
    sheet[list(SHEET_PARTS)] = runs[list(SHEET_PARTS)]
    sheet["started_at"] = runs["started_at"].dt.strftime("%Y-%m-%d %H:%M")
    for target, setting in (("target_fan_rpm", "set_fan_rpm"), ("target_power_w", "set_power_w")):
        sheet[target] = runs[setting].astype("Int64")
    for name in ("noise_dba", "noise_floor_dba", "mic_distance_m"):
        sheet[name] = runs[name]
    return sheet.to_csv(index=False, float_format="%.1f", lineterminator="\n")


def log_columns() -> dict[str, str]:
    """Return the heading of each column of the logs, unit included."""
    return {
        name: f"{heading} [{unit}]" if unit else heading
        for name, (heading, unit) in LOG_HEADINGS.items()
    }


def table_text(campaign: Campaign) -> str:
    """Return the table: semicolons, decimal commas, LF."""
    rows = campaign.results
    one_per_run = rows.drop_duplicates("run").set_index("run", drop=False)
    wide = one_per_run.assign(
        **{
            f"temperature_c[{sensor}]": rows[rows["sensor"] == sensor].set_index("run")[
                "temperature_c"
            ]
            for sensor in SENSORS
        }
    )
    text = io.StringIO()
    writer = csv.writer(text, delimiter=";", lineterminator="\n")
    writer.writerow([heading for heading, _, _ in COLUMNS] + ["Remark"])
    previous = None
    for number, (_, row) in enumerate(wide.iterrows(), start=1):
        cells = [_cell(number, heading, row, name, digits) for heading, name, digits in COLUMNS]
        first_of_session = row["session"] != previous
        previous = row["session"]
        writer.writerow([*cells, "instruments checked" if first_of_session else ""])
    return text.getvalue()


def _cell(number: int, heading: str, row: pd.Series, name: str, digits: int | None) -> str:
    """Return one cell as it is written."""
    value = row[name]
    if pd.isna(value):
        return ""
    if name == "started_at":
        return f"{value:%Y-%m-%d %H:%M}"
    if digits is None:
        return str(value)
    if name == "noise_dba" and number % NO_LEVEL_EVERY == 0 and row["fan_mode"] != "equal noise":
        return "–"
    written = f"{value:.{digits}f}".replace(".", ",")
    unit, every = UNITS_IN_CELLS.get(heading, ("", 0))
    return f"{written} {unit}" if every and number % every == 0 else written


def firmware_text(truth: Truth) -> str:
    """Return the table of firmwares, a row each."""
    lines = ["firmware,fan_control,fan_rpm,power_limit_w"]
    lines += [
        f"{name},fixed speed,{setting.fan_rpm:g},{setting.power_w:g}"
        for name, setting in sorted(truth.firmware.items())
    ]
    return "\n".join(lines) + "\n"


#: What was planted and what it teaches; the demo's page and the README have it.
LESSONS = (
    "This is an invented demo campaign: no maker's card was measured, and the truth is known.",
    "The fix is not the cooler alone. Of the true 17.6 K at the memory 10.2 K are due to the "
    "hardware, 5.5 K to the fan speed and 1.8 K to the power; at the junction the hardware's true "
    "share is 0.3 K of 7.8 K.",
    "Each of the study's two boards has its own memory vendor, so the study alone cannot separate "
    "board and vendor; the seven other products have both vendors and can.",
    "One assembly is bad: 'Rowan-C-1 on Rowan-B-1, bench 1' is 6.6 K too warm at the junction and "
    "2.1 K at the memory. One is good by chance: 'Hornbeam-C-1 on Hornbeam-B-1, bench 1' is 2.4 K "
    "too cool at the memory. One assembly says little about a product.",
    "Three logged runs went wrong and are refused: R272 throttled behind a covered intake, in R284 "
    "the ambient rose, in R296 the fan slowed at unchanged duty. Each was repeated.",
)


def truth_text(campaign: Campaign, truth: Truth) -> str:
    """Return the truth of both sessions and the true answers for the revision, as JSON."""
    plan = campaign.plan
    before, after = plan.before, plan.after
    if before is None or after is None:
        raise ValueError("the demo needs a revision study")
    answers: dict[str, Any] = {}
    for sensor in SENSORS:
        fix = truth.attribution_k(sensor, before, after)
        answers[sensor] = {
            "contrast_k": {
                factor: truth.contrast_k(
                    sensor, factor, getattr(before, factor), getattr(after, factor)
                )
                for factor in ("cooler_model", "board_model", "memory_vendor")
            },
            "attribution": {
                "alone_k": fix.alone_k,
                "interaction_k": fix.interaction_k,
                "order_free_k": fix.order_free_k,
                "total_k": fix.total_k,
            },
        }
    content = _rounded({"truth": truth.to_dict(), "revision": answers})
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _rounded(value: Any) -> Any:
    """Return floats with 6 decimals, so that the result is the same on every processor."""
    if isinstance(value, dict):
        return {key: _rounded(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(inner) for inner in value]
    return round(value, 6) if isinstance(value, float) else value


def write_demo(folder: Path) -> None:
    """Write all files of the demo into a folder."""
    campaign = demo_campaign()
    logs, truth = demo_logs(campaign)
    mapping = {heading: name for heading, name, _ in COLUMNS}
    files = {
        "campaign.csv": table_text(campaign),
        "columns.json": json.dumps(mapping, indent=1, ensure_ascii=False) + "\n",
        "firmware.csv": firmware_text(truth),
        "truth.json": truth_text(campaign, truth),
        "runs.csv": sheet_text(logs),
        "lessons.json": json.dumps(LESSONS, indent=1, ensure_ascii=False) + "\n",
        "logs.json": json.dumps(log_columns(), indent=1, ensure_ascii=False) + "\n",
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    write_logs(logs.frames, folder / "logs", LOG_HEADINGS, {ODD_LOG: ODD_STYLE})


if __name__ == "__main__":
    folders = sys.argv[1:]
    write_demo(Path(folders[0]) if folders else Path(__file__).parent / "demo")
