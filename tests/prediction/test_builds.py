"""Builds by their names."""

from types import SimpleNamespace

import pandas as pd
import pytest

from thermcmp.errors import InputError
from thermcmp.inference.fitting import fit
from thermcmp.prediction.builds import build_of, split_name, unclear_products
from thermcmp.questions.separation.question import separate

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


@pytest.mark.parametrize(
    ("coolers", "kinds", "said"),
    [
        # A cooler swapped onto the product's board beside the product as shipped.
        ("C1 C1 C1 C2", "factory bench bench bench", []),
        ("C1 C1 C2 C2", "bench bench bench bench", ["C1 on Kestrel", "runs of C2"]),
        # The factory assembly has a cooler that is not that of most runs.
        ("C2 C1 C1 C1", "factory bench bench bench", ["C2 on Kestrel", "runs of C1"]),
        ("C1 C1 C1 C2", "factory bench bench factory", ["C1 on Kestrel", "runs of C2"]),
    ],
)
def test_a_product_whose_rows_may_mean_another_pair_is_named(coolers, kinds, said):
    rows = pd.DataFrame(
        {
            "product": "Alder",
            "cooler_model": coolers.split(),
            "board_model": "Kestrel",
            "assembly_kind": kinds.split(),
        }
    ).convert_dtypes()
    sentences = unclear_products(rows)
    assert len(sentences) == bool(said)
    assert all(words in sentences[0] for words in said)
    taken = build_of(SimpleNamespace(design=SimpleNamespace(rows=rows)), "Alder").cooler_model
    assert not said or said[0].startswith(taken)


def test_a_cooler_named_wrongly_in_the_factory_assembly_is_in_the_caveats(specimens):
    rows = specimens.fit.results.copy()
    slip = rows["product"].eq("Alder r1") & rows["assembly_kind"].eq("factory")
    # An id would say that it is the old one.
    rows.loc[slip, ["cooler_model", "cooler_id"]] = ["Alder-C2", None]
    answer = separate(fit(rows, "memory", draws=400, seed=5, expand="none"))
    words = "Product 'Alder r1' is taken to be Alder-C2 on Alder-B1, but has runs of Alder-C1"
    assert [caveat for caveat in answer.caveats if caveat.startswith(words)]


PLOVERS = pd.DataFrame(
    [
        ("Plover", "os 1"),
        ("Plover", "os 2"),
        ("Plover II", "os 31"),
        ("Kite", None),
    ],
    columns=["product", "firmware"],
).assign(cooler_model="C", board_model="B", assembly_kind="bench")


@pytest.mark.parametrize(
    ("name", "fix"),
    [
        (
            "Plover / os2",
            "did you mean 'Plover / os 2'? Else use a firmware that Plover was run with: os 1, "
            "os 2; or another product's: os 31",
        ),
        ("Plover / os 3", "use a firmware that Plover was run with: os 1, os 2; or another"),
        ("Kite / os 3", "leave the firmware out, since the rows of Kite name none; or another"),
        ("Plovr", "did you mean 'Plover'? Or use one of: Kite, Plover, Plover II"),
        ("kyte", "did you mean 'Kite'? Or use one of: Kite, Plover, Plover II"),
        ("Zz", "use one of: Kite, Plover, Plover II; or give a Build"),
    ],
)
def test_what_a_misspelt_build_may_mean_is_named(name, fix):
    model = SimpleNamespace(design=SimpleNamespace(rows=PLOVERS))
    with pytest.raises(InputError) as error:
        build_of(model, name)
    assert f"Fix: {fix}" in str(error.value)
