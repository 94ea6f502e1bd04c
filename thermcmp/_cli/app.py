"""The command ``thermcmp`` and its subcommands."""

from __future__ import annotations

import os
from pathlib import Path

import click

from thermcmp import __version__
from thermcmp._cli import question_commands, table_commands
from thermcmp._cli.job import demo_job, report_command, run_job
from thermcmp._cli.log_options import log_columns, log_options
from thermcmp._cli.option_groups import FILE
from thermcmp._cli.terminal import log_hint, say
from thermcmp._plugin_registry import DISABLE_VARIABLE

_ABOUT = """\
Compare the cooling of graphics cards: what cooler, board, memory, fan and reassembly each did.

\b
From your own table:   columns, import, then report or one question
Keep the library:      correct, withdraw, history, verify
From per-second logs:  inspect, watch, import

Without a command it runs an invented demo campaign: it prints a verdict and writes one HTML
report. `thermcmp COMMAND --help` explains a command."""

_CARE = """\
\b
Completion in bash (else zsh_source, fish_source):
  eval "$(_THERMCMP_COMPLETE=bash_source thermcmp)"

Exit codes: 0 done, 1 the fit failed its checks, a plug-in failed, a library is damaged or a
watched log never was enough, 2 bad input.

Stay with a card at load: its parts are hot and its fans turn. Before you act on a verdict at
the bench: power off, unplug, let it cool, and follow the maker's service instructions."""


class _Commands(click.Group):
    """Commands with their whole first sentence in the list, in the order of a job."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(n, c.get_short_help_str(200)) for n, c in self.commands.items()])


@click.group(cls=_Commands, help=_ABOUT, epilog=_CARE, invoke_without_command=True)
@click.version_option(__version__, prog_name="thermcmp")
@click.option(
    "--out", type=FILE, default=Path("thermcmp-out"), show_default=True,
    help="Folder for the demo's report.",
)  # fmt: skip
@click.option(
    "--no-plugin", multiple=True, metavar="NAME",
    help="Leave an installed plug-in out; may be repeated.",
)  # fmt: skip
@click.pass_context
def app(context: click.Context, out: Path, no_plugin: tuple[str, ...]) -> None:
    """Run the demo where no command is given."""
    if no_plugin:
        # Worker processes leave them out too.
        before = os.environ.get(DISABLE_VARIABLE, "")
        os.environ[DISABLE_VARIABLE] = ",".join(filter(None, (before, *no_plugin)))
    if context.invoked_subcommand is None:
        say("\n".join(run_job(demo_job(out))))


@click.command("inspect")
@click.argument("log", type=FILE)
@log_columns
@click.option("--html", type=FILE, metavar="FILE", help="Write it as a page too, with a figure.")
def inspect_command(log: Path, columns: Path | None, html: Path | None) -> None:
    """Show what an unknown LOG holds."""
    import thermcmp as tc

    known = log_options(columns)
    known.pop("protocol", None)
    found = tc.inspect(log, **known)
    if html is not None:
        found.save_html(html)
    # What Python takes as an argument stands in a file here.
    text = str(found).replace(
        f"columns={found.suggestion!r}", f"A file for --columns: {found.json}"
    )
    say(text + log_hint(text))


@click.command("watch")
@click.argument("log", type=FILE)
@log_columns
@click.option(
    "--wanted-k", default=0.5, show_default=True, metavar="K",
    help="Standard error at which the log is enough, K.",
)  # fmt: skip
@click.pass_context
def watch_command(context: click.Context, log: Path, columns: Path | None, wanted_k: float) -> None:
    """Follow a growing LOG until its steady state is known well enough."""
    import thermcmp as tc

    good, before = False, ""
    for state in tc.watch(log, wanted_k=wanted_k, **log_options(columns)):
        # Notes seldom change: a line for each is enough once.
        notes = "".join(f"\n  Note: {note}" for note in state.notes)
        say(state.sentence + (notes if notes != before else ""))
        good, before = state.good_enough, notes
    context.exit(0 if good else 1)


@click.command("plugins")
def plugins_command() -> None:
    """List the plug-ins with version, origin, state, hooks and the reason of a failure."""
    import thermcmp as tc

    for record in tc.plugins():
        version = f" {record.version}" if record.version else ""
        click.echo(f"{record.name}{version} ({record.origin}): {record.status}")
        for line in (", ".join(record.hooks), *record.provides, record.error):
            if line:
                click.echo(f"  {line}")


# In the order of a job, which is that of the list.
for command in (
    table_commands.columns_command,
    table_commands.import_command,
    question_commands.fit_command,
    question_commands.separate_command,
    question_commands.attribute_command,
    question_commands.chain_command,
    question_commands.rank_command,
    question_commands.margin_command,
    question_commands.predict_command,
    question_commands.compare_labs_command,
    question_commands.compare_models_command,
    question_commands.check_command,
    question_commands.ask_command,
    report_command,
    table_commands.correct_command,
    table_commands.withdraw_command,
    table_commands.history_command,
    table_commands.verify_command,
    inspect_command,
    watch_command,
    plugins_command,
):
    app.add_command(command)
