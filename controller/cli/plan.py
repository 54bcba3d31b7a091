"""``coldpin plan``: the questions as controls on a page, and beside them the rehearsed hot days."""

from __future__ import annotations

from pathlib import Path

import click

from controller.cli.extras import need
from controller.cli.new import DEFAULT_FILE
from controller.cli.new_file import read_content, replace_content
from controller.errors import InputFileError
from controller.planning.answers import complete, keeps_answers, read_answers

ADDRESS, PORT = "127.0.0.1", 8471


@click.command()
@click.argument("config", type=click.Path(path_type=Path, dir_okay=False), default=DEFAULT_FILE)
@click.option(
    "--port",
    type=click.IntRange(0, 65_535),
    default=PORT,
    show_default=True,
    help="Where the page is; 0 for any that is free.",
)
@click.option("--browser/--no-browser", default=True, help="Open the page in a browser.")
def plan(config: Path, port: int, browser: bool) -> None:
    """Plan a chamber on a page, and see each change on hot days.

    The page is for this machine alone. It begins with the answers in CONFIG, or with the usual ones
    where there is no such file, and Save writes CONFIG.
    """
    need("lookout", what="coldpin plan")
    texts, changes = _start(config)
    from controller.cli.plan_server import serve_plan  # noqa: PLC0415 - needs the extra

    serve_plan(
        config,
        texts,
        changes,
        address=ADDRESS,
        port=port,
        browser=browser,
        write=replace_content,
    )


def _start(config: Path) -> tuple[dict[str, str], tuple[str, ...]]:
    """Return the answers that a configuration keeps; none where there is no such file."""
    if not config.exists():
        return {}, ()
    content = read_content(config)
    if not keeps_answers(content):
        problem = (
            "holds no answers, since `coldpin new` did not write it. `coldpin size` judges it; "
            "for a new plan name a file that is not there yet"
        )
        raise InputFileError(str(config), (problem,))
    texts, changes, problems = read_answers(content)
    answers = complete(texts, changes)
    problems += [f"{key}: {why}" for key, why in answers.problems.items()]
    if problems:
        raise InputFileError(str(config), tuple(problems))
    return texts, changes
