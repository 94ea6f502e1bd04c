"""The template conforms and is found by its entry point."""

import thermcmp_template

import thermcmp as tc
from thermcmp.physics.airflow import airflow_law
from thermcmp.testing import check_plugin


def test_it_conforms():
    check_plugin(thermcmp_template)


def test_it_is_found_by_its_entry_point():
    (record,) = [r for r in tc.plugins() if r.name == "template"]
    assert (str(record.status), record.origin) == ("loaded", "thermcmp-template")
    # Twice the speed under the exponent of a laminar plate: 1 / sqrt(2).
    assert abs(airflow_law("laminar flow").factor([2000.0], 1000.0, 0.5)[0] - 0.5**0.5) < 1e-12
