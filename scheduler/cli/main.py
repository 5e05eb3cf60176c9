"""The command `brinewatt`: its group, and how errors end."""

from __future__ import annotations

import errno
import sys
from importlib.metadata import version
from typing import Any

import click

from scheduler.cli.after import after
from scheduler.cli.again import again
from scheduler.cli.backtest import backtest
from scheduler.cli.bill import bill
from scheduler.cli.calibrate import calibrate
from scheduler.cli.check import check
from scheduler.cli.demo import demo
from scheduler.cli.import_rate import import_rate
from scheduler.cli.keys import keys
from scheduler.cli.limits import limits
from scheduler.cli.new import new
from scheduler.cli.plan import plan
from scheduler.cli.replan import replan
from scheduler.cli.robustness import robustness
from scheduler.cli.scenarios import scenarios
from scheduler.cli.sheet import sheet
from scheduler.cli.tariffs import tariffs
from scheduler.cli.technologies import conversion, technologies
from scheduler.cli.why import why
from scheduler.errors import BrinewattError, FolderError
from scheduler.plain_text import plain
from scheduler.read.problems import hint

STOPPED = 130
"""Exit code after Ctrl-C: 128 and the number of the signal, as shells have it."""


class Group(click.Group):
    """A group that tells an error of ours in words and ends with its exit code."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; a wrong name is answered with the closest one (see `click.Group`)."""
        name = str(args[0])
        if self.get_command(ctx, name) is None and not name.startswith("-"):
            ctx.fail(f"No such command '{name}'{hint(name, self.list_commands(ctx))}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; turn an error of ours into words on stderr (see `click.Group.invoke`)."""
        try:
            return super().invoke(ctx)
        except BrinewattError as error:
            click.echo(f"Error: {error}", err=True)
            ctx.exit(error.exit_code)
        except OSError as error:
            # A reader of our words that went away is click's to tell.
            if error.errno == errno.EPIPE:
                raise
            click.echo(f"Error: {plain(str(error))}: check rights and free space", err=True)
            ctx.exit(FolderError.exit_code)
        except KeyboardInterrupt:
            click.echo("Stopped. What was not written yet is not there.", err=True)
            ctx.exit(STOPPED)


HELP = """Plan the hourly load of chlor-alkali cell rooms at the lowest power cost.

\b
First try the invented demo site:     brinewatt demo
Start a small site of your own:       brinewatt new my_site
Or copy the demo and change it:       brinewatt demo --copy my_site
What a file may hold, key by key:     brinewatt keys alkali_tank
Check your files:                     brinewatt check my_site/site.toml
Make the plan for a day:              brinewatt plan my_site/site.toml --day 2026-06-08
Plan the rest of a running day:       brinewatt replan my_site/site.toml --earlier FOLDER ...
Judge loads of your own:              brinewatt sheet my_site/site.toml loads.csv ...
Fit the models to your readings:      brinewatt calibrate my_site/site.toml readings.csv ...
Look back at a planned day:           brinewatt after FOLDER --site my_site/site.toml ...
Make a plan again from its folder:    brinewatt again FOLDER
Put supply contracts side by side:    brinewatt tariffs my_site/study.toml
Test planning on past prices:         brinewatt backtest my_site/site.toml --first-day ...
What a tonne costs from each room:    brinewatt technologies my_site/site.toml
What converting a room would save:    brinewatt conversion my_site/site.toml
Bill a load under a contract:         brinewatt bill contract.toml profile.csv ...
Make a contract of a US rate:         brinewatt import-rate record.json ...
How a plan holds on 200 other days:   brinewatt robustness my_site/site.toml --out FOLDER
What each limit is worth on a day:    brinewatt limits my_site/site.toml
Bid under uncertain prices:           brinewatt scenarios my_site/site.toml --scenarios FILE ...
Ask why a load is where it is:        brinewatt why my_site/site.toml room_a 19:00

brinewatt COMMAND --help says for each command what it does, when to use it, and an example.

Exit codes: 0 done; 1 a bug; 2 wrong use or bad input; 3 a duty is missed or NOT A PLAN;
4 a limit of the solver; 130 stopped with Ctrl-C.

A plan is advice. Interlocks, permits, operating procedures, local codes and licensed practice
come first.
"""


@click.group(
    cls=Group,
    help=HELP,
    context_settings={"help_option_names": ["-h", "--help"], "show_default": True, "max_content_width": 100},
)
@click.version_option(version("brinewatt"), prog_name="brinewatt")
def main() -> None:
    """Run a command of the planner."""


main.add_command(plan)
main.add_command(demo)
main.add_command(new)
main.add_command(check)
main.add_command(keys)
main.add_command(replan)
main.add_command(sheet)
main.add_command(calibrate)
main.add_command(after)
main.add_command(again)
main.add_command(tariffs)
main.add_command(backtest)
main.add_command(technologies)
main.add_command(conversion)
main.add_command(bill)
main.add_command(import_rate)
main.add_command(robustness)
main.add_command(limits)
main.add_command(scenarios)
main.add_command(why)

if __name__ == "__main__":
    sys.exit(main())
