"""The paragraph of an article: what was tested, how sure it is, and what cannot be said."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal, get_args

from thermcmp.errors import Fault, InputError
from thermcmp.inference.posterior import Fit
from thermcmp.prediction.builds import Scope, build_of
from thermcmp.questions.answer import Answer
from thermcmp.questions.attribution.answer import Attribution
from thermcmp.questions.build_chain.answer import Chain
from thermcmp.questions.limit_margin.answer import Margin
from thermcmp.questions.model_claims import DEPENDS
from thermcmp.questions.model_comparison.answer import ModelComparison
from thermcmp.questions.ranking.question import Ranking
from thermcmp.questions.separation.question import Separation
from thermcmp.questions.several_sensors.question import SensorAttribution
from thermcmp.reporting.article.basis import basis_of, scope_words, specimen_words
from thermcmp.reporting.article.finding import Finding, Level, listed
from thermcmp.reporting.article.fixes import attribution_findings, chain_findings
from thermcmp.reporting.article.limits import Limits, limits_of
from thermcmp.reporting.article.overclaims import overclaims
from thermcmp.reporting.article.standings import (
    margin_findings,
    ranking_findings,
    separation_findings,
)

if TYPE_CHECKING:
    from thermcmp.model.conditions import Build

Length = Literal["short", "medium", "long"]
_LEVELS: Final = dict(zip(get_args(Length), Level, strict=True))
_FINDINGS: Final[dict[type[Answer], Callable[..., list[Finding]]]] = {
    Attribution: attribution_findings,
    Chain: chain_findings,
    Margin: margin_findings,
    Ranking: ranking_findings,
    Separation: separation_findings,
}


@dataclass(frozen=True, slots=True, eq=False)
class Statement:
    """A paragraph about answers, with words no stronger than the evidence.

    Attributes
    ----------
    text : str
        The paragraph.
    length : str
        "short", "medium" or "long".
    findings : tuple of Finding
        What the answers say, each with its sentence and its strength, whatever the length.
    limits : tuple of str
        Caveats that change the meaning; the text of every length has them.
    """

    text: str
    length: str
    findings: tuple[Finding, ...] = field(repr=False)
    limits: tuple[str, ...] = field(repr=False)
    _sentences: tuple[str, ...] = field(repr=False)
    _speaks_of_line: bool = field(repr=False)

    def __str__(self) -> str:
        return self.text

    def check(self, text: str) -> str:
        """Refuse a text with words that are stronger than the evidence.

        Words are weighed clause by clause against the finding that shares most names with
        the clause, in doubt against the weakest. It finds the usual overclaims of English
        prose and no others: whether the text says what was found stays yours to check.

        Parameters
        ----------
        text : str
            Your own words about the same answers, such as an edited paragraph.

        Returns
        -------
        str
            The text, unchanged.

        Raises
        ------
        InputError
            If words are stronger than the evidence; each with its clause and what the
            evidence allows.
        """
        faults = overclaims(
            text, self.findings, own=self._sentences, speaks_of_line=self._speaks_of_line
        )
        if faults:
            raise InputError("Words stronger than the evidence:", faults)
        return text


def statement(answers: Answer | Iterable[Answer], length: Length = "medium") -> Statement:
    """Write the paragraph of an article about answers, in words as strong as the evidence.

    It states what was tested, under which conditions, how sure each finding is, and what
    cannot be said. What the runs do not hold is a range without an estimate. Whatever
    changes the meaning stands in every length: numbers that rest on assumptions, one
    specimen per model, answers that hang on the model, a calculation that failed its
    checks. An unqualified "runs cooler" needs a chance of 99 %, "very probably" 95 %,
    "probably" 90 %; below that the text says that it is not clear.

    Parameters
    ----------
    answers : Answer or iterable of Answer
        Answers of `separate`, `attribute`, `attribute_sensors`, `chain`, `rank` and
        `margin`. One of `compare_models` beside them says which of their findings hang on
        the model, and weakens these.
    length : {"short", "medium", "long"}
        "short": the main findings and what changes their meaning; "medium": also what was
        tested, the parts and steps; "long": everything, with all caveats.

    Returns
    -------
    Statement
        The paragraph; ``print`` shows it, and its `check` refuses an edited text that
        claims more.

    Raises
    ------
    InputError
        If there is no answer, one is of another kind, or the length is not known.
    """
    given = _checked(answers, length)
    depends = depends_on_model(given)
    asked = [answer for answer in given if not isinstance(answer, ModelComparison)]
    findings = tuple(dict.fromkeys(f for a in asked for f in findings_of(a, depends) or ()))
    limits = limits_of(given, depends)
    basis, specimens = _basis(asked)
    scopes = [str(getattr(answer, "scope", "")) for answer in asked]
    texts = {
        level: _sentences(level, findings, limits, basis, [*specimens, scope_words(scopes)], asked)
        for level in Level
    }
    return Statement(
        text=" ".join(texts[_LEVELS[length]]),
        length=length,
        findings=findings,
        limits=limits.severe,
        _sentences=tuple(texts[Level.LONG]),
        _speaks_of_line=Scope.SPECIMENS not in scopes and not specimens,
    )


def _checked(answers: Any, length: str) -> list[Answer]:
    """Return the answers, those of each sensor in place of one of several sensors."""
    faults, kept = list[Fault](), list[Answer]()
    given = [answers] if not isinstance(answers, Iterable) else list(answers)
    for place, answer in enumerate(given):
        if isinstance(answer, SensorAttribution):
            kept += answer.answers.values()
        elif isinstance(answer, ModelComparison) or type(answer) in _FINDINGS:
            kept.append(answer)
        else:
            kind = getattr(answer, "kind", type(answer).__name__)
            fix = "give answers of separate, attribute, attribute_sensors, chain, rank or margin"
            faults.append(Fault(f"item {place} ({kind}) has no statement", fix))
    if all(isinstance(answer, ModelComparison) for answer in kept) and not faults:
        faults.append(Fault("nothing to state", "give at least one answer"))
    if length not in _LEVELS:
        fix = f"use one of {', '.join(_LEVELS)}"
        faults.append(Fault("no such length", fix, column="length", value=str(length)))
    if faults:
        raise InputError("The statement cannot be written:", faults)
    return kept


def findings_of(answer: Answer, depends: Sequence[str]) -> list[Finding] | None:
    """Return what an answer says, those of each sensor together; None of a kind without any."""
    if isinstance(answer, SensorAttribution):
        each = (findings_of(one, depends) or [] for one in answer.answers.values())
        return [finding for findings in each for finding in findings]
    find = _FINDINGS.get(type(answer))
    return None if find is None else find(answer, depends)


def lone_specimens(answers: Sequence[Answer]) -> tuple[str, ...]:
    """Return the models that answers are about of which one specimen was tested."""
    lone: set[str] = set()
    for answer in answers:
        if answer.fits and findings_of(answer, ()) is not None:
            fit = answer.fits[0]
            lone |= set(basis_of(fit, _builds_of(answer, fit)).lone)
    return tuple(sorted(lone))


def depends_on_model(answers: Sequence[Answer]) -> list[str]:
    """Return the names of the answers that hang on the model, of all comparisons."""
    names: list[str] = []
    for answer in answers:
        if isinstance(answer, ModelComparison):
            table = answer.answers
            names += [str(n) for n in table.loc[table["verdict"] == DEPENDS, "answer"]]
    return list(dict.fromkeys(names))


def _builds_of(answer: Answer, fit: Fit) -> list[Build]:
    """Return the builds that an answer compares; none where it is about all rows."""
    if isinstance(answer, Attribution):
        return list(answer.builds)
    if isinstance(answer, Margin):
        try:
            return [build_of(fit, answer.build)]
        except InputError:
            # A build with a label of its own.
            return []
    return []


def _basis(answers: list[Answer]) -> tuple[list[str], list[str]]:
    """Return what was tested, by kind of answer, and where one specimen stands for its model."""
    tested: dict[str, list[str]] = {}
    lone: dict[str, set[str]] = {}
    for answer in answers:
        if not answer.fits:
            continue
        fit = answer.fits[0]
        basis = basis_of(fit, _builds_of(answer, fit))
        tested.setdefault(basis.words, []).append(answer.kind)
        if basis.lone:
            lone.setdefault(str(getattr(answer, "scope", "")), set()).update(basis.lone)
    words = list(tested)
    if len(words) > 1:
        words = [f"{item}, for the {listed(tuple(dict.fromkeys(kinds)))}"
                 for item, kinds in tested.items()]  # fmt: skip
    return words, [specimen_words(sorted(names), scope) for scope, names in lone.items()]


def _sentences(
    level: Level,
    findings: Iterable[Finding],
    limits: Limits,
    basis: list[str],
    scopes: list[str],
    answers: list[Answer],
) -> list[str]:
    """Return the sentences of one length."""
    said = [finding.sentence for finding in findings if finding.level <= level]
    tested = [f"Tested: {'; '.join(basis)}."] if basis else []
    kinds = dict.fromkeys(answer.interval_words for answer in answers)
    ranges = f"Ranges in brackets are {', '.join(kinds)}, given the model."
    if level is Level.SHORT:
        return [*said, *tested, *filter(None, scopes), *limits.severe]
    closing = [ranges] if level is Level.MEDIUM else [ranges, *limits.mild]
    return [*tested, *said, *filter(None, scopes), *limits.severe, *closing]
