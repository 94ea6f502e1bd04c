"""Sets of priors that plug-ins add under a name."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from difflib import get_close_matches

import numpy as np

from thermcmp.errors import Fault, InputError, suggest
from thermcmp.hooks import NamedPriors, find_provided, provided
from thermcmp.model.priors import Prior

_HOOK = "thermcmp_prior_sets"
#: A name whose letters agree by this ratio with that of a parameter is misspelt.
_MISSPELT = 0.88


def stated_priors(
    priors: str | Mapping[str, Prior] | None, parameters: Collection[str]
) -> Mapping[str, Prior] | None:
    """Return priors by parameter name: those stated, or what a named set has for these."""
    if not isinstance(priors, str):
        return priors
    entry = find_provided(_HOOK, priors)
    if entry is None:
        fix = suggest(priors, [each.key for each in provided(_HOOK)])
        fault = Fault("no such set of priors", fix, column="priors", value=priors)
        raise InputError("The fit cannot start:", [fault])
    # A set is for many fits: one without memory vendors has no spread between them.
    stated: Mapping[str, Prior] = entry.item.priors
    used = {name: prior for name, prior in stated.items() if name in parameters}
    # A slip in a name would leave the prior out without a word.
    slips = {name: get_close_matches(name, parameters, n=1, cutoff=_MISSPELT)
             for name in stated if name not in used}  # fmt: skip
    faults = [
        Fault("no such parameter", f"did you mean '{near[0]}'?", column="priors", value=name)
        for name, near in slips.items()
        if near and near[0] not in used
    ]
    if not used and not faults:
        fix = f"name some of: {', '.join(parameters)}"
        faults = [Fault("none of its priors is of this fit", fix, column="priors", value=priors)]
    if faults:
        raise InputError(f"{entry.owner}: its prior set '{priors}' cannot be used:", faults)
    return used


def faults_of_prior_sets(stated: NamedPriors) -> Iterator[Fault]:
    """Yield what is wrong with the priors of a plug-in's set."""
    if not stated.priors:
        yield Fault("no priors", "give them by parameter name", column="priors")
    for name, prior in stated.priors.items():
        if not isinstance(name, str) or not isinstance(prior, Prior):
            fix = "use HalfNormal, HalfCauchy, Normal or Gamma, by parameter name"
            yield Fault("not a prior", fix, column="priors", value=f"{name}: {prior}")
        elif not np.isfinite(prior.from_standard(np.zeros(1))).all():
            yield Fault("not a proper prior", "correct its values", column=name)
