"""What `plan`, `replan` and `sheet` make of their inputs, now or once more from a folder that kept them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from scheduler.cli.steps import check_held, options_for, read, tell, told_as_input, with_cleared
from scheduler.result import Plan, Status

if TYPE_CHECKING:
    from scheduler.read.earlier import Earlier
    from scheduler.read.inputs import Inputs
    from scheduler.read.kept import Asked, Kept
    from scheduler.report.files import Writer


@dataclass(frozen=True, eq=False)
class Made:
    """A plan with what goes along with it.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    more : str
        Text that stands below the summary. [-]
    extra : mapping
        Further files by name. [-]
    """

    plan: Plan
    more: str = ""
    extra: Mapping[str, Writer] = field(default_factory=dict)


def make(asked: Asked, inputs: Inputs, site: Path, running: Earlier | None = None) -> Made:
    """Return what a command makes of its inputs.

    Parameters
    ----------
    asked : Asked
        Command and options. [-]
    inputs : Inputs
        What was read. [-]
    site : Path
        Site file, for messages. [-]
    running : Earlier, optional
        Table of the plan that is running; for 'replan' only. [-]

    Returns
    -------
    Made
        The plan. [-]
    """
    with told_as_input(site):
        if running is not None:
            made = _rest_of_day(asked, inputs, running)
        elif asked.command == "sheet":
            made = _judged(asked, inputs)
        else:
            from scheduler.plan import make_plan

            options = replace(options_for(inputs, asked.seconds), compare=asked.compare)
            made = Made(make_plan(inputs.site, inputs.horizon, inputs.situation, options))
    check_held(made.plan, asked.cleared)
    if made.plan.status in (Status.MISSES, Status.NOT_A_PLAN):
        from scheduler.diagnose import diagnosed

        tell("looking for what collides ...")
        made = replace(made, plan=diagnosed(made.plan))
    return made


def _rest_of_day(asked: Asked, inputs: Inputs, running: Earlier) -> Made:
    from scheduler.given import pipelines_only, replan
    from scheduler.report.difference import difference_csv, difference_text
    from scheduler.report.files import write_text

    delivered = running.delivered_t(inputs.horizon.start_min)
    if "orders" in inputs.given:
        # Orders given now are what is still to load.
        delivered = pipelines_only(inputs.site, delivered)
    made = replan(
        inputs.site,
        inputs.horizon,
        inputs.situation,
        running.loads(inputs.site),
        asked.freeze_min,
        options_for(inputs, asked.seconds),
        delivered,
        running.takes(inputs.site),
    )
    extra = {"difference.csv": lambda path: write_text(path, difference_csv(made))}
    return Made(made.plan, difference_text(made), extra)


def _judged(asked: Asked, inputs: Inputs) -> Made:
    from scheduler.given import judge
    from scheduler.plan import make_plan
    from scheduler.report.difference import judgement_text

    options = options_for(inputs, asked.seconds)
    given = judge(inputs.site, inputs.horizon, inputs.situation, options)
    free = replace(inputs.situation, locks={})
    best = make_plan(inputs.site, inputs.horizon, free, replace(options, compare=False))
    return Made(given, judgement_text(given, best))


def read_again(kept: Kept, folder: Path) -> tuple[Inputs, Earlier | None]:
    """Read what a folder keeps as it was read when its plan was made.

    Parameters
    ----------
    kept : Kept
        The inputs. [-]
    folder : Path
        Folder of the plan, for messages. [-]

    Returns
    -------
    tuple of (Inputs, Earlier or None)
        The inputs, and the plan that was running where the plan is of the rest of a day. [-]
    """
    from models.horizon import minute_of
    from scheduler.read.earlier import earlier_of
    from scheduler.read.kept import CLEARED, EARLIER

    asked = kept.asked

    def as_bought(inputs: Inputs) -> Inputs:
        bought = asked.cleared
        if bought is None:
            return inputs
        return with_cleared(
            inputs,
            Path(bought.table),
            bought.tolerance_mw,
            bought.up_per_mwh,
            bought.down_per_mwh,
            kept.files.get((CLEARED, bought.table), b""),
        )

    files: dict[str, Path | list[Path]] = {
        role: Path(names[0]) if role == "contract" else [Path(name) for name in names]
        for role, names in kept.given.items()
    }
    if asked.start is None:
        return as_bought(read(Path(kept.site), asked.day, files, asked.sequence, kept=kept.files)), None
    name, table = next((name, data) for (role, name), data in kept.files.items() if role == EARLIER)
    running = earlier_of(folder / name, table)
    expected = running.levels_at(minute_of(asked.start))
    inputs = read(Path(kept.site), asked.day, files, asked.sequence, asked.start, expected, kept.files)
    return as_bought(inputs), running
