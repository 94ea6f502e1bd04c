"""Instruments: whose runs share their errors, and what these do to a gap."""

import numpy as np
import pandas as pd
import pytest
from bare_fits import BARE
from plain_rows import plain_rows

from thermcmp.errors import InputError
from thermcmp.inference.fitting import fit
from thermcmp.inference.storage import load_fit
from thermcmp.model.instruments import (
    Instrument,
    instrument_errors,
    read_instruments,
    rows_read,
)
from thermcmp.model.measurement_error import MeasurementError
from thermcmp.results.validation import check_results


def rows(**columns):
    """Card A on one bench and card B on another, six runs each."""
    rng = np.random.default_rng(3)
    usual = {
        "temperature_c": np.repeat([72.0, 76.0], 6) + np.round(rng.normal(0.0, 0.2, 12), 2),
        "cooler_model": np.repeat(["A", "B"], 6),
        "bench": np.repeat(["left", "right"], 6),
    }
    return check_results(plain_rows(**(usual | columns)))


def gap_sd(instruments, **columns):
    errors = MeasurementError(fan_speed=0.0, power=0.0, instruments=instruments)
    model = fit(rows(**columns), errors=errors, **BARE)
    effects = model.draws("cooler_model")
    return float(np.std(effects[:, 1] - effects[:, 0]))


@pytest.fixture(scope="module")
def without():
    return gap_sd(())


def extra(found, without):
    return np.sqrt(max(found**2 - without**2, 0.0))


def test_one_thermometer_cancels_between_its_benches(without):
    both = Instrument(name="T1", quantity="ambient", lab="North", offset=1.5)
    assert gap_sd([both]) == pytest.approx(without, rel=0.06)


def test_two_thermometers_do_not(without):
    each = [
        Instrument(name=f"T-{bench}", quantity="ambient", bench=bench, offset=1.5)
        for bench in ("left", "right")
    ]
    assert extra(gap_sd(each), without) == pytest.approx(1.5 * np.sqrt(2.0), rel=0.06)


def test_a_power_meter_acts_through_the_rise(without):
    # 2 % of the 54 K of card B; 4 W of 200 W are as much.
    for uncertainty in ({"gain": 0.02}, {"offset": 4.0}):
        meter = Instrument(name="P", quantity="power", bench="right", **uncertainty)
        assert extra(gap_sd([meter]), without) == pytest.approx(0.02 * 54.0, rel=0.08)


def test_a_tachometer_acts_through_the_law_of_fan_speed(without):
    tachometer = Instrument(name="N", quantity="fan speed", bench="right", gain=0.1)
    # d/dN of 20 K (N / 1800)^-0.65: 13 K per unit of relative speed.
    assert extra(gap_sd([tachometer]), without) == pytest.approx(1.3, rel=0.1)


def test_the_day_tells_which_instrument_it_was(without):
    started = pd.to_datetime(["2026-03-01"] * 6 + ["2026-03-20"] * 6, utc=True)
    old = Instrument(name="T1", quantity="ambient", last_day="2026-03-10", offset=2.0)
    new = Instrument(name="T2", quantity="ambient", first_day="2026-03-11", offset=0.5)
    reads = [rows_read(each, rows(started_at=started)) for each in (old, new)]
    assert [list(np.flatnonzero(hit)) for hit in reads] == [[*range(6)], [*range(6, 12)]]
    with pytest.raises(InputError, match="Which instrument read these runs"):
        rows_read(old, rows())


def test_it_reads_other_laboratories_only_where_it_is_there():
    elsewhere = Instrument(name="T9", quantity="ambient", lab="South", offset=1.0)
    assert not rows_read(elsewhere, rows()).any()
    assert instrument_errors(elsewhere, rows()) == {}


def test_a_saved_fit_keeps_its_instruments(tmp_path):
    meter = Instrument(name="P", quantity="power", bench="right", gain=0.02, offset=1.0)
    errors = MeasurementError(instruments=[meter])
    model = fit(rows(), errors=errors, **BARE)
    model.save(tmp_path / "fit.nc")
    again = load_fit(tmp_path / "fit.nc")
    assert again.design.errors == errors
    assert again.design.shared.names == ("offset of P (power)", "gain of P (power)")


def test_a_table_of_instruments(tmp_path):
    path = tmp_path / "instruments.csv"
    path.write_text(
        "instrument;quantity;lab;bench;first_day;offset;gain_percent;coverage_factor;calibrated\n"
        "T1;ambient;North;;2026-01-05;0,4;;2;cert. 12\n"
        "P1;power;North;left;;0,5;1,2;;\n",
        encoding="utf-8",
    )
    first, second = read_instruments(path)
    assert first == Instrument(
        name="T1", quantity="ambient", lab="North", first_day="2026-01-05", offset=0.2
    )
    assert second.gain == pytest.approx(0.012)
    assert (second.bench, second.offset) == ("left", 0.5)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("T1,noise,,,0.4,,", "noise"),
        (",ambient,,,0.4,,", "the value is missing"),
        ("T1,ambient,,,0.4,2,", "a thermometer of the air has an offset only"),
        ("T1,power,,,-1,,", "offset"),
        ("T1,power,,,1,90,", "gain_percent"),
        ("T1,power,,,1,,0.5", "coverage_factor"),
        ("T1,power,,soon,1,,", "soon"),
    ],
)
def test_what_is_wrong_with_a_table_is_named(tmp_path, line, message):
    path = tmp_path / "instruments.csv"
    head = "instrument,quantity,lab,first_day,offset,gain_percent,coverage_factor\n"
    path.write_text(head + line + "\n", encoding="utf-8")
    with pytest.raises(InputError, match=message) as error:
        read_instruments(path)
    assert "instruments.csv" in str(error.value)
