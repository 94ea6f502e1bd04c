"""Builds by their names."""

from types import SimpleNamespace

import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.prediction.builds import build_of, split_name

ROWS = pd.DataFrame(
    {
        "product": ["Alder r1", "Alder r1 / fw 2", "Alder r2 w/ new pads", None],
        "cooler_model": ["C1", "C2", "C3", "C4"],
        "board_model": "Kestrel",
        "assembly_kind": "factory",
        "firmware": ["fw 1", "fw 2", "2026/03", None],
    }
).convert_dtypes()


@pytest.mark.parametrize(
    ("name", "product", "firmware"),
    [
        ("Alder r1", "Alder r1", ""),
        ("Alder r1 / fw 1", "Alder r1", "fw 1"),
        ("Alder r1/fw 1", "Alder r1", "fw 1"),
        # A product's whole name goes before a product under a firmware.
        ("Alder r1 / fw 2", "Alder r1 / fw 2", ""),
        ("Alder r1 / fw 2 / fw 1", "Alder r1 / fw 2", "fw 1"),
        ("Alder r2 w/ new pads", "Alder r2 w/ new pads", ""),
        ("Alder r2 w/ new pads / fw 1", "Alder r2 w/ new pads", "fw 1"),
        ("Alder r1 / 2026/03", "Alder r1", "2026/03"),
        ("Alder r1 / none", "Alder r1", "none"),
        ("Linden / fw 1", "Linden", "fw 1"),
    ],
)
def test_a_slash_in_a_name_is_part_of_it_where_the_rows_say_so(name, product, firmware):
    assert split_name(ROWS, name) == (product, firmware)


def test_a_build_has_the_parts_of_the_product_meant():
    fit = SimpleNamespace(design=SimpleNamespace(rows=ROWS))
    assert build_of(fit, "Alder r1 / fw 2").cooler_model == "C2"
    assert build_of(fit, "Alder r2 w/ new pads / fw 1").cooler_model == "C3"
    with pytest.raises(InputError, match="none"):
        build_of(fit, "Alder r1 / none")
