"""Tables as other laboratories publish them."""

import numpy as np
import pytest

from thermcmp.errors import InputError
from thermcmp.results.results_table import read_results

HEAD = "run,sensor,cooler_model,board_model,lab,n,"


def table(tmp_path, head, *lines):
    path = tmp_path / "published.csv"
    path.write_text(HEAD + head + "\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_rise_in_place_of_a_temperature(tmp_path):
    path = table(
        tmp_path,
        "rise_k,ambient_c,power_w,standard_error_k",
        "1,memory,C,B,South,3,48.5,,210,0.4",
        "2,memory,C,B,South,3,50.5,21,,0.4",
    )
    rows = read_results(path)
    assert list(rows["temperature_c"] - rows["ambient_c"]) == [48.5, 50.5]
    assert list(rows["ambient_c"]) == [25.0, 21.0]
    assert np.isnan(rows["power_w"].iloc[1])
    assert "rise_k" not in rows


def test_a_standard_deviation_and_a_stated_error(tmp_path):
    path = table(
        tmp_path,
        "temperature_c,ambient_c,power_w,standard_deviation_k,expanded_error_k",
        "1,memory,C,B,South,4,72,22,210,0.8,",
        "2,memory,C,B,South,4,72,22,210,,0.6",
    )
    assert list(read_results(path)["standard_error_k"]) == pytest.approx([0.4, 0.3])


def test_headings_of_ones_own_and_one_per_sensor(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(
        "run,cooler_model,board_model,lab,runs,ΔT memory (K),± memory\n1,C,B,South,3,48.5,0.8\n",
        encoding="utf-8",
    )
    rows = read_results(
        path,
        columns={
            "runs": "n",
            "ΔT memory (K)": "rise_k[memory]",
            "± memory": "expanded_error_k[memory]",
        },
    )
    assert list(rows["sensor"]) == ["memory"]
    assert list(rows["temperature_c"]) == [73.5]
    assert list(rows["standard_error_k"]) == [0.4]


def test_a_temperature_goes_before_a_rise(tmp_path):
    path = table(
        tmp_path,
        "temperature_c,rise_k,ambient_c,power_w,standard_error_k",
        "1,memory,C,B,South,3,70,48.5,22,210,0.4",
    )
    assert list(read_results(path)["temperature_c"]) == [70.0]


@pytest.mark.parametrize(
    ("head", "line", "message"),
    [
        ("rise_k,standard_error_k", "1,memory,C,B,South,3,warm,0.4", "warm"),
        ("rise_k,standard_error_k", "1,memory,C,B,South,3,,0.4", "temperature_c"),
        ("rise_k,standard_deviation_k", "1,memory,C,B,South,,48.5,0.4", "number of runs"),
        ("rise_k,standard_error_k", "1,memory,C,B,South,,48.5,0.4", "power_w"),
        ("temperature_c,ambient_c,power_w", "1,memory,C,B,South,3,70,22,200", "standard error"),
    ],
)
def test_what_cannot_be_read_is_named(tmp_path, head, line, message):
    with pytest.raises(InputError, match=message):
        read_results(table(tmp_path, head, line))
