"""The parts of a page before it is set in HTML."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from thermcmp.errors import PluginError
from thermcmp.inference.diagnostics import Diagnostics
from thermcmp.inference.sensor_fits import one_posterior
from thermcmp.questions.fit_check.question import FitCheck, check_fit
from thermcmp.questions.pictures import picture_uri
from thermcmp.questions.separation.contrasts import short_effect
from thermcmp.questions.table_words import WordedTable, worded_table
from thermcmp.reporting.cautions import Work, cautions_for
from thermcmp.reporting.fit_names import fit_names, fitted_to
from thermcmp.reporting.glossary import Term, terms_used
from thermcmp.reporting.summary import Summary, leading, make_summary

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.hooks import Section
    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.answer import Answer
    from thermcmp.telemetry.campaign.folder import Reduced

#: What is counted for the data section, with its heading.
_COUNTED: Final = {
    "product": "Products",
    "cooler_id": "Cooler specimens",
    "board_id": "Board specimens",
    "assembly": "Assemblies",
    "session": "Sessions",
    "bench": "Benches",
    "lab": "Labs",
}

#: Fields that a fit often has in common with another of the page.
_ALIKE: Final = ("aliases", "notes", "priors", "versions")


@dataclass(frozen=True, slots=True)
class AnswerPart:
    """One answer on the page."""

    anchor: str
    label: str
    answer: Answer
    picture: str
    #: The figure for a narrow screen.
    narrow: str
    alternative: str
    table: WordedTable
    further: tuple[tuple[str, WordedTable], ...] = ()
    said_before: frozenset[str] = frozenset()

    @property
    def new_caveats(self) -> tuple[str, ...]:
        """Caveats that no answer above has."""
        return tuple(c for c in self.answer.caveats if c not in self.said_before)

    @property
    def known_caveats(self) -> tuple[str, ...]:
        """Caveats that an answer above has too; the page folds them away."""
        return tuple(c for c in self.answer.caveats if c in self.said_before)


@dataclass(frozen=True, slots=True)
class FitPart:
    """Aliases and data of one fit; `alike` names a fit before it that has the same of some."""

    name: str
    parameters: WordedTable
    priors: WordedTable
    aliases: tuple[str, ...]
    notes: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    versions: tuple[tuple[str, str], ...]
    alike: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class HealthPart:
    """Health of one or more fits with the same findings."""

    names: tuple[str, ...]
    health: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TrustPart:
    """How far one fit can be trusted; `same_draws` names a fit before it of the same draws."""

    name: str
    fitted_to: str
    sentences: tuple[str, ...]
    diagnostics: WordedTable
    same_draws: str
    predictive: AnswerPart
    left_out: AnswerPart
    units: WordedTable
    unit: str
    outliers: WordedTable | None
    parameters: WordedTable
    small_k: float


@dataclass(frozen=True, slots=True)
class AddedPart:
    """A plug-in's section: its HTML, or why it is missing."""

    title: str
    html: str
    failure: str


@dataclass(frozen=True, slots=True)
class Page:
    """The whole page."""

    title: str
    dated: str
    bad_health_allowed: bool
    answers: tuple[AnswerPart, ...]
    health: tuple[HealthPart, ...]
    fits: tuple[FitPart, ...]
    trust: tuple[TrustPart, ...]
    added: tuple[AddedPart, ...]
    cautions: Mapping[Work, tuple[str, ...]]
    terms: tuple[Term, ...]
    refused: WordedTable | None
    log_cautions: tuple[str, ...]
    summary: Summary
    #: The answer whose figure stands on the first screen.
    lead: AnswerPart | None


def make_page(
    answers: Sequence[Answer],
    fits: Sequence[Fit],
    sections: Sequence[Section],
    *,
    title: str,
    dated: str,
    bad_health_allowed: bool,
    reduced: Reduced | None = None,
    remarks: Sequence[str] = (),
) -> Page:
    """Gather the parts of the page."""
    kinds = [answer.kind for answer in answers]
    parts = tuple(
        replace(
            _part(
                f"answer-{number}",
                answer.title if kinds.count(answer.kind) > 1 else answer.kind.capitalize(),
                answer,
            ),
            said_before=frozenset(c for earlier in answers[: number - 1] for c in earlier.caveats),
        )
        for number, answer in enumerate(answers, start=1)
    )
    names = fit_names(fits)
    fit_parts = _fit_parts(names, fits)
    trust = _trust_parts(names, fits)
    words = [text for answer in answers for text in (*answer.sentences, *answer.caveats)]
    shown = [*words, *(answer.title for answer in answers)]
    shown += [answer.interval_kind for answer in answers]
    tables = [table for part in parts for table in (part.table, *(t for _, t in part.further))]
    shown += [text for table in tables for text in table.headings]
    shown += [cell.text for table in tables for row in table.rows for cell in row]
    shown += [text for part in fit_parts for text in part.aliases]
    shown += [text for part in trust for text in (*part.sentences, *part.parameters.headings)]
    return Page(
        title=title,
        dated=dated,
        bad_health_allowed=bad_health_allowed,
        answers=parts,
        health=_health_parts(names, fits),
        fits=fit_parts,
        trust=trust,
        added=tuple(_added_part(section, fits, answers) for section in sections),
        cautions=cautions_for([*words, *(text for part in fit_parts for text in part.aliases)]),
        terms=terms_used(shown),
        refused=None
        if reduced is None or reduced.refused.empty
        else worded_table(reduced.refused[["run", "sensor", "reason", "file"]]),
        log_cautions=() if reduced is None else reduced.cautions,
        summary=make_summary(
            answers,
            fits,
            [(part.label, part.anchor) for part in parts],
            reduced=reduced,
            remarks=remarks,
        ),
        lead=next((part for part in parts if part.answer is leading(answers)), None),
    )


def _health_parts(names: Sequence[str], fits: Sequence[Fit]) -> tuple[HealthPart, ...]:
    """Return the health of the fits, those alike together; the summary has what else stands out."""
    alike: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for name, fit in zip(names, fits, strict=True):
        alike.setdefault((str(fit.health), fit.diagnostics.sentences), []).append(name)
    return tuple(HealthPart(tuple(of), *health) for health, of in alike.items())


def _part(anchor: str, label: str, answer: Answer) -> AnswerPart:
    return AnswerPart(
        anchor=anchor,
        label=label,
        answer=answer,
        picture=picture_uri(answer),
        narrow=picture_uri(answer, "phone"),
        alternative=f"{answer.alt_text} The table after the figure holds the same numbers.",
        table=worded_table(answer.shown_table, folded=True),
        further=tuple(
            (caption, worded_table(table, folded=True))
            for caption, table in answer.further_tables.items()
        ),
    )


def _trust_parts(names: Sequence[str], fits: Sequence[Fit]) -> tuple[TrustPart, ...]:
    """Return the checks of each fit; those of draws that fits share are shown once."""
    parts = []
    for number, (name, fit) in enumerate(zip(names, fits, strict=True)):
        joint = [place for place in range(number) if one_posterior((fits[place], fit))]
        shown = fits[joint[0]].diagnostics.checks if joint else ()
        checks = Diagnostics(tuple(c for c in fit.diagnostics.checks if c not in shown))
        same = names[joint[0]] if joint else ""
        parts.append(_trust_part(number + 1, name, check_fit(fit), checks, same))
    return tuple(parts)


def _trust_part(
    number: int, name: str, check: FitCheck, checks: Diagnostics, same_draws: str
) -> TrustPart:
    """Return the checks of one fit; its two figures are answers, and are set as such."""
    # Long names would be squeezed to a word per line beside so many numbers.
    left_out = check.left_out.shown_table
    left_out = left_out.assign(effect=[short_effect(name) for name in left_out["effect"]])
    return TrustPart(
        name=name,
        fitted_to=fitted_to(check.fit),
        sentences=check.sentences,
        same_draws=same_draws,
        diagnostics=worded_table(checks.table),
        predictive=_part(f"predictive-{number}", "Predictive check", check.predictive),
        left_out=replace(
            _part(f"left-out-{number}", "Left-out check", check.left_out),
            table=worded_table(left_out, folded=True),
        ),
        units=worded_table(_unusual(check.left_out.units)),
        unit=check.left_out.unit,
        outliers=worded_table(check.outliers) if len(check.outliers) else None,
        parameters=worded_table(check.parameters),
        small_k=check.small_k,
    )


def _unusual(units: pd.DataFrame) -> pd.DataFrame:
    """Return the units that were left out otherwise than most; the answer has them all."""
    usual = units["action"].mode()
    return units[~units["action"].isin(usual)] if len(usual) else units


def _fit_parts(names: Sequence[str], fits: Sequence[Fit]) -> tuple[FitPart, ...]:
    """Return data and model of each fit; what an earlier fit has too refers to that one."""
    parts: list[FitPart] = []
    for name, fit in zip(names, fits, strict=True):
        results, reference = fit.design.rows, fit.reference
        facts = [("Rows used", str(len(results)))]
        for column, heading in _COUNTED.items():
            count = results[column].nunique() if column in results else 0
            if count:
                facts.append((heading, str(count)))
        at = f"{reference.power_w:g} W, {reference.flow_speed:g} {fit.design.law.unit}"
        facts.append(("Reference conditions", at))
        facts.append(("Engine", f"{fit.engine} ({fit.engine_reason})"))
        facts.append(("Data fingerprint", f"SHA-256 {fit.fingerprint}"))
        part = FitPart(
            name=name,
            parameters=worded_table(fit.table, folded=True),
            priors=worded_table(fit.priors.table),
            aliases=fit.aliases.sentences,
            notes=(*fit.design.notes, *(str(item) for item in fit.design.left_out)),
            facts=tuple(facts),
            versions=tuple(fit.versions.items()),
            alike={},
        )
        # The first fit before it that has the same, by field.
        alike = {
            field: earlier.name
            for field in _ALIKE
            for earlier in reversed(parts)
            if getattr(earlier, field) == getattr(part, field)
        }
        parts.append(replace(part, alike=alike))
    return tuple(parts)


def _added_part(section: Section, fits: Sequence[Fit], answers: Sequence[Answer]) -> AddedPart:
    """Render a plug-in's section; one that fails is named and takes nothing else down."""
    try:
        html = section.render(fits[0] if fits else None, tuple(answers))
    except PluginError as error:
        return AddedPart(section.title, "", str(error))
    return AddedPart(section.title, html, "")
