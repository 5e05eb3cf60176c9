"""What a newcomer meets: help that teaches, close matches, a starter site, completion.

Expected words are this project's own; that every command, key and role is covered is read from the
program itself (click's commands, the starter's TOML by the standard library).
"""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path

import click
import pytest
from click.shell_completion import get_completion_class
from click.testing import CliRunner, Result

from scheduler.cli.main import main
from tests.test_cli import lay

COMMANDS = sorted(main.commands)


def run(*words: str | Path) -> Result:
    """Run the command in this process; what is not an exit code is a bug and is raised."""
    result = CliRunner().invoke(main, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_each_command_teaches(name: str) -> None:
    """Each command says what it does, gives an example that starts with its own name, and its exit codes."""
    text = run(name, "--help").stdout
    assert f"brinewatt {name}" in text
    assert "Exit codes:" in text
    options = [p for p in main.commands[name].params if isinstance(p, click.Option)]
    assert all(option.help for option in options)


def test_help_of_the_group_shows_the_way_from_demo_to_why() -> None:
    """The first page names every command, the exit codes and that a plan is advice."""
    text = run("--help").stdout
    assert all(f"brinewatt {name}" in text for name in COMMANDS)
    assert "Exit codes" in text
    assert "A plan is advice" in text


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (["plna"], "did you mean 'plan'?"),
        (["plan", "{folder}/sit.toml"], "did you mean 'site.toml'?"),
        (["check", "{folder}/site.toml", "--pricse", "x.csv"], "No such option"),
        (["plan", "{folder}/site.toml", "--prises", "x.csv"], "'--prices'"),
        (["plan", "{folder}/site.toml", "--prices", "{folder}/price.csv"], "did you mean 'prices.csv'?"),
        (["why", "{folder}/site.toml", "roon", "10:00"], "did you mean 'room'?"),
        (["why", "{folder}/site.toml", "room", "25:00"], "write a clock time of the plan day"),
        (["why", "{folder}/site.toml", "room", "2026-06-09T10:00"], "lies outside the plan"),
        (["why", "{folder}/site.toml", "room"], "name the TIME"),
        (["why", "{folder}/site.toml"], "name a CIRCUIT and a TIME, or give --all"),
        (["check", "{folder}/site.toml", "--day", "2026-06-09"], "it holds 2026-06-08T00:00+02:00 to"),
    ],
)
def test_wrong_words_are_answered_with_close_ones(tmp_path: Path, words: list[str], answer: str) -> None:
    """A wrong command, file, option, circuit, time or day ends with 2 and names what is meant or allowed."""
    lay(tmp_path)
    result = run(*(word.format(folder=tmp_path) for word in words))
    assert result.exit_code == 2
    assert answer in " ".join(result.stderr.split())


@pytest.mark.parametrize(
    ("old", "new", "answer"),
    [
        ('kind = "own_use"', 'kind = "ownuse"', "did you mean 'own_use'?"),
        ("step_ka = 0.5", "step_kA = 0.5", "did you mean 'step_ka'?"),
        ('prices = "prices.csv"', 'price = "prices.csv"', "did you mean 'prices'?"),
        ('prices = "prices.csv"', 'prices = "price.csv"', "did you mean 'prices.csv'?"),
        ('commodity = "chlorine"\nrate', 'commodity = "chlorin"\nrate', "did you mean 'chlorine'?"),
    ],
)
def test_wrong_words_in_the_site_file_are_answered_with_close_ones(
    tmp_path: Path, old: str, new: str, answer: str
) -> None:
    """A wrong kind, key, role or file name in the site file is answered with the closest right one."""
    site = lay(tmp_path)
    text = site.read_text(encoding="utf-8")
    assert old in text
    site.write_text(text.replace(old, new), encoding="utf-8")
    result = run("check", site)
    assert result.exit_code == 2
    assert answer in result.stderr


def test_new_site_plans_out_of_the_box(tmp_path: Path) -> None:
    """The starter folder is copied whole and plans as it is: exit 0."""
    folder = tmp_path / "my_site"
    assert run("new", folder).exit_code == 0
    assert {path.name for path in folder.iterdir()} == {
        path.name for path in files("scheduler.starter").iterdir() if not path.name.startswith("__")
    }
    result = run("plan", folder / "site.toml", "--out", tmp_path / "out")
    assert result.exit_code == 0
    assert result.stdout.startswith("PLAN: all duties met")
    again = run("new", folder)
    assert again.exit_code == 2
    assert "does not exist yet" in again.stderr


def test_every_key_of_the_new_site_is_explained_once() -> None:
    """Each kind of key has a comment at its first use in the starter's site file."""
    text = (files("scheduler.starter") / "site.toml").read_text(encoding="utf-8")
    tomllib.loads(text)
    first: dict[str, str] = {}
    for line in text.splitlines():
        key = line.split("=")[0].strip()
        if "=" in line and not line.startswith(("#", "[")):
            first.setdefault(key, line)
    missing = [key for key, line in first.items() if "#" not in line]
    # `name` stands in every table; its first use, at the top, is explained.
    assert not missing


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shell_completion(shell: str) -> None:
    """Click's completion gives a script for each shell, and completes commands and options."""
    cls = get_completion_class(shell)
    assert cls is not None
    complete = cls(main, {}, "brinewatt", "_BRINEWATT_COMPLETE")
    script = complete.source_template % complete.source_vars()
    assert f"_BRINEWATT_COMPLETE={shell}_complete" in script
    assert {item.value for item in complete.get_completions([], "re")} == {"replan"}
    assert "--prices" in {item.value for item in complete.get_completions(["plan"], "--pr")}
