"""Where the tables of studies go: the folder THERMCMP_STUDY_RESULTS, where it is set."""

import os
from pathlib import Path


def keep(table, file):
    """Leave a study's table in that folder, for the scripts that write the pages."""
    folder = os.environ.get("THERMCMP_STUDY_RESULTS")
    if folder:
        table.to_csv(Path(folder) / f"{file}.csv", index=False)


def show(capsys, title, table):
    """Print a study's table, whether its test passes or not."""
    with capsys.disabled():
        print(f"\n{title}")
        print(table.to_string(index=False, float_format=lambda v: f"{v:.2f}"))
