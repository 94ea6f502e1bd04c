"""Firmware tables: what is read, and how each mistake is reported."""

import re
from pathlib import Path

import pandas as pd
import pytest

import thermcmp as tc
from thermcmp.errors import InputError
from thermcmp.physics.characteristic import FanStatus
from thermcmp.results.firmware_table import DUTY_COLUMNS, FIRMWARE_COLUMNS, thermcmp_fan_controls

TABLE = """\
firmware;fan_control;control_sensor;temperature_c;Fan speed (rpm);hysteresis_k;power_limit_w;remark
fw 1;curve;edge;45;900;2,5;0,225 kW;from the sheet
fw 1;curve;;60;1400;;;
fw 1;;;140 °F;1450;;;a hair above
fw 1;;;90;3000;;;
fw 2;fixed speed;;;2100;;218;
fw 3;observed speed;;;1950;;;
"""
NAMED = {"Fan speed (rpm)": "fan_rpm"}
DUTY = pd.DataFrame(
    {
        "cooler_id": ["C-1", "C-1", "C-2", "C-2"],
        "duty_percent": [100.0, 20.0, 20.0, 100.0],
        "fan_rpm": [3000.0, 800.0, 700.0, 3100.0],
    }
)
CURVE_IN_DUTY = pd.DataFrame(
    {
        "firmware": ["fw 4", "fw 4"],
        "fan_control": ["curve", None],
        "temperature_c": [50.0, 80.0],
        "duty_percent": [20.0, 60.0],
        "start_c": [None, 52.0],
    }
)


@pytest.fixture
def write(tmp_path):
    def writer(text, name="firmware.csv"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return writer


def faults_of(*args, **named):
    with pytest.raises(InputError) as caught:
        tc.read_firmware(*args, **named)
    return caught.value.faults


def test_a_table_gives_firmware_by_name(write):
    found = tc.read_firmware(write(TABLE), NAMED)
    assert list(found) == ["fw 1", "fw 2", "fw 3"]
    first = found["fw 1"]
    assert isinstance(first.fan, tc.FanCurve)
    assert first.fan.temperature_c == pytest.approx((45.0, 60.0, 60.0, 90.0))
    assert first.fan.fan_rpm == (900.0, 1400.0, 1450.0, 3000.0)
    assert (first.control_sensor, first.hysteresis_k) == ("edge", 2.5)
    assert first.power_limit_w == pytest.approx(225.0)
    assert found["fw 2"].fan == tc.FixedSpeed(2100.0)
    assert (found["fw 2"].power_limit_w, found["fw 2"].control_sensor) == (218.0, None)
    assert isinstance(found["fw 3"].fan, tc.ObservedSpeed)
    assert found["fw 3"].fan.fan_rpm == 1950.0


def test_a_workbook_and_a_frame_give_the_same(write, tmp_path):
    frame = pd.DataFrame(
        {
            "firmware": ["fw 5"],
            "fan_control": ["target temperature"],
            "target_c": [63],
            "lowest_rpm": [900],
            "highest_rpm": [2200.5],
        }
    )
    frame.to_excel(tmp_path / "firmware.xlsx", index=False)
    text = frame.to_csv(index=False)
    for source in (frame, tmp_path / "firmware.xlsx", write(text)):
        assert tc.read_firmware(source)["fw 5"].fan == tc.TargetTemperature(63.0, 900.0, 2200.5)


def test_a_curve_in_duty_is_the_specimens_own():
    table = tc.DutyTable((20.0, 100.0), (800.0, 3000.0))
    for duty, specimen, speeds in (
        (table, None, (800.0, 1900.0)),
        (DUTY, "C-1", (800.0, 1900.0)),
        (DUTY, "C-2", (700.0, 1900.0)),
        (DUTY.drop(columns="cooler_id").iloc[:2], None, (800.0, 1900.0)),
    ):
        (found,) = tc.read_firmware(CURVE_IN_DUTY, duty=duty, cooler_id=specimen).values()
        assert found.fan.fan_rpm == pytest.approx(speeds)
        assert (found.start_c, found.stop_c) == (52.0, 52.0)


@pytest.mark.parametrize(
    ("named", "words"),
    [
        ({}, "needs the fan's speed by duty"),
        ({"duty": DUTY}, "C-1, C-2"),
        ({"duty": DUTY, "cooler_id": "C-3"}, "C-1, C-2"),
        ({"duty": DUTY.iloc[[0]].assign(duty_percent=30.0)}, "from 30 to 30 % only"),
        ({"duty": DUTY.assign(fan_rpm=[3000, None, 700, 3100]), "cooler_id": "C-1"}, "missing"),
        ({"duty": DUTY.assign(duty_percent=[100, 120, 20, 100]), "cooler_id": "C-1"}, "0 to 100"),
    ],
)
def test_a_curve_in_duty_says_what_its_duty_table_lacks(named, words):
    assert words in " ".join(map(str, faults_of(CURVE_IN_DUTY, **named)))


@pytest.mark.parametrize(
    ("change", "row", "heading", "words"),
    [
        (("fw 2;fixed speed", "fw 2;fixed"), 6, "fan_control", "use one of 'curve'"),
        (("fw 2;fixed speed", ";fixed speed"), 6, "firmware", "name it"),
        (("fw 2;fixed speed", "fw 2;"), 6, "fan_control", "use one of 'curve'"),
        (("fw 2;fixed speed", "fw 2;curve"), 6, "temperature_c", "'curve' needs it"),
        (("fw 2;fixed speed;;;", "fw 2;fixed speed;;50;"), 6, "temperature_c", "leave it blank"),
        (("fw 3;observed speed", "fw 2;fixed speed"), 7, "firmware", "keep one row"),
        ((";60;1400;;;", ";60;1400;3;;"), 3, "hysteresis_k", "row 2 of this firmware has '2.5'"),
        ((";60;1400", ";40;1400"), 3, "temperature_c", "falls from 45"),
        ((";90;3000", ";90;-3"), 5, "Fan speed (rpm)", "not above 0"),
        ((";60;1400", ";60;fast"), 3, "Fan speed (rpm)", "finite number"),
        ((";60;1400", ";60;40 %"), 3, "Fan speed (rpm)", "duty is not its speed"),
        ((";;218;", ";;-1;"), 6, "power_limit_w", "above 0"),
        (("power_limit_w", "powr_limit_w"), 1, "powr_limit_w", "power_limit_w"),
        (("temperature_c", "fan_rpm"), 1, "Fan speed (rpm)", "already"),
        (("fan_control;", "remark;"), 1, "fan_control", "add it"),
    ],
)
def test_each_mistake_is_reported_with_file_row_and_heading(write, change, row, heading, words):
    assert TABLE.count(change[0]) == 1
    faults = faults_of(write(TABLE.replace(*change)), NAMED)
    reported = [fault for fault in faults if (fault.row, fault.column) == (row, heading)]
    assert reported, faults
    assert words in str(reported[0])
    assert reported[0].file == "firmware.csv"


def test_all_mistakes_are_reported_at_once(write):
    broken = TABLE.replace("fixed speed", "fixed").replace(";90;3000", ";90;300")
    assert [fault.row for fault in faults_of(write(broken), NAMED)] == [5, 6]


def test_a_table_without_rows_or_heading_is_refused(write):
    assert "no rows" in str(faults_of(write(TABLE.splitlines()[0]), NAMED)[0])
    assert "no such heading" in str(faults_of(write(TABLE), {**NAMED, "Fan": "fan_rpm"})[0])
    with pytest.raises(FileNotFoundError):
        tc.read_firmware("nowhere.csv")


def test_a_decimal_mark_must_be_clear(write):
    unclear = TABLE.replace("2,5", "2").replace("0,225 kW", "225").replace("1400", "1,400")
    assert "declare decimal" in str(faults_of(write(unclear), NAMED)[0])
    found = tc.read_firmware(write(unclear), NAMED, decimal=".")
    assert found["fw 1"].fan.fan_rpm[1] == 1400.0
    both = TABLE.replace("45;900", "45.5;900")
    assert "both decimal marks" in str(faults_of(write(both), NAMED)[0])


def test_the_table_of_the_page_is_read_and_its_words_are_all_there_are(write):
    page = (Path(__file__).parents[2] / "docs" / "firmware.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"^```text\n(.*?)^```", page, re.DOTALL | re.MULTILINE)
    found = tc.read_firmware(write(text))
    assert found["fw 1"].fan == tc.FanCurve((45.0, 60.0, 90.0), (900.0, 1400.0, 3000.0))
    assert found["fw 2"].fan == tc.TargetTemperature(63.0, 900.0, 2600.0)
    assert [one.power_limit_w for one in found.values()] == [225.0, 218.0, None]
    kinds = {kind.name for kind in thermcmp_fan_controls()}
    assert set(re.findall(r"^\| `([a-z ]+)` \| `", page, re.MULTILINE)) == kinds
    names = set(re.findall(r"`([a-z_]+)`", page))
    assert {column.name for column in (*FIRMWARE_COLUMNS, *DUTY_COLUMNS)} - names == {"firmware"}
    statuses = page.split("| status of a draw |")[1].split("\n\n")[0]
    assert all(str(status) in statuses for status in FanStatus)
