"""Libraries of every past version: read, verified, extended and compacted as today's."""

import shutil
from pathlib import Path

import pytest

from tests.library.test_store import runs
from thermcmp.library.store import Library

PAST = Path(__file__).with_name("past")
VERSIONS = sorted(path.name for path in PAST.iterdir() if path.is_dir())


def new_rows(first, last, **changes):
    names = {"product": "Heron 1", "cooler_model": "Heron C1", "board_model": "Heron-B1"}
    return runs(first, last, **names | changes)


def test_there_is_one_of_every_past_schema():
    from thermcmp.results.schema import SCHEMA_VERSION

    assert {int(name.split("-")[1]) for name in VERSIONS} == set(range(1, SCHEMA_VERSION))


@pytest.mark.parametrize("version", VERSIONS)
def test_a_library_of_a_past_version_goes_on(version, tmp_path):
    shutil.copytree(PAST / version, tmp_path / "bench")
    library = Library(tmp_path / "bench")
    rows = library.results(product="Heron 1")
    assert rows["run"].tolist() == ["r0", "r1", "r2"]
    assert rows["power_w"].tolist() == [230.0, 220.0, 220.0]
    # A no-break space, as it was typed then, is a space now.
    assert rows["cooler_model"].unique().tolist() == ["Heron C1"]
    assert rows["rack"].fillna("").tolist() == ["left", "right", ""]
    assert library.results(columns=["power_w"])["power_w"].tolist() == [230.0, 220.0, 220.0]
    past = library.history()
    assert past["source"].dropna().unique().tolist() == ["monday.csv"]
    assert past["in_effect"].sum() == 3
    assert library.verify() == []
    held = new_rows(1, 3, temperature_c=[81.0, 82.0], rack=["right", None])
    assert library.add(held).known == 2
    assert library.add(new_rows(3, 5)).new == 2
    library.supersede(held.assign(power_w=240.0), "meter was off again")
    before = library.history()
    assert len(library.compact()) >= 1
    assert library.history().equals(before)
    assert library.results()["power_w"].tolist() == [230.0, 240.0, 240.0, 220.0, 220.0]
    assert library.verify() == []
