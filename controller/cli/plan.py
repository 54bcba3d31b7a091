"""``coldpin plan``: the questions as controls on a page, and beside them the rehearsed hot days."""

from __future__ import annotations

from pathlib import Path

import click

from controller.cli.extras import need
from controller.cli.files import require_folder
from controller.cli.instances import Instance
from controller.cli.new import DEFAULT_FILE
from controller.cli.new_file import exact_content, replace_content
from controller.errors import InputFileError, PhysicsError, SettingsError
from controller.planning.answers import Answers, OwnFile, complete, keeps_answers, read_answers
from controller.planning.consultation import draft_of
from controller.planning.own_file import own_file
from controller.settings.load import examine_settings

ADDRESS, PORT = "127.0.0.1", 8471


@click.command()
@click.argument("config", type=Instance(), default=DEFAULT_FILE, metavar="[CONFIG]")
@click.option(
    "--port",
    type=click.IntRange(0, 65_535),
    default=PORT,
    show_default=True,
    help="Port of the page; 0: any that is free.",
)
@click.option("--browser/--no-browser", default=True, help="Open the page in a browser.")
def plan(config: Path, port: int, browser: bool) -> None:
    """Plan a chamber on a page, and see each change on hot days.

    Only this machine can open the page. It starts from CONFIG, whoever wrote it, or from the usual
    answers if there is no such file. Save changes only the lines of the controls that you moved.
    CONFIG is my-chamber.toml unless you name another.
    """
    require_folder(config)
    need("lookout", what="coldpin plan")
    from controller.cli.plan_server import StartingPoint, serve_plan  # noqa: PLC0415 - needs the extra

    start = _start(config)
    serve_plan(
        config,
        StartingPoint(*start),
        address=ADDRESS,
        port=port,
        browser=browser,
        read=exact_content,
        write=replace_content,
    )


def _start(config: Path) -> tuple[dict[str, str], tuple[str, ...], OwnFile | None]:
    """Return the answers and changes that a configuration was made from, or the person's own file.

    One that `coldpin new` wrote and nobody changed is written anew from its answers.
    """
    if not config.exists():
        return {}, (), None
    content = exact_content(config)
    settings, problems = examine_settings(config, needs_fit=False)
    if settings is None or problems:
        raise InputFileError(str(config), (*problems, "`coldpin check` explains each of these"))
    texts, changes, problems = read_answers(content) if keeps_answers(content) else ({}, (), [""])
    if not problems:
        answers = complete(texts, changes)
        if not answers.problems and _is_made_from(content, answers):
            return texts, changes, None
    return {}, (), own_file(content, config.parent, settings, texts)


def _is_made_from(content: str, answers: Answers) -> bool:
    try:
        return draft_of(answers).text == content
    except (SettingsError, PhysicsError):
        return False
