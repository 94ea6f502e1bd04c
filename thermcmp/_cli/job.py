"""The main job as one call: import, fit, ask, write the report, return the verdict."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from thermcmp._cli.firmware_rules import Rule, rules_of
from thermcmp.errors import Fault, InputError

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.questions.answer import Answer
    from thermcmp.telemetry.campaign.folder import Reduced

#: Questions to the invented demo campaign.
DEMO_SENSOR: Final = "memory"
DEMO_BESIDE: Final = ("junction",)
DEMO_BEFORE: Final = "Alder r1 / fw 1"
DEMO_AFTER: Final = "Alder r2 / fw 2"
DEMO_LIMIT_C: Final = 100.0
#: Name of the question about several sensors.
SENSORS: Final = "Sensors"
#: Sentences of a question's answer that the verdict repeats, where not the usual number.
_REPEATED: Final = {"Margin": 2, SENSORS: 1}
_USUALLY_REPEATED: Final = 3

#: A study of fewer rows is not fitted on its own.
_FEWEST_ROWS: Final = 8

#: Shows a step while it runs.
Progress = Callable[[str], AbstractContextManager[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What to read, what to ask and where to write."""

    out: Path
    #: Library, read and not changed unless `results` is given.
    library: str | None = None
    #: Table of results, imported first.
    results: Path | None = None
    #: JSON file that maps the table's headings to schema names.
    columns: Path | None = None
    sheet: str | None = None
    #: Decimal mark of the tables; detected from their numbers by default.
    decimal: str | None = None
    #: A log to be inspected, and nothing else.
    inspect: Path | None = None
    #: A growing log to be followed, and nothing else, until this standard error is reached [K].
    watch: Path | None = None
    wanted_k: float = 0.5
    #: Folder of per-second logs and its run sheet, reduced first.
    logs: Path | None = None
    runs: Path | None = None
    #: JSON file that maps canonical names to the logs' headings.
    log_columns: Path | None = None
    sensor: str | None = None
    #: Further sensors on which the same fix is attributed.
    beside: tuple[str, ...] | None = None
    #: Builds for attribution and margin, as "product / firmware".
    before: str | None = None
    after: str | None = None
    limit_c: float | None = None
    #: Table of the firmwares' rules, for the margin; see `read_firmware`.
    firmware: Path | None = None
    duty: Path | None = None
    cooler_id: str | None = None
    #: Air at the cooler's intake in a warm case [°C].
    case_air_c: float = 35.0
    #: Noise, power and ambient for the ranking.
    noise_dba: float = 40.0
    power_w: float = 200.0
    ambient_c: float = 21.0
    seed: int = 1
    #: Posterior draws of each fit; as many as `fit` takes by default.
    draws: int | None = None
    allow_bad_health: bool = False

    @property
    def is_demo(self) -> bool:
        """Whether the invented demo campaign is used."""
        return self.library is None and self.results is None and self.logs is None

    @property
    def sampling(self) -> dict[str, Any]:
        """Options of every fit."""
        return {"seed": self.seed} | ({} if self.draws is None else {"draws": self.draws})

    @property
    def allowed(self) -> dict[str, Any]:
        """Options of every question and of the report."""
        return {"allow_bad_health": True} if self.allow_bad_health else {}

    @property
    def has_logs(self) -> bool:
        """Whether there are logs to reduce: those named, or the demo's."""
        return self.logs is not None or self.is_demo

    @property
    def builds(self) -> tuple[str | None, str | None]:
        """Old and new build: those named, or the demo's."""
        usual = (DEMO_BEFORE, DEMO_AFTER) if self.is_demo else (None, None)
        return self.before or usual[0], self.after or usual[1]


def demo_folder() -> Path:
    """Return the demo campaign's folder: in the installed package, else in the source tree."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "_demo", package.parent / "datasets" / "demo"):
        if (folder / "campaign.csv").is_file():
            return folder
    fix = "install the package again, or give --results"
    raise InputError("The demo cannot be run:", [Fault("the demo campaign is not installed", fix)])


def run_job(job: Job, progress: Progress) -> list[str]:
    """Do the job and return the verdict."""
    import thermcmp as tc
    from thermcmp.questions.regulation.question import any_regulated

    if job.inspect is not None:
        return str(tc.inspect(job.inspect)).splitlines()
    reduced = None
    if job.has_logs:
        with progress("Reducing the logs"):
            reduced = _reduced(job)
    with progress("Reading the results"):
        every = _rows(job, reduced)
        sensor = _sensor(job, every)
        beside = _beside(job, every, sensor)
        rules = _rules(job, every, sensor)
        followed = [rule.follows for rule in rules.values() if rule.follows]
        names = list(dict.fromkeys([sensor, *beside, *followed]))
        rows = every[every["sensor"] == sensor]
    also = f", with {' and '.join(names[1:])}" if len(names) > 1 else ""
    with progress(f"Fitting {len(rows)} rows of the {sensor} sensor{also}"):
        fits = _fits(job, every, names)
    fit = fits[sensor]
    answers, lines = [], [_headline(fit, sensor, rows, reduced)]
    with progress("Computing the answers"):
        named = (
            *_ask(job, fit, [fits[name] for name in beside]),
            *_margins(job, fits, sensor, rules),
            # Those that inform no fit too.
            *([("Regulated runs", tc.regulated_runs(rows))] if any_regulated(rows) else []),
        )
        for name, answer in named:
            if isinstance(answer, str):
                lines.append(f"{name}: {answer}")
            else:
                answers.append(answer)
                count = _REPEATED.get(name, _USUALLY_REPEATED)
                first, *more = answer.sentences[:count] or ("no finding.",)
                lines += [f"{name}: {first}", *(f"  {sentence}" for sentence in more)]
    kinds = dict.fromkeys(answer.interval_words for answer in answers)
    lines[0] += f" Ranges in brackets: {', '.join(kinds)}."
    with progress("Writing the report"):
        path = tc.report(answers, job.out / "report.html", fit=fit, reduced=reduced, **job.allowed)
    return [*lines, f"Report: {path}"]


def watched(job: Job, show: Callable[[str], None]) -> bool:
    """Show each state of the log that a job watches, and return whether it became enough."""
    import thermcmp as tc

    good, before = False, ""
    for state in tc.watch(job.watch or "", _heading_map(job.log_columns), wanted_k=job.wanted_k):
        # Notes seldom change: a line for each is enough once.
        notes = "".join(f"\n  Note: {note}" for note in state.notes)
        show(state.sentence + (notes if notes != before else ""))
        good, before = state.good_enough, notes
    return good


def _reduced(job: Job) -> Reduced:
    """Reduce the logs that the job names, or the demo's."""
    import thermcmp as tc

    folder = demo_folder()
    logs = job.logs or folder / "logs"
    runs = job.runs or (folder / "runs.csv" if job.is_demo else None)
    if runs is None:
        raise InputError(
            "The logs cannot be reduced:",
            [Fault("no run sheet", "give --runs with a table of the runs", file=str(logs))],
        )
    columns = job.log_columns or (folder / "logs.json" if job.is_demo else None)
    reduced = tc.reduce_logs(logs, _existing(runs), columns=_heading_map(columns), progress=False)
    if reduced.results.empty:
        faults = [
            Fault(f"run {record['run']}: {record['reason']}" if record["run"] else record["reason"],
                  "test it again, or state what differs by reduce_logs", record["file"])
            for record in reduced.refused.to_dict("records")
        ]  # fmt: skip
        raise InputError("No log could be used; each was refused:", faults)
    return reduced


def _rows(job: Job, reduced: Reduced | None) -> pd.DataFrame:
    """Read the result rows of the library that the job names or makes."""
    import thermcmp as tc

    if job.library is not None and job.results is None and reduced is None:
        if "://" not in job.library and not Path(job.library).is_dir():
            raise InputError(
                "The library cannot be read:",
                [Fault("no such folder", "give the folder of a library", file=job.library)],
            )
        return tc.Library(job.library).results()
    table, columns = job.results, job.columns
    if job.is_demo:
        table = demo_folder() / "campaign.csv"
        columns = table.with_name("columns.json")
    imports: list[tuple[pd.DataFrame, str]] = []
    if table is not None:
        frame = tc.read_results(
            _existing(table), columns=_heading_map(columns), decimal=job.decimal, sheet=job.sheet
        )
        imports.append((frame, table.name))
    if reduced is not None:
        imports.append((reduced.results, "per-second logs"))
    library = tc.Library(job.library or job.out / _library_name(imports))
    for frame, source in imports:
        library.add(frame, source=source)
    return library.results()


def _library_name(imports: Sequence[tuple[pd.DataFrame, str]]) -> str:
    """Name a new library by what goes into it.

    A repeated import finds its own; changed files, or logs reduced in another way by a
    newer version, meet no rows that they would contradict.
    """
    from thermcmp.results.hashing import content_hash

    content = "".join(content_hash(frame) for frame, _ in imports)
    return f"library-{hashlib.sha256(content.encode()).hexdigest()[:12]}"


def _existing(path: Path) -> Path:
    if not path.is_file():
        raise InputError(
            "The table cannot be read:",
            [Fault("no such file", "give the path of a table", file=str(path))],
        )
    return path


def _heading_map(path: Path | None) -> dict[str, str] | None:
    if path is None:
        return None
    try:
        heading_map = json.loads(_existing(path).read_text(encoding="utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise InputError(
            "The map of headings cannot be read:",
            [Fault(f"no valid JSON: {error}", "write one JSON object", file=str(path))],
        ) from error
    if not isinstance(heading_map, dict):
        raise InputError(
            "The map of headings cannot be read:",
            [Fault("no JSON object", 'write {"heading": "schema name", …}', file=str(path))],
        )
    return heading_map


def _sensor(job: Job, rows: pd.DataFrame) -> str:
    """Return the sensor to ask about: the one named, the demo's, or the only one."""
    held = sorted(str(name) for name in rows["sensor"].dropna().unique())
    chosen = job.sensor or (DEMO_SENSOR if job.is_demo else held[0] if len(held) == 1 else None)
    if chosen in held:
        return str(chosen)
    message = "no sensor named" if chosen is None else "no rows of this sensor"
    fix = f"use --sensor with one of {', '.join(held)}" if held else "import results first"
    raise InputError(
        "The sensor is not clear:", [Fault(message, fix, column="sensor", value=chosen)]
    )


def _beside(job: Job, rows: pd.DataFrame, sensor: str) -> tuple[str, ...]:
    """Return the further sensors on which the fix is attributed: those named, or the demo's."""
    held = sorted(str(name) for name in rows["sensor"].dropna().unique() if name != sensor)
    if job.beside is None:
        return tuple(name for name in DEMO_BESIDE if job.is_demo and name in held)
    faults = [
        Fault("no rows of this other sensor", f"use one of {', '.join(held) or 'none'}", value=name)
        for name in job.beside
        if name not in held
    ]
    if not job.is_demo and not (job.before and job.after):
        faults.append(Fault("no fix to attribute on them", "give --before and --after too"))
    if faults:
        raise InputError("The further sensors are not clear:", faults)
    return tuple(dict.fromkeys(job.beside))


def _rules(job: Job, rows: pd.DataFrame, sensor: str) -> dict[str, Rule]:
    """Read the firmware rule of each build, where the job has a firmware table."""
    if job.firmware is None:
        return {}
    return rules_of(
        _existing(job.firmware),
        [build for build in job.builds if build],
        rows,
        sensor=sensor,
        duty=None if job.duty is None else _existing(job.duty),
        cooler_id=job.cooler_id,
        decimal=job.decimal,
    )


def _fits(job: Job, rows: pd.DataFrame, sensors: Sequence[str]) -> Mapping[str, Any]:
    """Fit each sensor: together where the rows allow it, else one by one."""
    import thermcmp as tc

    if len(sensors) > 1:
        # Readings at a limit and sensors without common assemblies are for single fits.
        with suppress(tc.ModelError):
            together = tc.fit_sensors(rows, sensors, **job.sampling)
            if all(fit.health != "bad" for fit in together.values()):
                return together
    return {
        name: tc.fit(rows[rows["sensor"] == name], sensor=name, **job.sampling) for name in sensors
    }


def _ask(job: Job, fit: Any, beside: Sequence[Any]) -> Iterator[tuple[str, Answer | str]]:
    """Yield name and answer of each question but the margin, or why there is no answer."""
    import thermcmp as tc

    before, after = job.builds
    if before and after:
        # The fix comes first: it is the verdict, and the separation the reasons for it.
        yield "Attribution", tc.attribute(fit, before=before, after=after, **job.allowed)
        if beside:
            yield SENSORS, tc.attribute_sensors([fit, *beside], before, after, **job.allowed)
        alone = _study_alone(job, fit, before, after)
        if alone is not None:
            answer = tc.separate(alone, before=before, after=after, **job.allowed)
            first, *more = answer.sentences
            yield (
                "Study alone",
                replace(
                    answer,
                    title=f"The study alone: effects on {fit.sensor}, specimens",
                    sentences=(f"In the study's own rows: {first}", *more),
                ),
            )
        yield "Separation", tc.separate(fit, before=before, after=after, **job.allowed)
    else:
        yield "Separation", tc.separate(fit, **job.allowed)
        yield "Attribution", "not asked; give --before and --after as 'product / firmware'."
    at = tc.Conditions(ambient_c=job.ambient_c, power_w=job.power_w, noise_dba=job.noise_dba)
    yield "Ranking", tc.rank(fit, at=at, **job.allowed)


def _margins(
    job: Job, fits: Mapping[str, Any], sensor: str, rules: Mapping[str, Rule]
) -> Iterator[tuple[str, Answer | str]]:
    """Yield the margin of each build, under its firmware's rule where that is known."""
    import thermcmp as tc

    limit_c = job.limit_c if job.limit_c is not None else (DEMO_LIMIT_C if job.is_demo else None)
    builds = [build for build in job.builds if build]
    if limit_c is None or not builds:
        yield "Margin", "not asked; give --limit-c, and --before or --after."
        return
    at = tc.Conditions(ambient_c=job.case_air_c)
    for build in builds:
        loop: dict[str, Any] = dict(job.allowed)
        if build in rules:
            rule = rules[build]
            loop["firmware"] = rule.firmware
            if rule.follows:
                loop["control"] = fits[rule.follows]
        yield "Margin", tc.margin(fits[sensor], build, at=at, limit_c=limit_c, **loop)


def _study_alone(job: Job, fit: Any, before: str, after: str) -> Any:
    """Fit the parts of the two builds alone; None if there is little else or too little."""
    import thermcmp as tc
    from thermcmp.prediction.builds import build_of

    builds = [build_of(fit, name) for name in (before, after)]
    rows = fit.results
    study = rows["cooler_model"].isin([build.cooler_model for build in builds])
    study &= rows["board_model"].isin([build.board_model for build in builds])
    if study.all() or study.sum() < _FEWEST_ROWS:
        return None
    return tc.fit(rows[study], sensor=fit.sensor, **job.sampling)


def _headline(fit: Any, sensor: str, rows: pd.DataFrame, reduced: Reduced | None) -> str:
    products = rows["product"].nunique() if "product" in rows else 0
    text = f"Data: {len(rows)} rows of the {sensor} sensor, {products} products; fit {fit.status}."
    if reduced is None:
        return text
    kept, refused = reduced.results["run"].nunique(), reduced.refused["run"].nunique()
    named = ", ".join(reduced.refused["run"].unique())
    return f"{text} Logs: {kept} runs kept, {refused} refused" + (f" ({named})." if named else ".")
