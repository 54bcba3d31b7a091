"""``coldpin keys``: every key that a configuration may hold, with values, default and meaning."""

from __future__ import annotations

import sys
from dataclasses import asdict

import click
from rich.padding import Padding
from rich.text import Text

from controller.cli import people
from controller.domain.alarm_sheet import alarms_as_markdown
from controller.settings.key_reference import EXAMPLES, Key, KeyTable, key_tables


@click.command()
@click.argument("names", nargs=-1, metavar="[NAME]...")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option("--markdown", is_flag=True, help="Print it as in config/README.md.")
@click.option("--alarms", is_flag=True, help="Print every alarm and what to do about it.")
def keys(names: tuple[str, ...], as_json: bool, markdown: bool, alarms: bool) -> None:
    """List every key that a configuration may hold.

    With NAMEs, only the tables and keys whose names contain one, such as `coldpin keys timing`.
    """
    if sum((as_json, markdown, alarms)) > 1 or (alarms and names):
        raise click.UsageError("--json, --markdown and --alarms go alone, --alarms without NAMEs")
    if alarms:
        sys.stdout.write(alarms_as_markdown())
        return
    tables = chosen(key_tables(), names)
    if not tables:
        raise click.BadParameter(
            f"found no table or key with {' or '.join(names)} in its name; "
            "`coldpin keys` lists them all",
            param_hint="NAME",
        )
    if as_json:
        people.print_json({"tables": [asdict(table) for table in tables]})
    elif markdown:
        sys.stdout.write(as_markdown(tables))
    else:
        _print_for_people(tables)


def chosen(tables: tuple[KeyTable, ...], names: tuple[str, ...]) -> tuple[KeyTable, ...]:
    """Return the tables, or the single keys, whose names contain one of those given.

    A table may be named in its brackets, as it stands in a file.
    """
    if not names:
        return tables
    wanted = [name.strip("[]").lower() for name in names]
    kept = []
    for table in tables:
        path = table.path.lower()
        whole = any(name in path for name in wanted)
        own = tuple(
            key
            for key in table.keys
            if whole or any(name in f"{path}.{key.name}" for name in wanted)
        )
        if own:
            kept.append(KeyTable(table.path, table.meaning, own))
    return tuple(kept)


def as_markdown(tables: tuple[KeyTable, ...]) -> str:
    """Return the reference as a page of its own."""
    lines = [
        "# Every key of a configuration",
        "",
        '`coldpin keys` prints them too, `coldpin keys timing` those with "timing" in the name.',
        "`coldpin check FILE` names every key that is wrong, with what is allowed.",
        "",
        "Text with a unit is written so:",
        "",
        *(f"- {kind}: {example}" for kind, example in EXAMPLES.items()),
        "",
    ]
    for table in tables:
        lines += [f"## [{table.path}]", ""]
        if table.meaning:
            lines += [f"{_sentence(table.meaning)}", ""]
        lines += ["| key | values | default | meaning |", "| --- | --- | --- | --- |"]
        for key in table.keys:
            default = _compulsory(key) if key.default is None else f"`{key.default}`"
            lines.append(f"| `{key.name}` | {key.values} | {default} | {key.meaning} |")
        lines.append("")
    return "\n".join(lines)


def _print_for_people(tables: tuple[KeyTable, ...]) -> None:
    console = people.console()

    def show(text: Text | str, indent: int) -> None:
        console.print(Padding(text, (0, 0, 0, indent), expand=False))

    for table in tables:
        show(people.bold(f"\n[{table.path}]").append(f" {_sentence(table.meaning)}"), 0)
        for key in table.keys:
            default = _compulsory(key) if key.default is None else f"default {key.default}"
            line = people.bold(key.name)
            for part in filter(None, (key.values, default)):
                line.append(f" · {part}")
            show(line, 2)
            show(key.meaning, 6)


def _compulsory(key: Key) -> str:
    return "compulsory" if key.compulsory else ""


def _sentence(text: str) -> str:
    begun = text[:1].upper() + text[1:]
    return begun if begun.endswith(".") else f"{begun}."
