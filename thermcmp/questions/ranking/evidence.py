"""Direct and indirect evidence of the pairs of products, and the pair on which it disagrees."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.inference.checks.laboratories.between import between, lab_weights
from thermcmp.inference.checks.laboratories.direct_evidence import (
    MOST_CELLS,
    Splits,
    farthest_cell,
    odd_place,
    shared_products,
    split_pairs,
)
from thermcmp.model.design import EXPONENT
from thermcmp.model.links import places_of
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.equal_conditions import ranked_builds, rows_of_products
from thermcmp.prediction.fitted_build import FittedBuild, rise_weights
from thermcmp.questions.phrases import few_named, number_words, percent_words

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit

#: Chance under which evidence is said to disagree.
DISAGREES: Final = 0.05


def evidence_table(fit: Fit) -> pd.DataFrame:
    """Return a row per pair with evidence of both kinds, the one that agrees least first."""
    import pandas as pd

    names, splits = _evidence(fit)
    columns = [
        "product", "rival", "direct_k", "direct_error_k", "indirect_k", "indirect_error_k",
        "differ_k", "differ_error_k", "p_any", "together", "around",
    ]  # fmt: skip
    if splits is None:
        return pd.DataFrame(columns=columns)
    table = pd.DataFrame(
        {
            "product": [names[k] for k in splits.pairs[:, 0]],
            "rival": [names[k] for k in splits.pairs[:, 1]],
            **{column: getattr(splits, column) for column in columns[2:9]},
            "together": [few_named(places) for places in splits.together],
            "around": [_way(names, path) for path in splits.around],
        }
    )
    table["far"] = -(table["differ_k"] / table["differ_error_k"]).abs()
    return table.sort_values("far", kind="stable", ignore_index=True)[columns]


def evidence_sentences(fit: Fit) -> list[str]:
    """Name the pair on which evidence disagrees, and the place that scatters, if there are any."""
    return fit.once("evidence that disagrees", lambda model: [*_sentences(model), *_odd(model)])


def odd_lab_words(fit: Fit) -> list[str]:
    """Name the laboratory that reads farther off than like ones would, if there is one."""
    if fit.design.term_position("lab") is None:
        return []
    names, weights = lab_weights(fit)
    compared = between(fit, "lab", weights)
    far = int(np.argmin(compared.p_odd))
    chance = float(compared.p_odd[far])
    if chance >= DISAGREES:
        return []
    off_k = float(compared.offset_k[far])
    return [
        f"{names[far]} reads {number_words(abs(off_k))} ± "
        f"{number_words(float(compared.error_k[far]))} K {_warmth(off_k)} than the mean of all "
        f"laboratories, more than like ones would (chance {percent_words(chance)}), and widens "
        "every temperature. Fix: ask for its thermometer, its air, and whether it gives rises or "
        "peaks for temperatures; fit without it to see what it does."
    ]


def _odd(fit: Fit) -> list[str]:
    """Name the place whose products lie off what all other runs suggest."""
    count = shared_products(fit, rows_of_products(fit))[1]
    if count > MOST_CELLS:
        return [
            "Whether one place ranks the products unlike all others was not looked at, since they "
            f"have {count} places in all, over {MOST_CELLS}. Fix: fit some of the laboratories."
        ]
    odd = odd_place(fit, rows_of_products(fit))
    if odd is None or odd.p_any >= DISAGREES:
        return []
    off, others = number_words(abs(odd.off_k)), number_words(odd.others_k)
    chance = f"(chance that the oddest of like ones is as far: {percent_words(odd.p_any)})"
    if odd.product is not None:
        product, side = list(ranked_builds(fit, None))[odd.product], _warmth(odd.off_k)
        return [
            f"{product} at {odd.name} is {off} K {side} than all other runs suggest, where such "
            f"deviations are {others} K elsewhere (root mean square) {chance}. Fix: look at those "
            "runs, and fit without them to see what they do."
        ]
    return [
        f"{odd.name} ranks the products unlike all others: they lie {off} K (root mean square) off "
        f"what all other runs suggest, those of the others {others} K {chance}. Fix: look at its "
        "runs, and fit without them to see what they do."
    ]


def _sentences(fit: Fit) -> list[str]:
    table, (names, splits) = evidence_table(fit), _evidence(fit)
    if splits is None:
        return []
    capped = []
    if splits.passed_over:
        count = len(splits.pairs)
        capped.append(
            f"Direct and indirect evidence was compared for the {count} pairs that share the most "
            f"places, of {count + splits.passed_over}; disagreement between the others is not seen."
        )
    hit = table[table["p_any"] < DISAGREES]
    if not len(hit):
        return capped
    worst = int(np.argmax(np.abs(splits.differ_k) / splits.differ_error_k))
    products = [node for node in splits.around[worst] if isinstance(node, int)]
    product, place, off, error = farthest_cell(fit, rows_of_products(fit), products)
    row = hit.iloc[0]
    more = "" if len(hit) == 1 else f" So do {len(hit) - 1} more pairs, which may have one cause."
    return [
        f"Evidence on {row['product']} and {row['rival']} disagrees: run side by side "
        f"({row['together']}) {row['rival']} is {_side(row['direct_k'], row['direct_error_k'])}, "
        f"by way of other products ({row['around']}) "
        f"{_side(row['indirect_k'], row['indirect_error_k'])} (chance that any pair is as far "
        f"apart where all agree: {percent_words(row['p_any'])}).{more} Their order mixes both. "
        f"Farthest off: {names[product]} at {place}, {_side(off, error)} than all other runs "
        "suggest. Fix: look at those runs, or run the two side by side at one more place.",
        *capped,
    ]


def _evidence(fit: Fit) -> tuple[list[str], Splits | None]:
    return fit.once("direct evidence", _split)


def _split(fit: Fit) -> tuple[list[str], Splits | None]:
    builds, reference = ranked_builds(fit, None), fit.reference
    if places_of(fit.design) is None or not builds:
        return [], None
    exponent = float(np.mean(fit.draws(EXPONENT)))
    fitted = [FittedBuild(fit, build, Scope.PRODUCT_LINE) for build in builds.values()]
    weights = rise_weights(fitted, reference.flow_speed, reference.power_w)(exponent)
    return list(builds), split_pairs(fit, rows_of_products(fit), weights)


def _way(names: list[str], path: tuple[int | str, ...]) -> str:
    """Return the way round in words: "Kite at Ash, Heron at Birch, Swift"."""
    words = [names[node] if isinstance(node, int) else f" at {node}, " for node in path]
    return "".join(words)


def _side(value: float, error: float) -> str:
    return f"{number_words(abs(value))} ± {number_words(error)} K {_warmth(value)}"


def _warmth(value: float) -> str:
    return "warmer" if value > 0.0 else "cooler"
