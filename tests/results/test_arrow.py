"""Results frames as Arrow tables."""

import string

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermcmp.errors import InputError
from thermcmp.results.arrow import SCHEMA, canonical_extras, concat, from_arrow, to_arrow
from thermcmp.results.hashing import content_hash, row_texts
from thermcmp.results.schema import COLUMNS, NAMES, SCHEMA_VERSION
from thermcmp.results.validation import check_results
from thermcmp.tabular.coercion import build
from thermcmp.tabular.column import Kind

WORDS = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cs",)), min_size=1, max_size=6
).filter(lambda text: text == text.strip())
VALUES = {
    Kind.TEXT: WORDS,
    Kind.NUMBER: st.floats(allow_nan=False, allow_infinity=False),
    Kind.COUNT: st.integers(1, 2**53),
    Kind.FLAG: st.booleans(),
    Kind.TIME: st.datetimes(
        pd.Timestamp("1900-01-01").to_pydatetime(), pd.Timestamp("2200-01-01").to_pydatetime()
    ),
}


def plain_frame(**extra):
    frame = pd.DataFrame(
        {
            "run": ["r1", "r2", "r3"],
            "sensor": "memory",
            "cooler_model": "Alder",
            "board_model": "Kestrel",
            "temperature_c": [84.0, 85.5, 80.0],
            "ambient_c": 21.0,
            "power_w": 220.0,
        }
    )
    return check_results(frame.assign(**extra))


@st.composite
def canonical_frames(draw):
    size = draw(st.integers(0, 4))
    columns = {}
    for column in COLUMNS:
        # An absent value is the usual state of an optional column, so it is drawn often.
        value = VALUES[column.kind]
        if not column.required and draw(st.booleans()):
            value = st.none()
        elif not column.required:
            value = st.none() | value
        columns[column.name] = build(draw(st.lists(value, min_size=size, max_size=size)), column)
    return pd.DataFrame(columns)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(canonical_frames())
def test_any_canonical_frame_comes_back_equal(frame):
    table = to_arrow(frame)
    pd.testing.assert_frame_equal(from_arrow(table), frame)
    sink = pa.BufferOutputStream()
    pa.parquet.write_table(table, sink)
    back = pa.parquet.read_table(pa.BufferReader(sink.getvalue()))
    pd.testing.assert_frame_equal(from_arrow(back), frame)
    assert back.schema.equals(table.schema)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(canonical_frames(), st.randoms(use_true_random=False))
def test_the_hash_holds_values_and_neither_order_nor_empty_columns(frame, random):
    rows, names = list(range(len(frame))), list(frame.columns)
    random.shuffle(rows)
    random.shuffle(names)
    mixed = frame.iloc[rows][names]
    mixed = mixed.assign(spare=pd.Series(pd.NA, index=mixed.index, dtype="string"))
    assert content_hash(mixed) == content_hash(frame)
    if len(frame) and pd.notna(frame.loc[0, "power_w"]):
        changed = frame.copy()
        changed.loc[0, "power_w"] = np.nextafter(changed.loc[0, "power_w"], 1.0)
        if frame.loc[0, "power_w"] != changed.loc[0, "power_w"]:
            assert content_hash(changed) != content_hash(frame)


def test_units_meaning_and_version_travel_with_the_table():
    schema = to_arrow(plain_frame()).schema
    assert schema.names == list(NAMES)
    assert schema.field("power_w").metadata == {b"unit": b"W", b"meaning": b"board power"}
    assert schema.field("temperature_c").metadata[b"unit"] == "°C".encode()
    assert schema.metadata[b"thermcmp.schema_version"] == str(SCHEMA_VERSION).encode()


def test_empty_columns_keep_their_type_and_whole_numbers_stay_numbers():
    table = to_arrow(plain_frame(temperature_c=[84, 85, 80], noise_dba=None, memory_vendor=None))
    assert table.schema.field("noise_dba").type == pa.float64()
    assert table.schema.field("memory_vendor").type == pa.string()
    assert table.schema.field("temperature_c").type == pa.float64()
    assert table.schema.equals(to_arrow(plain_frame().iloc[:0]).schema)
    assert table.schema.equals(SCHEMA)


EXTRAS = {
    "words": ["a", None, "ü"],
    "nothing": None,
    "gaps": [1.5, np.nan, 2.0],
    "empty": np.nan,
    "whole": pd.array([1, None, 3], dtype="Int64"),
    "yes": [True, None, False],
    "local": pd.to_datetime(["2026-03-09 14:05"] * 3),
    "zoned": pd.to_datetime(["2026-03-09 14:05"] * 3).tz_localize("Europe/Berlin"),
    "chosen": pd.Categorical(["x", "y", "x"]),
    "mixed numbers": pd.Series([1, 2.5, None], dtype=object),
}


def test_extra_columns_of_every_kind_are_kept():
    frame = canonical_extras(plain_frame(**EXTRAS))
    assert {name: str(frame[name].dtype) for name in EXTRAS} == {
        "words": "string",
        "nothing": "string",
        "gaps": "float64",
        "empty": "float64",
        "whole": "Int64",
        "yes": "boolean",
        "local": "datetime64[us]",
        "zoned": "datetime64[us, UTC]",
        "chosen": "string",
        "mixed numbers": "float64",
    }
    pd.testing.assert_frame_equal(from_arrow(to_arrow(plain_frame(**EXTRAS))), frame)
    pd.testing.assert_frame_equal(canonical_extras(frame), frame)


@pytest.mark.parametrize("value", [[1, "a", None], [[1], [2], [3]], [b"x", b"y", b"z"]])
def test_an_extra_column_that_mixes_kinds_is_refused(value):
    with pytest.raises(InputError, match=r"mixes kinds|not a single value"):
        to_arrow(plain_frame(extra=pd.Series(value, dtype=object)))


def test_stacking_keeps_every_extra_column():
    first = canonical_extras(plain_frame(a=[1, 2, 3], b=None, c="x"))
    second = canonical_extras(plain_frame(a=[1.5, 2, 3], b=[7, 8, 9], d=True))
    third = canonical_extras(plain_frame(c=[1, 2, 3]))
    whole = concat([first, second, third])
    assert len(whole) == 9
    assert whole["a"].dropna().tolist() == [1, 2, 3, 1.5, 2, 3]
    assert whole["b"].dropna().tolist() == [7, 8, 9]
    assert whole["c"].dropna().tolist() == ["x", "x", "x", "1", "2", "3"]
    assert whole["d"].notna().sum() == 3
    assert {n: str(whole[n].dtype) for n in "abcd"} == {
        "a": "float64",
        "b": "Int64",
        "c": "string",
        "d": "boolean",
    }


def test_a_number_equals_itself_however_its_column_is_stored():
    whole = row_texts(canonical_extras(plain_frame(a=[1, 2, 3])))
    floats = row_texts(canonical_extras(plain_frame(a=[1.0, 2.0, 3.0])))
    words = row_texts(canonical_extras(plain_frame(a=["1", "2", "3"])))
    assert whole == floats
    assert whole != words


@settings(max_examples=50, deadline=None, derandomize=True)
@given(st.text(string.printable, min_size=1, max_size=8))
def test_no_text_is_taken_for_a_number(text):
    texts = row_texts(pd.DataFrame({"a": pd.Series([1.5, True, text], dtype=object)}))
    assert len(set(texts)) == 3


def test_a_table_of_another_schema_is_refused_with_all_reasons():
    table = to_arrow(plain_frame()).drop_columns(["lab"])
    spot = table.schema.get_field_index("power_w")
    table = table.set_column(spot, "power_w", table["power_w"].cast(pa.float32()))
    table = table.append_column("odd", pa.array([[1], [2], [3]]))
    with pytest.raises(InputError) as caught:
        from_arrow(table)
    assert {f.column for f in caught.value.faults} == {"lab", "power_w", "odd"}


def test_the_hash_is_the_one_of_the_first_release():
    # Made by hand from FIPS 180-4: sha256 of the statement and the sorted row texts.
    import hashlib

    frame = plain_frame().iloc[:1]
    text = (
        b'{}\n{"ambient_c":["number","0x1.5000000000000p+4"],"board_model":"Kestrel",'
        b'"cooler_model":"Alder","power_w":["number","0x1.b800000000000p+7"],"run":"r1",'
        b'"sensor":"memory","temperature_c":["number","0x1.5000000000000p+6"]}'
    )
    assert content_hash(frame) == hashlib.sha256(text).hexdigest()
