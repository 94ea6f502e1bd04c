"""Make the invented demo campaign byte for byte: python datasets/make_demo.py [folder].

The campaign is kept as a bench engineer would keep it: a row per run, a column
per sensor, own headings, semicolons and decimal commas, here and there a unit in
a cell. `columns.json` maps the headings, `truth.json` holds what was put in.
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
    Campaign,
    Peers,
    RevisionStudy,
    Scenario,
    draw_truth,
    join_plans,
    measure,
    run_plan,
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
    ("Mounting", "assembly", None),
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

#: Every so many rows the unit is written into the cell, as people do.
UNITS_IN_CELLS = {
    "Fan (rpm)": ("rpm", 29),
    "Power [W]": ("W", 37),
    "Memory °C": ("°C", 31),
    "Noise [dB(A)]": ("dB(A)", 41),
}
#: Every so many rows the level was not taken (never in an equal-noise run).
NO_LEVEL_EVERY = 23


def demo_campaign() -> Campaign:
    """Plan and simulate the campaign: a revision study among seven other products."""
    study = run_plan(RevisionStudy(remounts=3), seed=SEED)
    others = run_plan(Peers(products=7, remounts=2), seed=SEED + 1)
    plan = join_plans(study, others)
    scenario = Scenario()
    truth = draw_truth(plan, scenario, seed=SEED + 2)
    return Campaign(measure(plan, truth, scenario, seed=SEED + 3), truth, plan)


def table_text(campaign: Campaign) -> str:
    """The hand-kept table: semicolons, decimal commas, LF."""
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
    """One cell as it was written down."""
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


def truth_text(campaign: Campaign) -> str:
    """The truth and what follows from it for the revision, as JSON."""
    truth, plan = campaign.truth, campaign.plan
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
    whole = {"truth": truth.to_dict(), "revision": answers}
    return json.dumps(_rounded(whole), indent=1, ensure_ascii=False) + "\n"


def _rounded(value: Any) -> Any:
    """Floats to 6 decimals, so that the last bit of a processor does not show."""
    if isinstance(value, dict):
        return {key: _rounded(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(inner) for inner in value]
    return round(value, 6) if isinstance(value, float) else value


def write_demo(folder: Path) -> None:
    """Write the three files of the demo into a folder."""
    campaign = demo_campaign()
    mapping = {heading: name for heading, name, _ in COLUMNS}
    files = {
        "campaign.csv": table_text(campaign),
        "columns.json": json.dumps(mapping, indent=1, ensure_ascii=False) + "\n",
        "truth.json": truth_text(campaign),
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    given = sys.argv[1:]
    write_demo(Path(given[0]) if given else Path(__file__).parent / "demo")
