"""Sentences of a comparison of models."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermcmp.inference.comparison.predictive_density import predict_alike
from thermcmp.questions.model_claims import HOLDS, turned_sentences
from thermcmp.questions.phrases import chance_words, number_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.comparison.candidates import Candidates
    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.model_claims import Claim


def comparison_sentences(
    candidates: Candidates, claims: Sequence[Claim], *, budget_s: float, prob: float
) -> list[str]:
    """State what was compared, why the fit has its terms, and which answers hang on them."""
    fit = candidates.each[0].fit
    count = len(candidates.each)
    sentences = [
        f"{count} models of the same rows were compared by how well each predicts an assembly "
        f"from all other rows ({candidates.assemblies} assemblies). The budget is {budget_s:g} s, "
        "after which no further model is started.",
        _why(fit),
        _standing(candidates),
        *claim_sentences(claims, prob),
    ]
    moved = max(claims, key=lambda claim: abs(claim.farthest[1]), default=None)
    if moved is not None and moved.farthest[1]:
        model, change_k = moved.farthest
        sentences.append(
            f"Largest move among the models that predict about as well: {moved.name} by "
            f"{number_words(change_k, sign='+')} K under '{model}'."
        )
    return sentences


def claim_sentences(claims: Sequence[Claim], prob: float) -> list[str]:
    """Name the answers that hang on the model, or state that none does."""
    sentences = turned_sentences(claims, prob)
    held = sum(claim.verdict(prob) == HOLDS for claim in claims)
    if not sentences and held:
        sentences.append(
            f"{held} sure sign{'s hold' if held > 1 else ' holds'} under every model that predicts "
            "about as well."
        )
    return sentences


def comparison_caveats(candidates: Candidates, *, is_student_asked: bool) -> list[str]:
    """State what limits the comparison."""
    fit, caveats = candidates.each[0].fit, []
    if any(expansion.outlier is not None for expansion in fit.expansions):
        caveats.append(
            "An outlier was freed by a look at the rows on which the models are compared, which "
            "favours the models that free it."
        )
    if candidates.late:
        caveats.append(
            f"No time was left for: {', '.join(candidates.late)}. Fix: give a larger budget_s."
        )
    if candidates.bad:
        caveats.append(f"Fits in bad health, left out: {', '.join(candidates.bad)}.")
    unsure = {model.name: len(model.density.unsure) for model in candidates.each}
    doubtful = [f"{name} ({number})" for name, number in unsure.items() if number]
    if doubtful:
        caveats.append(
            "The density of some assemblies may be stated too high, since their weights cannot "
            f"be trusted and they were not refitted: {', '.join(doubtful)}."
        )
    if not is_student_asked and fit.engine == "conditional":
        caveats.append(
            "Student's t was not compared, since its sampler may take minutes: student=True adds "
            "it."
        )
    return caveats


def _why(fit: Fit) -> str:
    """State which terms the rows called for, or that they called for none."""
    reasons = []
    for expansion in fit.expansions:
        if expansion.outlier is not None:
            off = expansion.outlier
            chance = chance_words(off.chance, fit.draw_count)
            reasons.append(f"{off.kind} {off.name} is freed (chance of being so far off {chance})")
        else:
            reasons.append(
                f"the assemblies of {expansion.cooler} have a spread of their own (they may not "
                "be taken to spread as those of the others)"
            )
    if fit.design.term_position("pairing") is not None:
        reasons.append("a cooler's effect may depend on the board (coolers and boards crossed)")
    if not reasons:
        return "The fit is the plain model: its rows called for no further term."
    return f"What the fit has beyond the plainest model, and why: {'; '.join(reasons)}."


def _standing(candidates: Candidates) -> str:
    """State how well the fit predicts among the models."""
    fitted, best = candidates.each[0], candidates.best
    apart, error = best.density.difference(fitted.density)
    if best is fitted:
        return "The fit predicts assemblies best."
    by = f"by {apart:.1f} in log density (standard error {error:.1f})"
    if predict_alike(apart, error):
        return f"No model predicts clearly better than the fit; the best is '{best.name}', {by}."
    return (
        f"'{best.name}' predicts assemblies clearly better than the fit, {by}. Fix: ask your "
        f"questions of models[{best.name!r}] of this answer."
    )
