"""The command `brinewatt`: its group, and how errors end."""

from __future__ import annotations

import sys
from importlib.metadata import version
from typing import Any

import click

from scheduler.cli.bill import bill
from scheduler.cli.check import check
from scheduler.cli.demo import demo
from scheduler.cli.import_rate import import_rate
from scheduler.cli.plan import plan
from scheduler.cli.replan import replan
from scheduler.cli.sheet import sheet
from scheduler.cli.technologies import conversion, technologies
from scheduler.errors import BrinewattError


class Group(click.Group):
    """A group that tells an error of ours in words and ends with its exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; turn an error of ours into words on stderr (see `click.Group.invoke`)."""
        try:
            return super().invoke(ctx)
        except BrinewattError as error:
            click.echo(f"Error: {error}", err=True)
            ctx.exit(error.exit_code)


HELP = """Plan the hourly load of chlor-alkali cell rooms at the lowest power cost.

\b
First try the invented demo site:     brinewatt demo
Then copy it and make it your own:    brinewatt demo --copy my_site
Check your files:                     brinewatt check my_site/site.toml
Make the plan for a day:              brinewatt plan my_site/site.toml --day 2026-06-08
Plan the rest of a running day:       brinewatt replan my_site/site.toml --earlier FOLDER ...
Judge loads of your own:              brinewatt sheet my_site/site.toml loads.csv ...
What a tonne costs from each room:    brinewatt technologies my_site/site.toml
What converting a room would save:    brinewatt conversion my_site/site.toml
Bill a load under a contract:         brinewatt bill contract.toml profile.csv ...

Exit codes: 0 done; 1 a bug; 2 wrong use or bad input; 3 a duty is missed or NOT A PLAN;
4 a limit of the solver.

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
main.add_command(check)
main.add_command(replan)
main.add_command(sheet)
main.add_command(technologies)
main.add_command(conversion)
main.add_command(bill)
main.add_command(import_rate)

if __name__ == "__main__":
    sys.exit(main())
